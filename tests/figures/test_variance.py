import pytest
from matplotlib.figure import Figure

from cohortkit.figures import marks, reliability, variance, words
from tests.figures import reliable, results


@pytest.fixture(scope="module")
def result():
    return reliable.three_results()[0]


def test_rows_hold_each_share_and_sd(result):
    table = marks.frame(variance.rows("A2", result))
    shares = marks.pick(table, mark="share").set_index("label")["x"]
    wanted = result.components.set_index("component")["share"]
    assert shares.to_dict() == pytest.approx(wanted.to_dict())
    assert shares.sum() == pytest.approx(1)
    sds = marks.pick(table, mark="sd").set_index("label")
    assert sds.loc["rater", "lower"] == result["sd_rater"].lower
    assert set(sds["unit"]) == {"mm"}


def test_every_component_has_words_and_a_colour():
    assert set(words.COMPONENTS) == set(variance.COLOURS)


def test_bars_fill_the_axis_and_name_the_n(result):
    table = marks.frame(variance.rows("A2", result))
    axes = Figure().add_subplot()
    variance.draw_shares(axes, table)
    drawn = [bar for bar in axes.patches if bar.get_width() > 0]
    assert sum(bar.get_width() for bar in drawn) == pytest.approx(1)
    assert "14 participants" in axes.get_yticklabels()[0].get_text()
    below = Figure().add_subplot()
    variance.draw_sds(below, table)
    assert below.get_xlabel() == "SD (mm)"


def test_without_a_result_the_reason_stands_there():
    table = marks.frame([marks.mark("variance", "A2", "none", "Not estimated.")])
    figure = Figure()
    variance.draw_shares(figure.add_subplot(1, 2, 1), table)
    variance.draw_sds(figure.add_subplot(1, 2, 2), table)
    assert results.all_text(figure).count("Not estimated.") == 2


@pytest.mark.parametrize("strata", [1, 2, 3])
def test_the_legend_covers_neither_numbers_nor_label_of_the_axis(strata):
    found = reliable.three_results()
    names = [f"A{i} loaded, uninjured" for i in range(2, 2 + strata)]
    figure = reliability.draw(reliability.source(dict.fromkeys(names, found)))
    figure.draw_without_rendering()
    for axes in figure.axes[:2]:
        legend = axes.get_legend().get_window_extent()
        for text in (axes.xaxis.label, *axes.get_xticklabels()):
            assert legend.y1 <= text.get_window_extent().y0 + 1
