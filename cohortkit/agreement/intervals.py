"""Intervals for agreement between raters: exact F, exact chi-square, generalised.

All functions take sums of squares from `anova` and give a pair of limits. The
model is additive and normal: value = mean + subject + rater + error.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import optimize, special, stats

from cohortkit.agreement.anova import SumsOfSquares, forms

Limits = tuple[float, float]


def spearman_brown(icc: float, k: float) -> float:
    """Reliability of the mean of k raters from that of one: k r / (1 + (k - 1) r)."""
    below = 1 + (k - 1) * icc
    return -math.inf if below <= 0 else k * icc / below


def exact_f(ratio: float, df_above: float, df_below: float, k: int, level: float) -> Limits:
    """Exact limits of a one-way or consistency ICC of a single rater.

    `ratio` is the mean square of subjects over that of error, with its degrees
    of freedom. Source: Shrout & Fleiss 1979; McGraw & Wong 1996, table 7.
    """
    tail = (1 - level) / 2
    low = ratio / stats.f.isf(tail, df_above, df_below)
    high = ratio * stats.f.isf(tail, df_below, df_above)
    return (low - 1) / (low + k - 1), (high - 1) / (high + k - 1)


def approximate_f(ss: SumsOfSquares, level: float) -> Limits:
    """The usual F limits of ICC(A,1), with Satterthwaite's degrees of freedom.

    Source: Shrout & Fleiss 1979; McGraw & Wong 1996. Too narrow where few
    raters differ much: see docs/methods/icc.md for the measured coverage.
    """
    n, k, msr, msc, mse = ss.n, ss.k, float(ss.msr), float(ss.msc), float(ss.mse)
    rho = float(forms(ss)["icc_a_1"])
    a, b = k * rho, n * (1 + (k - 1) * rho) - k * rho
    spread = (a * msc) ** 2 / (k - 1) + (b * mse) ** 2 / ((n - 1) * (k - 1))
    df = (a * msc + b * mse) ** 2 / spread
    tail = (1 - level) / 2
    low = stats.f.isf(tail, n - 1, df)
    high = stats.f.isf(tail, df, n - 1)
    rest = k * msc + (k * n - k - n) * mse
    return (
        n * (msr - low * mse) / (low * rest + n * msr),
        n * (high * msr - mse) / (rest + n * high * msr),
    )


def chi_square_sd(sum_of_squares: float, df: float, level: float) -> Limits:
    """Exact limits of a standard deviation from its sum of squares."""
    tail = (1 - level) / 2
    return (
        math.sqrt(sum_of_squares / stats.chi2.isf(tail, df)),
        math.sqrt(sum_of_squares / stats.chi2.ppf(tail, df)),
    )


def generalised_icc(ss: SumsOfSquares, level: float) -> Limits:
    """Generalised limits of ICC(A,1).

    The three sums of squares over their expected values are independent
    chi-squares. Solving for the variances gives a pivotal quantity for each
    and so for their ratio; the limits are its quantiles. They are computed by
    quadrature, so there is no simulation error and no seed. The rater variance
    is not allowed below 0; the subject variance is, so that the lower limit can
    tell of a negative estimate.

    Source: Weerahandi 1993 for the idea; Ionan, Polley, McShane & Dobbin 2014
    for this model, with simulation in place of quadrature.
    """
    cdf = icc_pivot(ss)
    scale = float(ss.subjects / (ss.raters + ss.error))
    signals = quantiles(lambda s: float(cdf(np.array(s - 1 / ss.k))), scale, level)
    low, high = (s - 1 / ss.k for s in signals)
    return low / (1 + low), high / (1 + high)


def icc_pivot(ss: SumsOfSquares, nodes: int | None = None) -> Callable[[np.ndarray], np.ndarray]:
    """Distribution function of the generalised pivotal quantity of ICC(A,1).

    The function takes the odds ``icc / (1 - icc)``, that is the subject
    variance over the sum of rater and error variance, which lie above -1/k.
    `ss` may hold arrays of one shape; the odds then have that shape. `nodes`
    overrides the number of points for U_r; 80 will do to simulate coverage.

    With U_s, U_r, U_e the three chi-squares the event "pivot <= odds" is
    ``U_s >= SSR / (E + k * odds * (R + E))``, E = SSE / U_e and
    R = max(0, (SSC / U_r - E) / n). U_s is integrated in closed form, U_r by
    Gauss-Legendre up to where R reaches 0, U_e by the trapezoidal rule on
    normal scores.
    """
    df_s, df_r, df_e = ss.df
    ssr, ssc, sse = (
        np.asarray(x, dtype=float)[..., None, None] for x in (ss.subjects, ss.raters, ss.error)
    )
    scores, weights_e = normal_nodes()
    error = sse / stats.chi2.ppf(special.ndtr(scores), df_e)[:, None]
    nodes_r, weights_r = unit_nodes(nodes or _node_count(ss.n))
    with np.errstate(divide="ignore"):
        edge = np.where(error > 0, ssc / error, np.inf)
    zero_raters = special.chdtrc(df_r, edge[..., 0])
    # Chi scale: the density is smooth there even with one degree of freedom.
    reach = np.sqrt(np.minimum(edge, stats.chi2.isf(1e-13, df_r)))
    chi = reach * nodes_r
    density = reach * weights_r * stats.chi.pdf(chi, df_r)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        raters = np.where(chi > 0, np.maximum(ssc / chi**2 - error, 0.0) / ss.n, 0.0)

    def cdf(odds: np.ndarray) -> np.ndarray:
        kappa = ss.k * np.asarray(odds, dtype=float)[..., None, None]
        without = upper_tail(ssr, error + kappa * error, df_s)[..., 0]
        with_raters = upper_tail(ssr, error + kappa * (raters + error), df_s)
        inner = zero_raters * without + (with_raters * density).sum(axis=-1)
        return inner @ weights_e

    return cdf


def generalised_sem(ss: SumsOfSquares, level: float) -> Limits:
    """Generalised limits of the standard error of measurement for agreement."""
    cdf = sem_pivot(ss)
    low, high = quantiles(
        lambda variance: float(cdf(np.array(variance))), float(ss.msc / ss.n + ss.mse), level
    )
    return math.sqrt(low), math.sqrt(high)


def sem_pivot(ss: SumsOfSquares) -> Callable[[np.ndarray], np.ndarray]:
    """Distribution function of the pivot of rater plus error variance.

    "Pivot <= v" is ``E <= v and SSC / U_r <= n v - (n - 1) E``: U_r in closed
    form, U_e by Gauss-Legendre on the part where E <= v.
    """
    _, df_r, df_e = ss.df
    ssc, sse = (np.asarray(x, dtype=float)[..., None] for x in (ss.raters, ss.error))
    nodes, weights = unit_nodes(_node_count(ss.k))

    def cdf(variance: np.ndarray) -> np.ndarray:
        v = np.asarray(variance, dtype=float)[..., None]
        within = stats.chi2.sf(sse / v, df_e)
        error = np.minimum(sse / stats.chi2.isf(within * nodes, df_e), v)
        tail = upper_tail(ssc, ss.n * v - (ss.n - 1) * error, df_r)
        return within[..., 0] * (tail @ weights)

    return cdf


def upper_tail(sum_of_squares: np.ndarray, variance: np.ndarray, df: int) -> np.ndarray:
    """P(chi-square >= sum of squares / variance), 0 where the variance is not positive."""
    positive = variance > 0
    with np.errstate(over="ignore"):
        ratio = sum_of_squares / np.where(positive, variance, 1.0)
    return np.where(positive, special.chdtrc(df, ratio), 0.0)


def unit_nodes(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Gauss-Legendre nodes and weights between 0 and 1."""
    nodes, weights = special.roots_legendre(count)
    return (nodes + 1) / 2, weights / 2


def normal_nodes() -> tuple[np.ndarray, np.ndarray]:
    """Normal scores and weights; the trapezoidal rule converges fast on them."""
    scores = np.linspace(-6.5, 6.5, 66)
    weights = stats.norm.pdf(scores)
    return scores, weights / weights.sum()


def _node_count(n: int) -> int:
    """Enough nodes for a distribution that narrows as one over the root of n."""
    return int(min(200 + 12 * math.sqrt(n), 1500))


def quantiles(cdf: Callable[[float], float], scale: float, level: float) -> Limits:
    """Equal-tailed quantiles of a positive quantity, found on the log scale."""
    low, high = (
        math.exp(_root(lambda t, p=p: cdf(math.exp(t)) - p, math.log(scale)))  # type: ignore[misc]
        for p in ((1 - level) / 2, (1 + level) / 2)
    )
    return low, high


def _root(gap: Callable[[float], float], start: float) -> float:
    left = right = start
    step = 1.0
    while gap(left) > 0:
        left, step = left - step, 2 * step
    step = 1.0
    while gap(right) < 0:
        right, step = right + step, 2 * step
    return float(optimize.brentq(gap, left, right, xtol=1e-9)) if left < right else start
