"""Raters who all read several fingers of each participant: what spreads their deviations.

reading = finger + rater + participant x rater + rest, so that a rater may read all fingers
of one person alike. What a finger is drops out of its deviations from the mean over raters;
they have k - 1 independent directions, all with the same three variances. So the sums of
squares of k - 1 one-way analyses, of fingers within participants, are added up.

Arrays in, arrays out; axes before the last two are separate tables.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import stats

from cohortkit.agreement.anova import sums_of_squares
from cohortkit.agreement.intervals import (
    Limits,
    generalised_sem,
    normal_nodes,
    quantiles,
    unit_nodes,
    upper_tail,
)
from cohortkit.agreement.limit_components import FLOOR, effective_df, squared_share

NODES = 64


@dataclass(frozen=True)
class NestedSums:
    """Sums of squares of deviations: raters, participant x rater, finger x rater.

    `size` is the number of fingers of each participant. The three sums add up to the sum
    of all squared deviations from the fingers' means. With one finger each the last is 0.
    """

    size: np.ndarray
    k: int
    raters: np.ndarray
    participants: np.ndarray
    fingers: np.ndarray

    @property
    def n(self) -> int:
        """Participants."""
        return len(self.size)

    @property
    def count(self) -> int:
        """Fingers."""
        return int(self.size.sum())

    @property
    def several(self) -> bool:
        """Whether anybody gave more than one."""
        return self.count > self.n

    @property
    def typical(self) -> float:
        """(N - sum n_i^2 / N) / (n - 1), the fingers of each participant if all gave as many."""
        return float((self.count - self.pooled) / (self.n - 1))

    @property
    def pooled(self) -> float:
        """Sum n_i^2 / N, the fingers of the participant that a finger belongs to, on average."""
        return float((self.size**2).sum() / self.count)

    @property
    def variance(self) -> np.ndarray:
        """Rater + participant x rater + rest, by moments: all squares over N (k - 1)."""
        together = self.raters + self.participants + self.fingers
        return np.asarray(together / (self.count * (self.k - 1)))

    def components(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Moment estimates of rater, participant x rater and the rest; the first two may be negative.

        With one finger each the rest holds participant x rater too, which is then 0.
        """
        k = self.k - 1
        rows = self.participants / (k * (self.n - 1))
        rest = self.fingers / (k * (self.count - self.n)) if self.several else rows
        own = (rows - rest) / self.typical
        rater = (self.raters / k - self.pooled * own - rest) / self.count
        return rater, own, rest

    def rater_error(self) -> np.ndarray:
        """Standard error of the mean deviation of one rater, these raters taken as they are."""
        _, own, rest = self.components()
        moved = np.maximum((self.pooled * own + rest) / self.count, FLOOR * rest / self.count)
        return np.asarray(math.sqrt((self.k - 1) / self.k) * np.sqrt(moved))


def nested_sums(values: np.ndarray, size: np.ndarray) -> NestedSums:
    """Sums of squares of readings (..., N, k), fingers of one participant side by side.

    `size` (n,) is the number of fingers of each participant, in that order. Sums no larger
    than the representation error of the values are 0.
    """
    found = sums_of_squares(values)
    n, k = len(size), found.k
    if n == found.n:
        return NestedSums(size, k, found.raters, found.error, np.zeros_like(found.error))
    centred = values - values[..., :1, :1]
    centred = centred - centred.mean(axis=-1, keepdims=True)
    centred = centred - centred.mean(axis=-2, keepdims=True)
    first = np.concatenate([[0], np.cumsum(size)[:-1]]).astype(int)
    mean = np.add.reduceat(centred, first, axis=-2) / size[:, None]
    inner = centred - np.repeat(mean, size.astype(int), axis=-2)
    dust = found.n * k * (4 * np.finfo(float).eps * np.abs(values).max(axis=(-2, -1))) ** 2
    between = (size[:, None] * mean**2).sum(axis=(-2, -1))
    within = (inner**2).sum(axis=(-2, -1))
    held = (np.where(part <= dust, 0.0, part) for part in (between, within))
    return NestedSums(size, k, found.raters, *held)


def error_limits(sums: NestedSums, values: np.ndarray, level: float) -> Limits:
    """Generalised limits of the root of rater + participant x rater + rest, of one table."""
    if not sums.several:
        return generalised_sem(sums_of_squares(values), level)
    cdf = error_pivot(sums)
    low, high = quantiles(lambda v: float(cdf(np.array(v))), float(sums.variance), level)
    return math.sqrt(low), math.sqrt(high)


def error_pivot(sums: NestedSums) -> Callable[[np.ndarray], np.ndarray]:
    """Distribution function of the pivot of rater + participant x rater + rest.

    With U_r, U_p, U_e chi-squares of k - 1, (n - 1)(k - 1) and (N - n)(k - 1) degrees of
    freedom the sums of squares give E = SSE / U_e, P = (SSP / U_p - E) / n0 and
    R = max(0, (SSR / U_r - P sum n_i^2 / N - E) / N). "P + E + R <= v" is "P + E <= v and
    SSR / U_r <= N (v - P - E) + P sum n_i^2 / N + E": U_r in closed form, U_p by
    Gauss-Legendre on the part where P + E <= v, U_e by the trapezoidal rule on normal
    scores. Where participants gave different numbers of fingers, SSP is not quite a
    chi-square: U_p has the degrees of freedom of Satterthwaite (see `effective_df`).
    """
    k, n, count = sums.k - 1, sums.n, sums.count
    n0, pooled = sums.typical, sums.pooled
    ssr, ssp, sse = (
        np.asarray(x, dtype=float)[..., None, None]
        for x in (sums.raters, sums.participants, sums.fingers)
    )
    _, own, rest = (x[..., None, None] for x in map(np.asarray, sums.components()))
    df_p = k * effective_df((n - 1) * n0, squared_share(sums.size), (own, rest), n - 1)
    ssp = ssp * df_p / (k * (n - 1))  # the same mean square on those degrees of freedom
    scores, weights_e = normal_nodes()
    nodes, weights_p = unit_nodes(NODES)
    error = sse / stats.chi2.ppf(stats.norm.cdf(scores), k * (count - n))[:, None]

    def cdf(variance: np.ndarray) -> np.ndarray:
        v = np.asarray(variance, dtype=float)[..., None, None]
        left = n0 * v - (n0 - 1) * error  # what SSP / U_p may be at most
        within = upper_tail(ssp, left, df_p)
        drawn = stats.chi2.isf(within * nodes, df_p)
        with np.errstate(divide="ignore", invalid="ignore"):
            rows = np.where(within > 0, np.minimum(ssp / drawn, left), left)
        shared = (rows - error) / n0
        tail = upper_tail(ssr, count * (v - shared - error) + pooled * shared + error, k)
        return (within[..., 0] * (tail @ weights_p)) @ weights_e

    return cdf
