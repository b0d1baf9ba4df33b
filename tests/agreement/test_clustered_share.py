"""A share with clustered readings."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from cohortkit.agreement.clustered_share import clustered_share, design_effect


def test_independent_readings_have_the_wilson_interval():
    flags = np.arange(2000) < 300
    share, limits = clustered_share(flags, np.arange(2000), 0.95)
    # source: statsmodels 0.15, proportion_confint(method="wilson"); t of 1,999 df is near normal
    assert share == 0.15
    assert limits == pytest.approx(proportion_confint(300, 2000, method="wilson"), abs=1e-4)


def test_copies_change_nothing():
    rng = np.random.default_rng(1)
    flags = rng.random(200) < 0.3
    once = clustered_share(flags, np.arange(200), 0.95)
    twice = clustered_share(np.repeat(flags, 2), np.repeat(np.arange(200), 2), 0.95)
    assert twice[0] == once[0]
    assert twice[1] == pytest.approx(once[1], abs=2e-3)


def test_none_and_all_rest_on_participants():
    share, (low, high) = clustered_share(np.zeros(100, bool), np.repeat(np.arange(10), 10), 0.95)
    # by hand: t^2 / (k + t^2) with k = 10, t = 2.262157 (9 df)
    assert (share, low) == (0.0, 0.0)
    assert high == pytest.approx(2.262157**2 / (10 + 2.262157**2), rel=1e-5)  # by hand: above


def test_one_participant_has_no_interval_and_nothing_no_share():
    assert math.isnan(clustered_share(np.array([True, False]), np.zeros(2), 0.95)[1][0])
    assert math.isnan(clustered_share(np.zeros(0, bool), np.zeros(0), 0.95)[0])


def test_intervals_hold_with_clusters():
    rng = np.random.default_rng(5)
    code = np.repeat(np.arange(40), 5)
    held = 0
    for _ in range(400):
        p = rng.beta(2, 6, 40)[code]
        low, high = clustered_share(rng.random(200) < p, code, 0.95)[1]
        # planted truth: the mean of beta(2, 6)
        held += low <= 0.25 <= high
    # by hand: 400 runs, standard error 1.09 points, band of four errors
    assert 0.906 < held / 400 < 0.994


def test_design_effect_is_at_least_one():
    code = np.repeat(np.arange(50), 2)
    balanced = np.tile([-0.5, 0.5], 50)
    assert design_effect(balanced, code, 0.25) == 1.0
