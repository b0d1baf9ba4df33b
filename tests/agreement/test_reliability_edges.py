"""Reliability where rows show no spread between subjects, or none at all."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import decision_study, reliability
from cohortkit.errors import EstimateError
from tests.agreement.multisite import readings


def one_person(scans=1, reads=2):
    return readings(participants=1, fingers=1, scans=scans, sites=1, raters_a_site=4, reads=reads)


@pytest.mark.parametrize(("scans", "occasion"), [(1, "same_scan"), (3, "new_scan")])
def test_one_participant_has_errors_and_no_icc(scans, occasion):
    found = reliability(one_person(scans), occasion=occasion)
    for e in found:
        if e.name.startswith("icc"):
            # by hand: variance between subjects over all variance, the first of them not seen
            assert np.isnan([e.value, e.lower, e.upper, e.level]).all()
        elif e.name.startswith("sem"):
            assert e.lower < e.value < e.upper
    codes = {c.code for c in found.cautions}
    assert "no_object_variance" in codes
    assert "no_repeated_reading" not in codes
    study = decision_study(found, raters=(1, 2), reads=(1, 2))
    assert study.table["icc"].isna().all()
    assert study.table["sem"].notna().all()


def test_in_one_scan_the_residual_is_the_raters_own_repeats():
    table = one_person(reads=3)
    within = table.groupby("rater_id")["gap_mm"].var().mean()
    # by hand: balanced, so the REML residual is the mean variance within raters
    assert reliability(table)["sem_intra"].value == pytest.approx(within**0.5, rel=1e-5)


@pytest.mark.parametrize("held", [2.0, 0.1, 1e10, 0.0])
def test_equal_readings_are_refused_in_words_of_the_clinic(held):
    with pytest.raises(EstimateError, match=r"All readings have the same value.*undefined"):
        reliability(readings().assign(gap_mm=held))


def test_equal_readings_of_one_group_leave_the_other():
    table = readings().assign(pulley="A2")
    both = pd.concat([table, table.assign(pulley="A4", gap_mm=1.5)])
    found = reliability(both, by=["pulley"])
    assert list(found.parts) == ["pulley=A2"]
    (told,) = [c.message for c in found.cautions if c.code == "not_estimated"]
    assert "All readings have the same value" in told


def test_one_scan_by_one_rater_is_no_reliability():
    one = readings(participants=1, fingers=1, scans=1, sites=1, raters_a_site=1, reads=5)
    with pytest.raises(EstimateError, match=r"readings of one scan.*repeatability"):
        reliability(one)


def few_rows(seed):
    """A small table with holes, of which hardly any component shows by itself."""
    rng = np.random.default_rng(seed)
    people, raters = rng.integers(2, 8), rng.integers(1, 5)
    rows = [
        (f"p{p}", f"p{p}f{f}", f"p{p}f{f}s{s}", f"r{r}", 2 + 0.3 * p + 0.1 * r + rng.normal(0, 0.2))
        for p in range(people)
        for f in range(rng.integers(1, 3))
        for s in range(rng.integers(1, 3))
        for r in range(raters)
        for _ in range(rng.integers(1, 3))
        if rng.random() > 0.4
    ]
    names = ["participant_id", "finger_id", "scan_id", "rater_id", "gap_mm"]
    return pd.DataFrame(rows, columns=names)


def test_what_sums_of_squares_cannot_tell_is_left_out_and_every_estimate_is_held():
    answered, left_out, moved, stopped = 0, 0, 0, []
    for seed in range(80):
        try:
            found = reliability(few_rows(seed), n_boot=100)
        except EstimateError as stop:
            stopped.append(stop.what)
            continue
        answered += 1
        reasons = " ".join(found.left_out["reason"])
        left_out += "explains nothing beyond" in reasons or "left for the residual" in reasons
        moved += any(c.code == "estimate_at_limit" for c in found.cautions)
        for e in found:
            # by hand: an interval holds its own estimate
            assert np.isnan(e.lower) or e.lower <= e.value <= e.upper, (seed, e)
    # raters without a scan in common, nothing repeated and the like stop it; these do not
    assert not [w for w in stopped if "explains nothing" in w or "left for the residual" in w]
    assert answered > 40
    assert left_out
    assert moved


def test_readings_that_repeat_exactly_stop_with_a_reason():
    exact = one_person(scans=5).assign(gap_mm=lambda t: t["scan_id"].factorize()[0] + 1.0)
    with pytest.raises(EstimateError, match=r"no error of reading.*copied"):
        reliability(exact)
