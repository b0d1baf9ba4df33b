import pytest
from matplotlib.figure import Figure

from cohortkit.agreement import decision_study
from cohortkit.figures import decision, marks
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


def test_the_grid_shows_every_plan():
    table = marks.frame(decision.rows("A2", reliable.three_results()[1]))
    figure = Figure()
    axes = figure.add_subplot()
    decision.draw_plans(axes, table, 0)
    assert len(axes.collections[-1].get_offsets()) == len(table)
    shown = results.all_text(figure)
    first = marks.records(table)[0]
    assert f"{float(first['label']):.2f}" in shown
    assert axes.get_ylabel() == "readings by each"


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
