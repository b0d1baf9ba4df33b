"""Cautions about spread, from rows alone."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement.reliability_cautions import spread_cautions


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
