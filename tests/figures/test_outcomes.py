import numpy as np
import pytest

from cohortkit.errors import ArgumentError
from cohortkit.figures import marks, outcomes
from tests.figures import results

WHY = "Not estimated. No row is left."


@pytest.fixture(scope="module")
def found():
    return results.outcome_results()


@pytest.fixture(scope="module")
def source(found):
    return outcomes.source(*found)


def test_source_holds_intervals_steps_and_numbers_at_risk(found, source):
    between, visits = found
    boxes = marks.pick(source, panel="turnbull", mark="interval")
    assert list(boxes["lower"]) == list(between.intervals["after_day"])
    assert np.allclose(boxes["y"] - boxes["x"], between.intervals["mass"])
    steps = marks.pick(source, mark="step", series="grade I")
    mine = visits.curve[visits.curve["group"] == "grade=I"]
    assert list(steps["y"]) == [0.0, *mine["returned"]]
    assert np.array_equal(steps["lower"][1:], 1 - mine["upper"], equal_nan=True)


def test_numbers_at_risk_are_all_who_may_not_have_returned(found, source):
    table = found[0].at_risk
    wanted = table["known_not_returned"] + table["possibly_returned"]
    assert list(marks.pick(source, panel="turnbull", mark="at_risk")["y"]) == list(wanted)


def test_figure_says_n_and_shows_numbers_at_risk(source):
    text = results.all_text(outcomes.draw(source))
    assert text.count("Number at risk") == 2  # by hand: one table under each panel
    assert "grade I: 20 participants, 20 fingers" in text


def test_undefined_regions_are_shaded(source):
    figure = outcomes.draw(source)
    boxes = marks.pick(source, mark="interval")
    wide = boxes[boxes["upper"] > boxes["lower"]]
    assert len(figure.axes[0].patches) == len(wide)


def test_nothing_is_clipped_and_no_font_too_small(source):
    figure = outcomes.draw(source, ["Release abc"])
    assert results.outside(figure) == []
    assert results.smallest_font(figure) >= 6


def test_a_figure_without_any_estimate_says_so():
    assert "Not estimated" in results.all_text(outcomes.draw(outcomes.source(WHY, WHY)))


@pytest.mark.parametrize("width", [89, 183])
def test_both_widths_are_exact_and_readable(source, width):
    figure = outcomes.draw(source, ["Release abc. " * 12], width_mm=width)
    # by hand: 25.4 mm an inch
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(width)
    assert results.outside(figure) == []
    assert results.overlaps(figure) == []
    assert results.smallest_font(figure) >= 6


def test_another_width_is_refused(source):
    with pytest.raises(ArgumentError, match="width_mm"):
        outcomes.draw(source, width_mm=120)
