"""Raters and methods that differ by a constant: no spread, whatever binary fractions leave."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from cohortkit import agreement
from cohortkit.agreement import rounding
from cohortkit.errors import EstimateError

SHIFTS = (0.0, 0.3, -0.1)
OFFSETS = (0.0, 1e10)


def reads(shift, offset, *, scans=1, repeats=1):
    """Invented: 20 participants read by two raters who differ by a constant."""
    rng = np.random.default_rng(1)
    subject = np.arange(20 * scans)
    gap = rng.normal(5, 1, len(subject)) + offset
    one = pd.DataFrame({"scan_id": subject, "participant_id": subject // scans, "gap_mm": gap})
    two = [one.assign(rater_id="a"), one.assign(rater_id="b", gap_mm=gap + shift)]
    table = pd.concat(two, ignore_index=True)
    return pd.concat([table.assign(read_no=i + 1) for i in range(repeats)], ignore_index=True)


LIMITS = {
    "limits_of_agreement": agreement.limits_of_agreement,
    "limits_clustered": agreement.limits_clustered,
    "limits_clustered, bootstrap": lambda t: agreement.limits_clustered(t, interval="bootstrap"),
    "limits_regression": agreement.limits_regression,
    "limits_regression, constant": lambda t: agreement.limits_regression(t, spread="constant"),
}
REPEATED = {
    "limits_replicates": agreement.limits_replicates,
    "limits_replicates, varying": lambda t: agreement.limits_replicates(t, truth="varying"),
    "limits_replicates, bootstrap": lambda t: agreement.limits_replicates(t, interval="bootstrap"),
}


def without_noise(found, shift, offset):
    """No interval, no spread, one caution that says so, none about slope or shape."""
    codes = {c.code for c in found.cautions}
    assert "no_spread" in codes
    assert not codes & {"difference_depends_on_size", "spread_depends_on_size",
                        "differences_not_normal", "negative_component"}  # fmt: skip
    for e in found:
        assert math.isnan(e.lower)
        assert math.isnan(e.upper)
        if e.name in ("bias", "lower_limit", "upper_limit", "intercept"):
            # planted truth: b reads `shift` more; at 1e10 doubles stand 1.9e-6 apart
            assert e.value == pytest.approx(-shift, abs=4e-6 if offset else 1e-12)
        else:
            assert e.value == 0  # by hand: equal differences have no spread and no slope


@pytest.mark.parametrize("offset", OFFSETS)
@pytest.mark.parametrize("shift", SHIFTS)
@pytest.mark.parametrize("scans", [1, 3])
@pytest.mark.parametrize("name", LIMITS)
def test_limits_of_raters_who_differ_by_a_constant(name, scans, shift, offset):
    if scans == 1 or name != "limits_of_agreement":
        without_noise(LIMITS[name](reads(shift, offset, scans=scans)), shift, offset)


@pytest.mark.parametrize("offset", OFFSETS)
@pytest.mark.parametrize("shift", SHIFTS)
@pytest.mark.parametrize("name", REPEATED)
def test_limits_from_equal_repeats(name, shift, offset):
    without_noise(REPEATED[name](reads(shift, offset, repeats=3)), shift, offset)


@pytest.mark.parametrize("offset", OFFSETS)
def test_raters_who_differ_by_a_factor_have_ratios_without_spread(offset):
    table = reads(0.0, offset)
    table["gap_mm"] *= np.where(table["rater_id"] == "b", 1.1, 1.0)
    found = agreement.limits_ratio(table)
    assert found["ratio_bias"].value == pytest.approx(1 / 1.1)  # planted truth
    assert found["sd_log_ratio"].value == 0  # by hand: equal ratios
    assert all(math.isnan(e.lower) for e in found)
    assert "no_spread" in {c.code for c in found.cautions}


def test_differences_on_a_line_have_no_interval_about_it():
    table = reads(0.0, 0.0)
    table["gap_mm"] *= np.where(table["rater_id"] == "b", 1.1, 1.0)
    for spread in ("constant", "changing"):
        found = agreement.limits_regression(table, spread=spread)
        # by hand: -0.1 x over 1.05 x
        assert found["slope"].value == pytest.approx(-0.1 / 1.05)
        assert all(math.isnan(e.lower) for e in found)
        assert [c.code for c in found.cautions].count("no_spread") == 1


@pytest.mark.parametrize("offset", OFFSETS)
@pytest.mark.parametrize("shift", SHIFTS)
@pytest.mark.parametrize("scans", [1, 3])
def test_methods_that_differ_by_a_constant(scans, shift, offset):
    table = reads(shift, offset, scans=scans)
    ask = {"method": "rater_id"}
    found = agreement.concordance(table, **ask)
    assert found["precision"].value == 1  # by hand: a line
    assert math.isnan(found["scale_shift"].lower)
    assert "no_scatter_seen" in {c.code for c in found.cautions}
    for line, code in (
        (agreement.deming, "no_interval"),
        (agreement.passing_bablok, "no_scatter_seen"),
    ):
        found = line(table, **ask)
        assert found["slope"].value == pytest.approx(1, abs=1e-5)  # planted truth
        assert all(math.isnan(e.lower) for e in found)
        assert code in {c.code for c in found.cautions}
        assert "spread_depends_on_size" not in {c.code for c in found.cautions}


@pytest.mark.parametrize("offset", OFFSETS)
def test_limits_with_the_mean_are_not_told_off_for_rounding(offset):
    codes = {c.code for c in agreement.limits_with_mean(reads(0.3, offset)).cautions}
    assert codes == {"few_raters", "few_participants", "normality_unseen"}


def test_real_differences_are_left_as_they_are():
    rng = np.random.default_rng(3)
    table = reads(0.3, 1e6)
    table["gap_mm"] += rng.normal(0, 1e-6, len(table))  # a thousand times the grain
    found = agreement.limits_of_agreement(table)
    assert found["sd_difference"].lower > 0
    level, rest = rounding.apart(np.array([0.1, 0.2]), 1e-3)
    assert (level, rest.tolist()) == (0.0, [0.1, 0.2])


def test_one_participant_is_refused_with_repeats_too():
    table = reads(0.3, 0.0, scans=20, repeats=2)
    for interval in ("bootstrap", "components"):
        with pytest.raises(EstimateError, match="at least two participants"):
            agreement.limits_replicates(table[table["participant_id"] == 0], interval=interval)
