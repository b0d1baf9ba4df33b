"""Limits of agreement where differences come in groups: variance components and intervals.

Arrays in, arrays out; the last axis of every input is the groups (participants), axes
before it are separate tables, so that coverage can be simulated in one call.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

from cohortkit.agreement.intervals import Limits
from cohortkit.resampling import participant_bootstrap, percentile_interval

Array = Any  # numpy array or float
FLOOR = 0.5  # share of the part within groups below which no variance of a bias goes


@dataclass(frozen=True)
class Grouped:
    """What a one-way analysis of differences needs: size, mean and sum of squares by group.

    All of shape (..., k). `inner` is the sum of squares about the group's own mean.
    """

    size: np.ndarray
    mean: np.ndarray
    inner: np.ndarray

    def take(self, rows: np.ndarray) -> Grouped:
        """Some groups, or the same one several times."""
        return Grouped(self.size[..., rows], self.mean[..., rows], self.inner[..., rows])


@dataclass(frozen=True)
class Total:
    """Bias and variance of a single difference, with what their intervals rest on.

    The variance is ``sum(weights * squares)``, independent mean squares with `df`
    degrees of freedom each, stacked on the last axis. `between` is the variance
    component of the groups (participants), `within` the rest.
    """

    bias: Array
    bias_variance: Array
    bias_df: Array
    weights: np.ndarray
    squares: np.ndarray
    df: np.ndarray
    between: Array
    within: Array

    @property
    def variance(self) -> Array:
        """Variance of a single difference."""
        return (self.weights * self.squares).sum(axis=-1)


def grouped(difference: np.ndarray, cluster: np.ndarray) -> Grouped:
    """Sums by group of differences, shape (n,), with codes 0..k-1."""
    size = np.bincount(cluster).astype(float)
    centre = difference.mean()
    mean = np.bincount(cluster, difference - centre) / size
    inner = np.bincount(cluster, (difference - centre - mean[cluster]) ** 2)
    return Grouped(size, mean + centre, inner)


def one_way(groups: Grouped) -> Total:
    """Components of differences within and between groups (Bland & Altman 1999, 2007).

    Total variance = (MSB - MSW) / n0 + MSW with n0 = (N - sum n_i^2 / N) / (k - 1),
    not cut off where MSB < MSW. The bias is the mean of all differences; its variance is
    not cut off there either, since in a balanced table it is MSB / N whatever MSW is.
    """
    size = groups.size
    count, k = size.sum(axis=-1), size.shape[-1]
    bias = (size * groups.mean).sum(axis=-1) / count
    between_squares = (size * (groups.mean - bias[..., None]) ** 2).sum(axis=-1) / (k - 1)
    n0 = (count - (size**2).sum(axis=-1) / count) / (k - 1)
    inner_df = count - k
    with np.errstate(invalid="ignore", divide="ignore"):
        within = np.where(inner_df > 0, groups.inner.sum(axis=-1) / inner_df, 0.0)
    between = (between_squares - within) / n0
    bias_variance = between * (size**2).sum(axis=-1) / count**2 + within / count
    return Total(
        bias=bias,
        bias_variance=np.maximum(bias_variance, FLOOR * within / count),
        bias_df=k - 1,
        weights=np.stack(np.broadcast_arrays(1 / n0, 1 - 1 / n0), axis=-1),
        squares=np.stack([between_squares, within], axis=-1),
        df=np.stack(
            np.broadcast_arrays(
                effective_df((k - 1) * n0, squared_share(size), (between, within), k - 1), inner_df
            ),
            axis=-1,
        ),
        between=between,
        within=within,
    )


def squared_share(size: np.ndarray) -> Array:
    """Trace of the square of diag(n) - n n' / N, for `effective_df` about a mean."""
    count, squares = size.sum(axis=-1), (size**2).sum(axis=-1)
    return squares - 2 * (size**3).sum(axis=-1) / count + (squares / count) ** 2


def effective_df(trace: Array, square: Array, variances: tuple[Array, Array], df: Array) -> Array:
    """Degrees of freedom of a sum of squares between groups of unequal size.

    Its expectation is b trace + w df and its variance 2 (b^2 square + 2 b w trace +
    w^2 df), with b and w the variances between and within groups; a chi-square of the
    same two moments has these degrees of freedom (Satterthwaite 1946). `df` if groups
    are of one size, or b is not above zero.
    """
    b, w = np.maximum(variances[0], 0.0), variances[1]
    moment = b**2 * square + 2 * b * w * trace + w**2 * df
    with np.errstate(invalid="ignore", divide="ignore"):
        found = (b * trace + w * df) ** 2 / moment
    return np.where(moment > 0, found, df)


