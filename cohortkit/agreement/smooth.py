"""Standard errors of statistics that are smooth functions of sums over subjects.

Every coefficient of agreement on categories depends on the ratings through such
sums alone. One derivative gives its standard error, independent or clustered.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

Statistic = Callable[[np.ndarray], np.ndarray]
"""Sums of shape (..., p), real or complex, to values of shape (...)."""

_STEP = 1e-30


def influence(parts: np.ndarray, statistic: Statistic) -> np.ndarray:
    """First-order effect of each subject on the statistic, times n, centred.

    `parts` has shape (n, p), what each subject adds to the sums. The derivative is
    taken by a complex step (Squire & Trapp 1998), exact to rounding. Shape (n,);
    its mean square over n is the linearised variance.
    """
    moved = statistic(parts.sum(axis=0) + 1j * _STEP * parts)
    effect = len(parts) * np.imag(moved) / _STEP
    return effect - effect.mean()


def expected_variance(parts: np.ndarray, share: np.ndarray, statistic: Statistic) -> float:
    """Large-sample variance of the statistic times n, if a subject adds row i with probability share[i].

    `parts` has shape (m, p), `share` (m,), adding up to 1.
    """
    effect = np.imag(statistic(share @ parts + 1j * _STEP * parts)) / _STEP
    effect = effect - share @ effect
    return float(share @ effect**2)


def independent_error(parts: np.ndarray, statistic: Statistic) -> float:
    """Linearised standard error over independent subjects, divisor n - 1."""
    effect = influence(parts, statistic)
    return math.sqrt(float(effect @ effect) / (len(effect) * (len(effect) - 1)))


def clustered_variance(effect: np.ndarray, cluster: np.ndarray) -> float:
    """Linearised variance over participants: I / (I - 1) sum (sum of effects)^2 / n^2."""
    together = np.bincount(cluster, weights=effect)
    count = len(together)
    if count < 2:
        return math.nan
    return float(count / (count - 1) * (together @ together) / len(effect) ** 2)


def without_each(
    parts: np.ndarray, statistic: Statistic, cluster: np.ndarray, counted: np.ndarray
) -> np.ndarray:
    """The statistic without each of the participants in `counted`, in turn."""
    together = np.zeros((int(cluster.max()) + 1, parts.shape[1]))
    np.add.at(together, cluster, parts)
    return np.asarray(statistic(parts.sum(axis=0) - together[counted]), dtype=float)
