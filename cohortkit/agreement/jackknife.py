"""Standard errors by leaving one participant out, and symmetric limits from them."""

from __future__ import annotations

import math

import numpy as np

from cohortkit.agreement.intervals import Limits
from cohortkit.resampling import Statistic, count_failures, leave_one_out

NO_LIMITS: Limits = (math.nan, math.nan)


def standard_errors(cluster: np.ndarray, statistic: Statistic) -> tuple[np.ndarray, int]:
    """Delete-one-participant standard errors of p statistics.

    Parameters
    ----------
    cluster
        Participant codes, shape (n,). Where each stands once this is the plain
        delete-one jackknife.
    statistic
        Takes row positions, gives p numbers.

    Returns
    -------
    tuple
        Errors of shape (p,), sqrt((I - 1) / I sum (t_(i) - mean)^2) over I
        participants; NaN where a statistic does not exist, or is infinite, without
        one of them. And the number of such participants.
    """
    left = leave_one_out(cluster, statistic)
    left = np.where(np.isfinite(left), left, np.nan)
    count = len(left)
    spread = ((left - left.mean(axis=0)) ** 2).sum(axis=0)
    return np.sqrt((count - 1) / count * spread), count_failures(left)


def symmetric(value: float, error: float, quantile: float) -> Limits:
    """Value -+ quantile times error; no limits where no spread was seen."""
    if not (error > 0 and math.isfinite(quantile)):
        return NO_LIMITS
    return value - quantile * error, value + quantile * error