def variance_limits(total: Total, level: float) -> tuple[Array, Array]:
    """Limits of the variance of a difference from independent mean squares.

    Each mean square has its chi-square limits; their distances from it are put
    together by root of sum of squares (modified large-sample method, Graybill &
    Wang 1980; Zou 2013 for limits of agreement). Exact with one mean square.
    """
    tail = (1 - level) / 2
    # A mean square without degrees of freedom has weight 0 and no say.
    df = np.where(total.df > 0, total.df, 1.0)
    low = total.squares * df / stats.chi2.isf(tail, df)
    high = total.squares * df / stats.chi2.ppf(tail, df)
    down = np.sqrt(((total.weights * (total.squares - low)) ** 2).sum(axis=-1))
    up = np.sqrt(((total.weights * (high - total.squares)) ** 2).sum(axis=-1))
    return total.variance - down, total.variance + up


def bias_half(total: Total, level: float) -> Array:
    """Half the width of the interval of the bias."""
    return stats.t.ppf((1 + level) / 2, total.bias_df) * np.sqrt(total.bias_variance)


def limit_interval(total: Total, z: float, level: float) -> tuple[Array, Array]:
    """Limits of ``bias + z SD``: those of bias and of SD put together (Zou 2013)."""
    half, sd = bias_half(total, level), np.sqrt(total.variance)
    low, high = (np.sqrt(np.maximum(v, 0)) for v in variance_limits(total, level))
    inner, outer = (sd - low, high - sd) if z >= 0 else (high - sd, sd - low)
    at = total.bias + z * sd
    return at - np.sqrt(half**2 + (z * inner) ** 2), at + np.sqrt(half**2 + (z * outer) ** 2)


def summary(total: Total, z: float) -> np.ndarray:
    """Bias, SD, lower and upper limit, on the last axis."""
    sd = np.sqrt(total.variance)
    return np.stack([total.bias, sd, total.bias - z * sd, total.bias + z * sd], axis=-1)


def component_intervals(total: Total, z: float, level: float) -> list[Limits]:
    """Limits of bias, SD, lower and upper limit of agreement of one table."""
    half = float(bias_half(total, level))
    variance = variance_limits(total, level)
    pairs = [
        (total.bias - half, total.bias + half),
        tuple(math.sqrt(max(float(v), 0.0)) for v in variance),
        limit_interval(total, -z, level),
        limit_interval(total, z, level),
    ]
    return [(float(low), float(high)) for low, high in pairs]


def expanded(level: float, clusters: int) -> float:
    """Level of the percentiles whose interval from k participants holds the level named.

    Normal quantile = sqrt(k / (k - 1)) t quantile with k - 1 degrees of freedom
    (Hesterberg 2015): plain percentiles are too narrow with few participants.
    """
    wide = math.sqrt(clusters / (clusters - 1)) * stats.t.ppf((1 + level) / 2, clusters - 1)
    return float(2 * stats.norm.cdf(wide) - 1)


def bootstrap_intervals(
    statistic: Any, codes: np.ndarray, level: float, n_boot: int, seed: int
) -> tuple[list[Limits], np.ndarray]:
    """Expanded percentile limits of a statistic over resampled participants.

    Parameters
    ----------
    statistic
        Takes row positions, gives p numbers. It cannot see that a participant was
        drawn twice: where that matters, give one row per participant.
    codes
        Participant of every row.
    level
        Coverage.

    Returns
    -------
    tuple
        Limits, one pair per number, and in how many resamples each was undefined. At
        least so many resamples are drawn that the expanded percentiles exist.
    """
    share = expanded(level, len(np.unique(codes)))
    needed = min(math.ceil(2 / max(1 - share, 1e-9)), 20_000)
    share = min(share, 1 - 2 / needed)
    draws = participant_bootstrap(codes, statistic, n_boot=max(n_boot, needed), seed=seed)
    low, high = percentile_interval(draws, share)
    failed = np.isnan(draws).sum(axis=0)
    return [(float(a), float(b)) for a, b in zip(low, high, strict=True)], failed
