"""A share among readings that come in clusters, with an interval."""

from __future__ import annotations

import math

import numpy as np
from scipy import stats

from cohortkit.agreement.intervals import Limits

METHOD = (
    "share of readings; Wilson interval with t quantile and the number of readings divided by "
    "the design effect of participants (after Korn & Graubard 1998)"
)


def clustered_share(flags: np.ndarray, cluster: np.ndarray, level: float) -> tuple[float, Limits]:
    """Share of True, and its limits with readings clustered by participant.

    Parameters
    ----------
    flags
        Yes or no per reading, shape (n,).
    cluster
        Participant codes, shape (n,).
    level
        Coverage.

    Returns
    -------
    tuple
        The share and its limits. Where all or no flags are set the number of
        participants stands for the number of readings. NaN limits from one participant.
    """
    n = len(flags)
    k = len(np.unique(cluster))
    if n == 0:
        return math.nan, (math.nan, math.nan)
    p = float(np.mean(flags))
    if k < 2:
        return p, (math.nan, math.nan)
    if p in (0.0, 1.0):
        effective = float(k)
    else:
        effective = n / design_effect(flags.astype(float) - p, cluster, p * (1 - p))
    t2 = float(stats.t.ppf((1 + level) / 2, k - 1)) ** 2
    centre = (p + t2 / (2 * effective)) / (1 + t2 / effective)
    half = math.sqrt(t2 / effective * (p * (1 - p) + t2 / (4 * effective))) / (1 + t2 / effective)
    return p, (max(0.0, centre - half), min(1.0, centre + half))


def design_effect(residual: np.ndarray, cluster: np.ndarray, variance: float) -> float:
    """How many times larger the variance of a sum is than with independent rows, at least 1."""
    codes = np.unique(cluster, return_inverse=True)[1]
    k = int(codes.max()) + 1
    sums = np.bincount(codes, residual)
    found = k / (k - 1) * float((sums**2).sum()) / (len(residual) * variance)
    return max(1.0, found) if k < len(residual) else 1.0
