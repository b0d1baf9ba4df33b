import pytest

from cohortkit.figures import agreement, marks, words
from tests.figures import results

WHY = "Not estimated. The raters do not cross."


@pytest.fixture(scope="module")
def found():
    return results.agreement_results()


@pytest.fixture(scope="module")
def source(found):
    return agreement.source({"A2 loaded, uninjured": found, "A2 loaded, injured": (WHY, WHY)})


def test_source_holds_every_pair_limit_and_form(found, source):
    limits, icc = found
    pairs = marks.pick(source, mark="pair")
    assert sorted(pairs["y"]) == sorted(limits.pairs["difference"])
    assert marks.pick(source, mark="upper_limit")["x"].iloc[0] == limits["upper_limit"].value
    forms = marks.pick(source, panel="icc", mark="estimate").set_index("label")
    assert list(forms.index) == list(words.ICC_FORMS)
    assert forms.loc["icc_a_1", "lower"] == icc["icc_a_1"].lower
    errors = marks.pick(source, panel="error")
    assert set(errors["unit"]) == {"mm"}


def test_source_holds_no_id(source):
    assert not source.astype("string").isin([f"p{i}" for i in range(12)]).any(axis=None)


def test_figure_says_n_and_why_a_panel_is_empty(source):
    text = results.all_text(agreement.draw(source))
    assert "n: 12 participants, 24 readings" in text
    assert "ICC(A,1) = ICC(2,1)" in text
    assert "Not estimated" in text
    assert "e-1" not in text


@pytest.mark.parametrize("both", [True, False])
def test_nothing_is_clipped_and_no_font_too_small(found, both):
    strata = {"A2 loaded, uninjured": found if both else (WHY, WHY), "A2, injured": found}
    figure = agreement.draw(agreement.source(strata), ["Caution. " + "few pairs " * 40])
    assert results.outside(figure) == []
    assert results.smallest_font(figure) >= 6


def test_a_figure_without_any_estimate_still_says_so():
    text = results.all_text(agreement.draw(agreement.source({"A2": (WHY, WHY)})))
    assert text.count("Not estimated") == 3  # by hand: differences, ICC and error panels


def test_four_strata_have_room_for_their_panels(found):
    strata = {f"A{i} loaded, uninjured": found for i in range(1, 5)}
    figure = agreement.draw(agreement.source(strata))
    assert results.outside(figure) == []
    widths = [axes.get_position().width for axes in figure.axes[:4]]
    assert min(widths) > 0.3  # by hand: two panels in a row, with room for the words beside them
