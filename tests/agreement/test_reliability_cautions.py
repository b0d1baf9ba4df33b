"""Cautions about spread, from rows alone."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import reliability
from cohortkit.agreement.reliability_cautions import spread_cautions
from tests.agreement.multisite import readings


def rows(power: float, n: int = 60, seed: int = 1) -> pd.DataFrame:
    """Two readings of n scans with means 1 to 4 and an SD of 0.1 mean ** power."""
    rng = np.random.default_rng(seed)
    mean = np.repeat(rng.permutation(np.linspace(1, 4, n)), 2)
    value = mean + 0.1 * mean**power * rng.standard_normal(2 * n)
    number = np.repeat(np.arange(n), 2)
    return pd.DataFrame({"value": value, "scan": number, "participant": number})


def codes(table: pd.DataFrame, *, log: bool = False) -> set[str]:
    return {c.code for c in spread_cautions(table, 0.1, log=log)}


def test_constant_spread_says_nothing():
    assert "spread_grows_with_size" not in codes(rows(0.0))


def test_growing_spread_is_told_once_on_the_natural_scale():
    assert "spread_grows_with_size" in codes(rows(2.0))
    assert "spread_grows_with_size" not in codes(rows(2.0), log=True)


def test_falling_spread_is_told_on_the_log_scale():
    assert "log_spread_falls_with_size" in codes(rows(-2.0), log=True)


@pytest.mark.parametrize("digits", [1, 3])
def test_rounding_counts_beside_the_residual(digits):
    table = rows(0.0).round({"value": digits})
    # by hand: a step of 0.1 is as large as the residual SD, one of 0.001 a hundredth of it
    assert ("rounded_values" in codes(table)) is (digits == 1)


def test_few_or_equal_scans_are_not_judged():
    assert "spread_grows_with_size" not in codes(rows(2.0, n=9))
    flat = rows(0.0).assign(value=1.0)
    assert codes(flat) == set()


def asked(table: pd.DataFrame, **more) -> set[str]:
    return {c.code for c in reliability(table, n_boot=200, **more).cautions}


def test_a_mean_that_rests_on_few_sites_is_said():
    assert "wide_cv" in asked(readings(sites=3))
    many = readings(participants=18, fingers=1, scans=1, sites=6, raters_a_site=1)
    assert "wide_cv" not in asked(many)
    assert "wide_cv" not in asked(readings(sites=3), scale="log")


def test_no_ratio_to_a_scale_without_a_zero():
    table = readings()
    table.loc[0, "gap_mm"] = 0.0
    found = reliability(table, n_boot=200)
    assert "cv_left_out" in {c.code for c in found.cautions}
    assert not any(e.name.startswith("cv_") for e in found)


def test_raters_that_differ_much_and_empty_cells_are_said():
    names = {"site": None, "rater_site": None}
    table = readings(fingers=1, scans=1, sites=1, raters_a_site=3, planted={"rater": 0.5})
    assert "wide_consistency" not in asked(table, **names)
    lost = np.random.default_rng(1).random(len(table)) < 0.2
    assert "wide_consistency" in asked(table[~lost].reset_index(drop=True), **names)


def test_a_bootstrap_over_few_raters_is_said():
    table = readings(participants=12, fingers=1, scans=1)
    assert "bootstrap_few_raters" in asked(table, intervals="bootstrap")
    assert not {c for c in asked(table) if c.startswith("bootstrap")}


def test_the_mean_makes_the_ratio_less_certain():
    table = readings(participants=12, fingers=1, scans=1, planted={"site": 0.5})
    found = reliability(table, n_boot=1000)
    ratio, error = found["cv_intra"], found["sem_intra"]
    assert ratio.upper / ratio.lower > 1.5 * error.upper / error.lower
