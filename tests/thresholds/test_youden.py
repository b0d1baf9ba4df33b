"""Youden cut point, its interval and its optimism."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit import thresholds
from cohortkit.errors import EstimateError
from cohortkit.thresholds.curve import roc_points
from cohortkit.thresholds.youden import best_cuts
from tests.expected import figures
from tests.thresholds.planted import Design, table

QUICK = {"n_boot": 200, "seed": 1}


def cohort():
    design = Design(60, 2, 0.3, 0.5, 0.9)
    value, torn, cluster = design.draw(np.random.default_rng(1))
    return table(value.round(2), torn, cluster)


@pytest.mark.parametrize("marker", ["s100b", "ndka"])
def test_published_cuts(check_values, marker):
    rows = pd.read_csv(check_values / "data" / "asah.csv")
    found = thresholds.youden_cut(
        rows, value=marker, status="outcome", participant="id", positive=(1,), negative=(0,),
        **QUICK,
    )  # fmt: skip
    expected = figures(check_values, "f02_asah")["value"]
    # source: check values f02 (pROC 1.18.0)
    assert found["cut_point"].value == pytest.approx(expected[f"youden_{marker}_midpoint_cut"])
    assert found.ties.loc[0, "up_to"] == pytest.approx(expected[f"youden_{marker}_observed_cut"])
    assert len(found.ties) == expected[f"youden_{marker}_n_optimal_cuts"]
    for ours, theirs in (
        ("youden_index_apparent", f"youden_{marker}"),
        ("sensitivity_apparent", f"youden_{marker}_sensitivity"),
        ("specificity_apparent", f"youden_{marker}_specificity"),
    ):
        assert found[ours].value == pytest.approx(expected[theirs], abs=1e-6)


def test_rating_example(check_values):
    counts = pd.read_csv(check_values / "data" / "hanley_mcneil.csv")
    rows = pd.DataFrame(
        [
            {"rating": r.rating, "state": state}
            for r in counts.itertuples()
            for state in ("normal", "abnormal")
            for _ in range(getattr(r, state))
        ]
    )
    found = thresholds.youden_cut(
        rows, value="rating", status="state", positive="abnormal", negative="normal",
        participant=None, **QUICK,
    )  # fmt: skip
    expected = figures(check_values, "f01_hanley_mcneil_ct")["value"]
    # source: check values f01 (Hanley & McNeil 1982 ratings)
    assert found["cut_point"].value == expected["youden_rating_midpoint_cut"]
    found_index = found["youden_index_apparent"].value
    assert found_index == pytest.approx(expected["youden_rating"], abs=1e-6)


def test_cut_by_hand():
    rows = table([1.0, 1.2, 1.4, 2.0, 1.3, 2.1, 2.4, 2.6], [False] * 4 + [True] * 4)
    found = thresholds.youden_cut(rows, **QUICK)
    # by hand: at a cut between 2.0 and 2.1 three of four torn and all intact: index 0.75; no other
    # cut does as well
    assert found["cut_point"].value == pytest.approx(2.05)
    assert found["sensitivity_apparent"].value == 0.75
    assert found["specificity_apparent"].value == 1
    assert found["youden_index_apparent"].value == 0.75


def test_of_several_best_cuts_the_lowest_is_reported():
    rows = table([1, 2, 3, 4], [False, True, False, True])
    found = thresholds.youden_cut(pd.concat([rows] * 3), participant=None, **QUICK)
    # by hand: cuts 1.5 and 3.5 both give one half
    assert found["cut_point"].value == 1.5
    assert found.ties["cut"].tolist() == [1.5, 3.5]
    assert "several_best_cuts" in {c.code for c in found.cautions}


def test_the_trivial_ends_are_never_best():
    points = roc_points(np.array([1.0, 2.0, 3.0]), np.array([True, True, False]))
    assert 0 < best_cuts(points)[0] < len(points.cut) - 1


def test_a_useless_gap_is_named():
    rows = table([3, 3.2, 3.1, 1, 1.2, 1.1], [False] * 3 + [True] * 3)
    found = thresholds.youden_cut(rows, **QUICK)
    assert found["youden_index_apparent"].value <= 0
    assert "no_better_than_chance" in {c.code for c in found.cautions}


def test_same_seed_same_answer_another_seed_another():
    first, again = (thresholds.youden_cut(cohort(), **QUICK).to_dict() for _ in range(2))
    other = thresholds.youden_cut(cohort(), n_boot=200, seed=2)
    assert str(first) == str(again)
    assert other["cut_point"].value == first["estimates"][0]["value"]
    assert other["sensitivity"].value != first["estimates"][1]["value"]


def test_optimism_lowers_what_is_promised():
    found = thresholds.youden_cut(cohort(), **QUICK)
    assert found["youden_index"].value < found["youden_index_apparent"].value
    assert found["cut_point"].lower <= found["cut_point"].value <= found["cut_point"].upper
    for name in ("sensitivity", "specificity", "youden_index"):
        assert found[name].lower <= found[name].value <= found[name].upper
        assert np.isnan(found[f"{name}_apparent"].lower)
    both = found["sensitivity"].value + found["specificity"].value - 1
    assert found["youden_index"].value == pytest.approx(both)


def test_shift_moves_the_cut_and_nothing_else():
    rows = cohort()
    ours = thresholds.youden_cut(rows, **QUICK)
    moved = thresholds.youden_cut(rows.assign(gap_mm=rows["gap_mm"] + 64), **QUICK)
    for end in ("value", "lower", "upper"):
        shifted = getattr(moved["cut_point"], end) - 64
        assert shifted == pytest.approx(getattr(ours["cut_point"], end), abs=1e-9)
    assert moved["sensitivity"].value == pytest.approx(ours["sensitivity"].value, abs=1e-9)


def test_scale_scales_the_cut():
    rows = cohort()
    ours = thresholds.youden_cut(rows, **QUICK)["cut_point"]
    scaled = thresholds.youden_cut(rows.assign(gap_mm=rows["gap_mm"] * 8), **QUICK)["cut_point"]
    assert scaled.value == pytest.approx(8 * ours.value, rel=1e-12)
    assert (scaled.lower, scaled.upper) == pytest.approx((8 * ours.lower, 8 * ours.upper))


def test_unseen_gaps_stay_unseen_in_every_resample():
    rows = cohort().assign(below_resolution=False)
    rows.loc[rows["gap_mm"] < -1, ["below_resolution", "gap_mm"]] = [True, np.nan]
    found = thresholds.youden_cut(rows, **QUICK)
    assert np.isfinite([found["cut_point"].lower, found["cut_point"].upper]).all()
    assert "below_resolution" in {c.code for c in found.cautions}


def test_perfect_separation_promises_less_than_everything():
    rows = table(np.r_[np.linspace(1, 1.5, 12), np.linspace(3, 4, 12)], np.arange(24) >= 12)
    found = thresholds.youden_cut(rows, **QUICK)
    assert found["youden_index_apparent"].value == 1
    assert found["sensitivity"].lower < 0.85
    assert 1.5 <= found["cut_point"].lower < found["cut_point"].upper <= 3.5


@pytest.mark.parametrize(
    "rows",
    [table([1, 2, 3], [False, False, True]), table([1, 2, 3, 4], [False, True] * 2, [0, 0, 1, 0])],
)
def test_one_participant_in_a_class_is_refused(rows):
    with pytest.raises(EstimateError, match="two participants in each class"):
        thresholds.youden_cut(rows.iloc[:3], **QUICK)


def test_resamples_of_one_class_are_counted():
    rows = table([1, 1.5, 2, 1.8], [False, False, True, True])
    found = thresholds.youden_cut(rows, **QUICK)
    # by hand: a resample of 4 holds one class with probability 2 (1/2)^4 = 1/8
    assert 10 <= found.settings["failed_resamples"] <= 45
    assert "failed_resamples" in {c.code for c in found.cautions}


def test_spread_over_sites_and_accuracy_at_the_site_left_out():
    rows = cohort()
    rows["site_id"] = [f"S{i % 3}" for i in range(len(rows))]
    found = thresholds.youden_cut(rows, **QUICK).sites
    assert list(found["site_left_out"]) == ["S0", "S1", "S2"]
    rest, here = rows[rows["site_id"] != "S1"], rows[rows["site_id"] == "S1"]
    cut = thresholds.youden_cut(rest, n_boot=50)["cut_point"].value
    assert found.loc[1, "cut_point"] == cut
    torn = here[here["status"] == "complete"]
    assert found.loc[1, "sensitivity"] == (torn["gap_mm"] >= cut).mean()
    assert found.loc[1, "positive"] == len(torn)


def test_a_site_that_holds_all_the_tears():
    rows = table(np.arange(12.0), np.arange(12) % 3 == 2)
    rows["site_id"] = ["S01", "S02", "S03"] * 4
    found = thresholds.youden_cut(rows, **QUICK).sites.set_index("site_left_out")
    assert np.isnan(found.loc["S03", "cut_point"])
    assert found.loc["S03", "reason"] != ""
    assert np.isnan(found.loc["S01", "sensitivity"])
