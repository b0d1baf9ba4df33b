import numpy as np
import pandas as pd
import pytest

from cohortkit.errors import ArgumentError
from cohortkit.figures import marks, reference
from cohortkit.reference import reference_interval
from tests.figures import results

WHY = "Not estimated. Too few participants."


def values(n=150, seed=4):
    gap = np.random.default_rng(seed).normal(1.2, 0.3, n).round(1).clip(0.4)
    unseen = np.arange(n) < 3
    return pd.DataFrame(
        {
            "participant_id": [f"p{i}" for i in range(n)],
            "gap_mm": np.where(unseen, np.nan, gap),
            "below_resolution": unseen,
            "resolution_mm": 0.3,
        }
    )


@pytest.fixture(scope="module")
def source():
    rows = values()
    return reference.source({"A2": (rows, reference_interval(rows)), "A4": (rows.head(8), WHY)})


def test_every_value_is_counted_once(source):
    counts = marks.pick(source, series="A2", mark="count")
    unseen = marks.pick(source, series="A2", mark="unseen")
    assert counts["y"].sum() == 147  # by hand: 150 participants, 3 of them unseen
    assert unseen["y"].iloc[0] == 3


def test_a_value_read_to_a_tenth_stands_in_the_middle_of_its_bin():
    rows = pd.DataFrame({"gap_mm": [0.3, 0.7, 2.3], "below_resolution": False})
    counts = marks.pick(reference.source({"A2": (rows, WHY)}), mark="count")
    held = counts[counts["y"] > 0]
    assert held["x"].round(9).tolist() == [0.3, 0.7, 2.3]
    assert (counts["upper"].iloc[:-1].to_numpy() == counts["lower"].iloc[1:].to_numpy()).all()


def test_figure_says_limits_unseen_and_why_not(source):
    text = results.all_text(reference.draw(source)).replace("\n", " ")
    assert "3 below the resolution" in text
    assert "90 % interval" in text
    assert "Too few participants" in text
    assert "n: 150 participants" in text
    assert "n: 8 participants" in text


def test_nothing_is_clipped_and_no_font_too_small(source):
    figure = reference.draw(source, ["Release abc"])
    assert results.outside(figure) == []
    assert results.smallest_font(figure) >= 6


def test_a_limit_among_unseen_gaps_is_drawn_as_an_open_region():
    rows = values()
    rows.loc[:19, ["gap_mm", "below_resolution"]] = [np.nan, True]
    figure = reference.draw(reference.source({"A2": (rows, reference_interval(rows))}))
    assert "too small to be seen" in results.all_text(figure)
    assert results.outside(figure) == []


def test_a_stratum_without_values_says_so():
    empty = values(0)
    text = results.all_text(reference.draw(reference.source({"A2": (empty, WHY)})))
    assert "Not estimated" in text


@pytest.mark.parametrize("width", [89, 183])
def test_both_widths_are_exact_and_readable(source, width):
    figure = reference.draw(source, ["Release abc. " * 12], width_mm=width)
    # by hand: 25.4 mm an inch
    assert figure.get_size_inches()[0] * 25.4 == pytest.approx(width)
    assert results.outside(figure) == []
    assert results.overlaps(figure) == []
    assert results.smallest_font(figure) >= 6


def test_another_width_is_refused(source):
    with pytest.raises(ArgumentError, match="width_mm"):
        reference.draw(source, width_mm=120)
