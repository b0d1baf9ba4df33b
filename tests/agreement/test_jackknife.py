"""Delete-one-participant standard errors."""

from __future__ import annotations

import math

import numpy as np
import pytest

from cohortkit.agreement.jackknife import standard_errors, symmetric
from cohortkit.errors import EstimateError

VALUES = np.array([1.0, 2.0, 4.0, 8.0, 3.0, 3.5])


def mean_of(rows):
    return np.array([VALUES[rows].mean(), VALUES[rows].sum() * 0 + 1])


def test_error_of_a_mean():
    errors, failed = standard_errors(np.arange(6), mean_of)
    # by hand: the jackknife of a mean is its usual standard error
    assert errors[0] == pytest.approx(VALUES.std(ddof=1) / math.sqrt(6), rel=1e-12)
    assert errors[1] == 0
    assert failed == 0


def test_pairs_of_rows_left_out_together():
    cluster = np.array([0, 0, 1, 1, 2, 2])
    errors, _ = standard_errors(cluster, mean_of)
    # by hand: with equal clusters it is the standard error of the mean of cluster means
    means = VALUES.reshape(3, 2).mean(axis=1)
    assert errors[0] == pytest.approx(means.std(ddof=1) / math.sqrt(3), rel=1e-12)


def test_a_failure_without_one_participant_leaves_no_error():
    def needs_the_first(rows):
        if 0 not in rows:
            raise EstimateError("cannot", next_step="x")
        return np.array([1.0])

    errors, failed = standard_errors(np.arange(4), needs_the_first)
    assert math.isnan(errors[0])
    assert failed == 1


def test_symmetric_limits():
    assert symmetric(2.0, 0.5, 2.0) == (1.0, 3.0)
    for error, quantile in ((0.0, 2.0), (math.nan, 2.0), (0.5, math.inf), (0.5, math.nan)):
        assert all(math.isnan(x) for x in symmetric(2.0, error, quantile))
