import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from cohortkit.agreement import decision_study
from cohortkit.figures import decision, marks, style
from tests.figures import reliable, results


@pytest.mark.parametrize("reads", [1, 2])
def test_rows_hold_each_plan_with_its_interval(reads):
    study = reliable.three_results(reads)[1]
    table = marks.frame(decision.rows("A2", study))
    assert len(table) == len(study.table)
    for row, plan in zip(marks.records(table), marks.records(study.table), strict=True):
        assert (row["x"], row["y"]) == (plan["raters"], plan["reads"])
        assert float(row["label"]) == plan["sdc"]
        assert row["upper"] == plan["sdc_upper"]


def grid_of(sdc, raters=None, height_mm=60):
    """Axes with plans of these SDCs, readings by raters, drawn in a column-wide figure."""
    found = np.asarray(sdc, float)
    raters = raters or range(1, found.shape[1] + 1)
    plans = [
        marks.mark("decision", "A2", "plan", repr(float(found[m, i])), x=k, y=m + 1,
                   lower=found[m, i] * 0.8, upper=found[m, i] * 1.5, unit="mm")
        for m in range(found.shape[0]) for i, k in enumerate(raters)
    ]  # fmt: skip
    with style.looks():
        figure = style.new_figure(89, height_mm)
        axes = figure.add_subplot()
        decision.draw_plans(axes, marks.frame(plans), 0)
        style.settle(figure)
    return axes


def segments(axes):
    """Lines between fields, each as its sorted ends."""
    (lines,) = [c for c in axes.collections if isinstance(c, LineCollection)]
    return {tuple(sorted(map(tuple, ends))) for ends in lines.get_segments()}


def test_the_grid_shows_every_plan():
    study = reliable.three_results()[1]
    table = marks.frame(decision.rows("A2", study))
    figure = Figure()
    axes = figure.add_subplot()
    decision.draw_plans(axes, table, 0)
    shown = [text.get_text() for text in axes.texts]
    for plan in marks.records(study.table):
        assert f"{plan['sdc']:.2f}" in shown
        assert f"[{plan['sdc_lower']:.2f}, {plan['sdc_upper']:.2f}]" in shown
    assert len(shown) == 2 * len(table)
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("raters", "readings by each")


def test_lines_run_between_plans_of_different_round_values():
    axes = grid_of([[0.45, 0.32, 0.26], [0.33, 0.23, 0.19]])
    # by hand: bands of a tenth are 4 3 2 with one reading, 3 2 1 with two; so every edge
    # between neighbours is drawn, three upright pairs' worth of two rows and three level ones
    upright = {((x, y - 0.5), (x, y + 0.5)) for x in (0.5, 1.5) for y in (0, 1)}
    level = {((x - 0.5, 0.5), (x + 0.5, 0.5)) for x in (0, 1, 2)}
    assert segments(axes) == upright | level


def test_no_line_parts_plans_of_one_shade_even_at_the_largest_value():
    axes = grid_of([[0.5, 0.45], [0.41, 0.2]])
    # by hand: 0.5 is the upper end of 0.4 to 0.5, so only the plan of 0.2 stands apart
    assert segments(axes) == {((0.5, 0.5), (0.5, 1.5)), ((0.5, 0.5), (1.5, 0.5))}


@pytest.mark.parametrize("raters", [range(1, 5), (1, 2, 5, 10), range(1, 9)])
@pytest.mark.parametrize("reads", [2, 3])
def test_no_text_meets_another_or_a_line(raters, reads):
    sdc = [[0.9 / (k * m) ** 0.5 for k in raters] for m in range(1, reads + 1)]
    axes = grid_of(sdc, tuple(raters), height_mm=35)  # the lowest of a figure of four strata
    renderer = FigureCanvasAgg(axes.figure).get_renderer()
    boxes = [text.get_window_extent(renderer) for text in axes.texts if text.get_text()]
    met = [a.overlaps(b) for i, a in enumerate(boxes) for b in boxes[:i]]
    assert not any(met)
    ends = [axes.transData.transform(line) for line in segments(axes)]
    lines = [Bbox.null() for _ in ends]
    for box, line in zip(lines, ends, strict=True):
        box.update_from_data_xy(line)
    assert not any(box.overlaps(line) for box in boxes for line in lines)
    shown = [float(label.get_text()) for label in axes.get_xticklabels()]
    assert shown == list(raters)


def test_one_number_of_readings_gives_a_line_over_raters():
    table = marks.frame(decision.rows("A2", reliable.three_results(1)[1]))
    axes = Figure().add_subplot()
    decision.draw_plans(axes, table, 0)
    assert axes.get_xlabel() == "raters, one reading by each"
    assert list(axes.lines[0].get_xdata()) == [1, 2, 3, 4]


def test_one_number_of_raters_gives_a_line_over_readings():
    result = reliable.three_results(3)[0]
    study = decision_study(result, raters=(1,), reads=(1, 2, 3), kind="intra")
    figure = Figure()
    axes = figure.add_subplot()
    decision.draw_plans(axes, marks.frame(decision.rows("A2", study)), 0)
    assert axes.get_xlabel() == "readings, one rater"
    assert list(axes.lines[0].get_xdata()) == [1, 2, 3]
    assert list(axes.lines[0].get_ydata()) == list(study.table["sdc"])
    assert len(axes.collections[0].get_segments()) == 3


def test_the_readings_by_each_are_said_where_raters_alone_vary():
    result = reliable.three_results(2)[0]
    axes = Figure().add_subplot()
    study = decision_study(result, raters=(1, 2), reads=(2,))
    decision.draw_plans(axes, marks.frame(decision.rows("A2", study)), 0)
    assert axes.get_xlabel() == "raters, 2 readings by each"
    one = decision_study(result, raters=(1,), reads=(1,))
    decision.draw_plans(axes, marks.frame(decision.rows("A2", one)), 0)
    assert axes.get_xlabel() == "raters, one reading by each"


def test_without_a_result_the_reason_stands_there():
    figure = Figure()
    table = marks.frame([marks.mark("decision", "A2", "none", "Not estimated.")])
    decision.draw_plans(figure.add_subplot(), table, 0)
    assert "Not estimated." in results.all_text(figure)
