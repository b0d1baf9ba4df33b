"""Recorded tears against true ones."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.synthetic.design import read_design
from cohortkit.synthetic.generator import baseline_gap
from tests.synthetic.cohorts import large, shipped

PLAN = read_design().verification
VERIFIED = ["surgery", "mri", "us_direct", "consensus"]


def tears():
    return large().hidden["tears"]


def widest():
    cohort = large()
    gaps = baseline_gap(
        cohort.hidden["readings"], cohort.hidden["scans"], len(cohort.hidden["episodes"])
    )
    return np.where(np.isnan(gaps), 0, gaps).max(axis=1)


def test_large_gaps_are_verified_more_often():
    verified = tears()["basis"].isin(VERIFIED).to_numpy()[::3]
    large_gap, small_gap = widest() > 4, widest() < 1.5
    assert verified[large_gap].mean() > 0.85
    assert verified[small_gap].mean() < 0.35
    at_half = (widest() >= PLAN.at_gap_mm - 0.1) & (widest() <= PLAN.at_gap_mm + 0.1)
    # planted truth: half are verified at this gap; five standard errors of a share allowed
    allowed = 5 * 0.5 / np.sqrt(at_half.sum())
    assert verified[at_half].mean() == pytest.approx(0.5, abs=allowed)


def test_verified_episodes_record_what_is_true():
    rows = tears()[tears()["basis"].isin(VERIFIED)]
    assert rows["status"].equals(rows["true_status"])
    assert rows["verified_day"].notna().all()


def test_clinical_grades_are_sometimes_one_step_too_mild():
    rows = tears()[tears()["basis"] == "clinical"]
    torn = rows[rows["true_status"].isin(["partial", "complete"])]
    mild = torn["status"] != torn["true_status"]
    steps = set(zip(torn.loc[mild, "true_status"], torn.loc[mild, "status"], strict=True))
    assert steps == {("complete", "partial"), ("partial", "strain")}
    allowed = 5 * np.sqrt(PLAN.clinical_too_mild * (1 - PLAN.clinical_too_mild) / len(torn))
    assert mild.mean() == pytest.approx(PLAN.clinical_too_mild, abs=allowed)
    assert rows["verified_day"].isna().all()


def test_us_gap_grades_follow_from_the_gap_alone():
    cohort = large()
    gaps = baseline_gap(
        cohort.hidden["readings"], cohort.hidden["scans"], len(cohort.hidden["episodes"])
    )
    rows = tears().assign(gap=gaps.ravel())
    rows = rows[(rows["basis"] == "us_gap") & rows["gap"].notna()]
    complete = rows["gap"] >= rows["pulley"].map(PLAN.gap_complete_mm)
    partial = rows["gap"] >= rows["pulley"].map(PLAN.gap_partial_mm)
    assert (rows["status"] == "complete").equals(complete)
    assert (rows["status"] == "partial").equals(partial & ~complete)


def test_an_operation_is_the_ground_where_there_was_one():
    cohort = shipped()
    operated = cohort.tables["treatments"]
    operated = operated.loc[operated["kind"] == "surgery", "episode_id"]
    rows = cohort.tables["tears"]
    assert set(rows.loc[rows["basis"] == "surgery", "episode_id"]) == set(operated)


def test_every_episode_has_a_row_per_pulley():
    rows = shipped().tables["tears"]
    assert set(rows.groupby("episode_id")["pulley"].agg("|".join)) == {"A2|A3|A4"}
    assert len(rows) == 3 * len(shipped().tables["episodes"])
