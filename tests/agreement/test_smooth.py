"""Linearised standard errors by complex step."""

from __future__ import annotations

import math

import numpy as np
import pytest

from cohortkit.agreement.smooth import (
    clustered_variance,
    independent_error,
    influence,
    without_each,
)

RNG = np.random.default_rng(8)
PARTS = RNG.uniform(1, 3, (12, 2))


def ratio(sums):
    return sums[..., 0] / sums[..., 1]


def test_influence_of_a_mean():
    parts = np.column_stack([PARTS[:, 0], np.ones(12)])
    # by hand: the effect of a value on the mean is its distance from the mean
    assert influence(parts, ratio) == pytest.approx(PARTS[:, 0] - PARTS[:, 0].mean(), abs=1e-14)
    expected = PARTS[:, 0].std(ddof=1) / math.sqrt(12)
    assert independent_error(parts, ratio) == pytest.approx(expected, rel=1e-12)


def test_influence_of_a_ratio():
    r = PARTS[:, 0].sum() / PARTS[:, 1].sum()
    # by hand: the usual ratio estimator, (y - r x) / mean x
    expected = (PARTS[:, 0] - r * PARTS[:, 1]) / PARTS[:, 1].mean()
    assert influence(PARTS, ratio) == pytest.approx(expected, abs=1e-14)


def test_clusters_of_one_are_independent_rows():
    effect = influence(PARTS, ratio)
    alone = clustered_variance(effect, np.arange(12))
    assert math.sqrt(alone) == pytest.approx(independent_error(PARTS, ratio), rel=1e-12)


def test_rows_twice_in_their_participant_add_nothing():
    twice, cluster = np.repeat(PARTS, 2, axis=0), np.repeat(np.arange(12), 2)
    found = clustered_variance(influence(twice, ratio), cluster)
    assert math.sqrt(found) == pytest.approx(independent_error(PARTS, ratio), rel=1e-12)


def test_one_participant_has_no_variance():
    assert math.isnan(clustered_variance(np.array([0.1, -0.1]), np.array([0, 0])))


def test_leaving_participants_out():
    cluster = np.repeat(np.arange(4), 3)
    found = without_each(PARTS, ratio, cluster, np.array([1, 3]))
    for value, out in zip(found, (1, 3), strict=True):
        left = PARTS[cluster != out]
        assert value == pytest.approx(left[:, 0].sum() / left[:, 1].sum(), rel=1e-12)
