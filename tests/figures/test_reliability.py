import pytest

from cohortkit.figures import marks, reliability
from tests.figures import reliable, results

WHY = "Not estimated. No scan was read twice."


@pytest.fixture(scope="module")
def found():
    return reliable.three_results()


def test_source_holds_all_panels_and_no_id(found):
    source = reliability.source({"A2 loaded, uninjured": found})
    assert set(source["panel"]) == {"variance", "decision", "raters"}
    assert not source.astype("string").apply(lambda c: c.str.contains("rater-")).any(axis=None)


def test_a_lost_result_leaves_its_reason(found):
    source = reliability.source({"A2": (found[0], WHY, WHY), "A4": (WHY, WHY, WHY)})
    assert list(marks.pick(source, mark="none")["panel"]) == [
        "decision", "raters", "variance", "decision", "raters",
    ]  # fmt: skip
    text = results.all_text(reliability.draw(source))
    assert text.count("Not estimated.") == 4  # by hand: two panels of each stratum


@pytest.mark.parametrize("strata", [1, 2, 3])
def test_nothing_is_clipped_and_no_font_too_small(found, strata):
    names = [f"A{i} loaded, uninjured" for i in range(2, 2 + strata)]
    source = reliability.source(dict.fromkeys(names, found))
    figure = reliability.draw(source, ["Caution. " + "few raters " * 40])
    assert results.outside(figure) == []
    assert results.smallest_font(figure) >= 6
    assert figure.get_size_inches()[1] * 25.4 <= 247 + 1e-6
    assert len(figure.axes) == 2 + 3 * strata  # plans, their key and raters of each
