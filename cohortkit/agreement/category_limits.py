"""Limits of coefficients and shares, from their variance over participants."""

from __future__ import annotations

import math

import numpy as np
from scipy import special, stats
from statsmodels.stats.proportion import proportion_confint

from cohortkit.agreement.intervals import Limits

NO_LIMITS: Limits = (math.nan, math.nan)
ROUNDING = 1e-20  # variance of a coefficient or share that is nothing but rounding


def fisher_z_limits(value: float, variance: float, participants: int, level: float) -> Limits:
    """tanh(atanh(value) -+ t SE / (1 - value^2)), t with one degree fewer than participants."""
    if not (abs(value) < 1 and variance > ROUNDING and participants > 1):
        return NO_LIMITS
    t = float(stats.t.ppf((1 + level) / 2, participants - 1))
    half = t * math.sqrt(variance) / (1 - value**2)
    middle = math.atanh(value)
    return math.tanh(middle - half), math.tanh(middle + half)


def all_agree_limits(chance: float, participants: int, level: float) -> Limits:
    """Limits of a coefficient if none of the participants showed a disagreement.

    The mean disagreement of a subject is at most the share of participants with
    any, whose Clopper-Pearson limit is 1 - (alpha / 2)^(1 / I).
    """
    agreed = ((1 - level) / 2) ** (1 / participants)
    return (agreed - chance) / (1 - chance), 1.0


def share_limits(
    share: float, variance: float, base: np.ndarray, cluster: np.ndarray, level: float
) -> Limits:
    """Wilson limits of a share on its effective number of subjects.

    `base` is what each subject adds to the denominator. The number is
    share (1 - share) / variance, shrunk by (z / t)^2. At a share of 0 or 1 the
    ratings say nothing about it, and it is the number of participants counted.
    """
    counted = len(np.unique(cluster[base > 0]))
    if share in (0.0, 1.0):
        size = float(counted)
    elif counted < 2 or not variance > ROUNDING:
        return NO_LIMITS
    else:
        tail = (1 + level) / 2
        shrink = float(stats.norm.ppf(tail) / stats.t.ppf(tail, counted - 1)) ** 2
        size = share * (1 - share) / variance * shrink
    return wilson(share, size, level)


def wilson(share: float, size: float, level: float) -> Limits:
    """Wilson limits (1927) of a share of `size` subjects, which need not be whole."""
    low, high = proportion_confint(share * size, size, alpha=1 - level, method="wilson")
    return min(float(low), share), max(float(high), share)


def logit_limits(share: float, left_out: np.ndarray, level: float) -> Limits:
    """Limits of a ratio of two sums, from its values without each participant.

    Jackknife on the logit scale, centred at the value freed of its first-order
    bias: such ratios come out too small where a category is rare. NaN if a value
    without a participant is 0, 1 or does not exist.
    """
    count = len(left_out)
    if count < 2 or not (0 < share < 1 and ((left_out > 0) & (left_out < 1)).all()):
        return NO_LIMITS
    moved = special.logit(left_out)
    middle = count * special.logit(share) - (count - 1) * moved.mean()
    error = math.sqrt((count - 1) / count * float(((moved - moved.mean()) ** 2).sum()))
    if not error > 0:
        return NO_LIMITS
    half = float(stats.t.ppf((1 + level) / 2, count - 1)) * error
    low, high = special.expit(middle - half), special.expit(middle + half)
    return min(float(low), share), max(float(high), share)
