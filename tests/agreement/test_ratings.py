"""How ratings are laid out, and what is refused."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import fleiss_kappa
from cohortkit.agreement.ratings import prevalence, prevalence_caution, rarity_caution, rated
from cohortkit.errors import ArgumentError, EstimateError, TableError
from tests.agreement.planted_ratings import Design, rows_of
from tests.agreement.rated_tables import OWN, codes, from_grid

GRID = [["a", "a", "b"], ["b", "b", None], ["a", "b", "b"], ["b", None, None]]


def laid(data, missing="stop", categories=None, raters=None, **options):
    return rated(
        data, categories=categories, order_matters=False, missing=missing,
        options={**OWN, **options}, raters=raters,
    )  # fmt: skip


def test_layout():
    found = laid(from_grid(GRID).sample(frac=1, random_state=2))
    assert found.codes.tolist() == [[0, 0, 1], [1, 1, -1], [0, 1, 1], [1, -1, -1]]
    assert found.counts.tolist() == [[2, 1], [0, 2], [1, 2], [0, 1]]
    assert found.raters == ["r0", "r1", "r2"]
    assert found.n_participants == 4
    assert prevalence(found.codes, 2).tolist() == pytest.approx([3 / 9, 6 / 9])


def test_absent_ratings_are_counted_not_dropped():
    message = next(c.message for c in laid(from_grid(GRID)).cautions if c.code == "ratings_absent")
    assert message.startswith("3 of 12 ratings")
    assert "1 subject has one rating" in message


def test_missing_values_stop_or_are_counted():
    data = from_grid(GRID)
    data["value"] = data["value"].where(data["subject"] != 0)
    with pytest.raises(TableError, match=r"value \(3\)"):
        laid(data)
    found = laid(data, missing="drop")
    assert found.subjects == [1, 2, 3]
    assert "left_out" in {c.code for c in found.cautions}


def test_all_missing():
    with pytest.raises(EstimateError, match="0 raters, 0 subjects"):
        laid(from_grid(GRID).assign(value=pd.NA), missing="drop")


@pytest.mark.parametrize("rows", [0, 1, 2, 3])
def test_too_few_ratings(rows):
    with pytest.raises(EstimateError, match="at least two raters and two subjects"):
        laid(from_grid([["a", "b"], ["a", "b"]]).iloc[:rows])


def test_one_rater():
    with pytest.raises(EstimateError, match="1 rater,"):
        laid(from_grid([["a"], ["b"], ["a"]]))


def test_raters_that_never_met():
    with pytest.raises(EstimateError, match="0 subjects rated more than once"):
        laid(from_grid([["a", None], [None, "b"], ["a", None]]))


def test_two_ratings_in_a_cell():
    data = from_grid(GRID)
    with pytest.raises(EstimateError, match="more than one rating"):
        laid(pd.concat([data, data.iloc[[0]]]))


def test_a_subject_of_two_participants():
    data = from_grid(GRID).assign(person=range(9))
    with pytest.raises(TableError, match="more than one participant"):
        laid(data, participant="person")


def test_several_pulleys_are_not_mixed():
    data = from_grid(GRID).assign(pulley=["A2"] * 5 + ["A4"] * 4)
    with pytest.raises(EstimateError, match="pulley"):
        laid(data)


def test_unknown_option():
    with pytest.raises(ArgumentError, match="subject, rater, value, participant, n_boot, seed"):
        fleiss_kappa(from_grid(GRID), unit="mm", **OWN)


def test_counts_of_participants_and_fingers():
    data = rows_of(Design(12, 2, 3, 0.9).draw(np.random.default_rng(1)))
    data["finger_id"] = data["episode_id"].where(data["episode_id"] != "e1", "e0")
    found = fleiss_kappa(data)["fleiss_kappa"]
    assert (found.n_participants, found.n_fingers, found.n_readings) == (12, 23, 72)


def test_subset_codes_participants_anew():
    whole = Design(4, 2, 2, 0.9).draw(np.random.default_rng(1))
    part = whole.subset(np.array([False, False, True, True, False, False, True, False]))
    assert part.subjects == ["e2", "e3", "e6"]
    assert part.cluster.tolist() == [0, 0, 1]
    assert part.n_participants == 2
    assert part.repeats


def test_a_part_counts_its_own_participants():
    whole = laid(from_grid([["a", "b"]] * 30))
    assert "few_participants" not in {c.code for c in whole.cautions}
    part = whole.subset(np.arange(30) < 29)
    (few,) = (c.message for c in part.cautions if c.code == "few_participants")
    assert few.startswith("29 participants")  # by hand: the rule is fewer than 30
    one = part.subset(np.arange(29) < 1)
    assert [c.message[:14] for c in one.cautions if c.code == "few_participants"] == [
        "1 participant:"
    ]


def test_named_raters_keep_their_order():
    found = laid(from_grid(GRID), raters=["r2", "r0"])
    assert found.raters == ["r2", "r0"]
    assert found.codes[0].tolist() == [1, 0]


def test_groups_of_raters_that_share_no_subject_are_said():
    nested = from_grid([["a", "b", None, None]] * 2 + [[None, None, "a", "a"]] * 2)
    message = next(c.message for c in laid(nested).cautions if c.code == "raters_do_not_cross")
    assert "2 groups" in message
    assert "raters_do_not_cross" not in {c.code for c in laid(from_grid(GRID)).cautions}


def test_unused_and_sole_categories_are_said():
    found = laid(from_grid(GRID), categories=["a", "b", "c"])
    message = next(c.message for c in found.cautions if c.code == "category_not_used")
    assert "falls in c" in message
    alone = laid(from_grid([["a", "a"]] * 3), categories=["a", "b"])
    assert "one_category_only" in {c.code for c in alone.cautions}
    assert "category_not_used" not in {c.code for c in alone.cautions}


@pytest.mark.parametrize(("common", "said"), [(7, False), (8, True), (10, False)])
def test_a_category_that_takes_nearly_all_is_said(common, said):
    grid = [["a", "a"]] * common + [["b", "b"]] * (10 - common)
    found = prevalence_caution(laid(from_grid(grid), categories=["a", "b"]))
    assert bool(found) is said


@pytest.mark.parametrize(("other", "said"), [(0, False), (1, True), (9, True), (10, False)])
def test_hardly_any_other_category_is_said(other, said):
    grid = [["a", "a"]] * 30 + [["a", "b"]] * other
    found = rarity_caution(laid(from_grid(grid), categories=["a", "b"]))
    assert bool(found) is said
    if said:
        assert found[0].message.startswith(f"Only {other} of {30 + other} subjects")


def test_few_participants():
    assert "few_participants" in codes(fleiss_kappa(from_grid(GRID), **OWN))
    many = from_grid([["a", "b"], ["b", "b"]] * 20)
    assert "few_participants" not in codes(fleiss_kappa(many, **OWN))
