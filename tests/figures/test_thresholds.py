import pytest

from cohortkit.figures import marks, thresholds
from tests.figures import results

WHY = "Not estimated. Both classes need at least one row."


@pytest.fixture(scope="module")
def found():
    return results.threshold_results()


@pytest.fixture(scope="module")
def source(found):
    full = thresholds.ThresholdStratum(*found, stated_cut=2.0, target="complete tear")
    none = thresholds.ThresholdStratum(WHY, WHY, stated_cut=2.0, target="complete tear")
    return thresholds.source({"A2 loaded": full, "A4 loaded": none})


def test_source_holds_the_curve_the_cut_and_each_site(found, source):
    roc, cut = found
    rows = marks.pick(source, series="A2 loaded")
    drawn = marks.pick(rows, panel="curve", mark="sensitivity")
    assert list(drawn["y"]) == list(roc.curve["sensitivity"])
    whole = marks.pick(rows, panel="cut", mark="cut_point").iloc[0]
    point = cut["cut_point"]
    assert (whole["x"], whole["lower"], whole["upper"]) == (point.value, point.lower, point.upper)
    assert list(marks.pick(rows, panel="sites")["x"]) == list(cut.sites["cut_point"])


def test_figure_says_n_auc_cut_and_why_not(source):
    text = results.all_text(thresholds.draw(source))
    for words in ("n: 60 participants", "n: 20 complete tear, 40 others", "AUC 0.", "stated cut 2.00",
                  "without S01", "Not estimated"):  # fmt: skip
        assert words in text


def test_step_curve_agrees_with_sensitivity_at_any_cut(found, source):
    """Counted again from the rows: share of torn fingers at or above a cut."""
    rows = results.graded()
    torn = rows.loc[rows["status"] == "complete", "gap_mm"]
    curve = marks.pick(source, series="A2 loaded", panel="curve", mark="sensitivity")
    for at in (1.05, 2.95, 3.33):
        held = curve[(curve["lower"] < at) & (at <= curve["upper"])]
        assert held["y"].tolist() == [(torn >= at).mean()]


def test_nothing_is_clipped_and_no_font_too_small(source):
    figure = thresholds.draw(source, ["Release abc", "Caution. " + "word " * 60])
    assert results.outside(figure) == []
    assert results.smallest_font(figure) >= 6
