"""Limits of coefficients and shares."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import special, stats
from statsmodels.stats.proportion import proportion_confint

from cohortkit.agreement.category_limits import (
    all_agree_limits,
    fisher_z_limits,
    logit_limits,
    share_limits,
    wilson,
)


def is_none(limits):
    return all(math.isnan(x) for x in limits)


def test_fisher_z():
    low, high = fisher_z_limits(0.6, 0.01, 21, 0.95)
    # source: t quantile 2.086 with 20 degrees of freedom, any printed table
    half = 2.085963 * 0.1 / (1 - 0.36)
    assert math.atanh(high) - math.atanh(0.6) == pytest.approx(half, rel=1e-6)
    assert math.atanh(0.6) - math.atanh(low) == pytest.approx(half, rel=1e-6)
    assert -1 < low < 0.6 < high < 1


@pytest.mark.parametrize(
    ("value", "variance", "participants"),
    [(1.0, 0.1, 9), (-1.0, 0.1, 9), (0.5, 0.0, 9), (0.5, 0.1, 1), (math.nan, 0.1, 9)],
)
def test_fisher_z_without_spread_or_at_the_edge(value, variance, participants):
    assert is_none(fisher_z_limits(value, variance, participants, 0.95))


def test_all_agree_is_clopper_and_pearson_where_nothing_is_due_to_chance():
    for n in (1, 5, 40):
        # source: statsmodels proportion_confint, method "beta", statsmodels 0.15.0
        judge = proportion_confint(n, n, method="beta")[0]
        assert all_agree_limits(0.0, n, 0.95) == pytest.approx((judge, 1.0), rel=1e-10)
    # by hand: a lower agreement of 0.7 with 0.4 expected by chance is 0.3 / 0.6
    n = math.log(0.025) / math.log(0.7)
    assert all_agree_limits(0.4, n, 0.95)[0] == pytest.approx(0.5)


def test_wilson_of_another_library():
    # source: statsmodels proportion_confint, method "wilson", statsmodels 0.15.0
    judge = proportion_confint(17, 20, method="wilson")
    assert wilson(0.85, 20, 0.95) == pytest.approx(judge, rel=1e-12)
    assert wilson(1.0, 9, 0.95)[1] == 1
    assert wilson(0.0, 9, 0.95)[0] == 0


def test_share_of_clustered_yes_and_no():
    hit = np.array([1, 1, 0, 0, 1, 1, 1, 0, 0, 1, 1, 1], dtype=float)
    cluster = np.repeat(np.arange(6), 2)
    share = hit.mean()
    sums = np.bincount(cluster, weights=hit - share)
    variance = 6 / 5 * (sums**2).sum() / 144
    shrink = (stats.norm.ppf(0.975) / stats.t.ppf(0.975, 5)) ** 2
    size = share * (1 - share) / variance * shrink
    # source: statsmodels proportion_confint, method "wilson", statsmodels 0.15.0
    judge = proportion_confint(share * size, size, method="wilson")
    assert share_limits(share, variance, np.ones(12), cluster, 0.95) == pytest.approx(judge)


def test_a_share_of_all_or_none_counts_participants():
    cluster = np.repeat(np.arange(5), 4)
    found = share_limits(1.0, 0.0, np.ones(20), cluster, 0.95)
    assert found == pytest.approx(wilson(1.0, 5, 0.95))
    base = np.where(cluster < 2, 1.0, 0.0)
    assert share_limits(0.0, 0.0, base, cluster, 0.95) == pytest.approx(wilson(0.0, 2, 0.95))


def test_a_share_of_one_participant_has_no_limits():
    assert is_none(share_limits(0.5, math.nan, np.ones(4), np.zeros(4, dtype=int), 0.95))


def test_logit_by_pseudo_values():
    left = np.array([0.70, 0.74, 0.66, 0.72, 0.71])
    pseudo = 5 * special.logit(0.7) - 4 * special.logit(left)
    # by hand: t interval of the mean of the five pseudo-values
    half = stats.t.ppf(0.975, 4) * pseudo.std(ddof=1) / math.sqrt(5)
    expected = special.expit(pseudo.mean() - half), special.expit(pseudo.mean() + half)
    assert logit_limits(0.7, left, 0.95) == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize(
    ("share", "left"),
    [(1.0, [1.0, 1.0]), (0.5, [0.0, 0.5]), (0.5, [math.nan, 0.5]), (0.5, [0.5]), (0.5, [0.5] * 4)],
)
def test_logit_without_spread_or_at_the_edge(share, left):
    assert is_none(logit_limits(share, np.array(left), 0.95))
