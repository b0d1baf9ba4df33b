"""Ranks that carry a reference limit and its confidence limits."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import stats


@dataclass(frozen=True)
class Ranks:
    """Ranks of one limit among n ordered values, counted from 1.

    `rank` is p (n + 1), as a rule not whole. `lower` and `upper` are the whole
    ranks of the confidence limits; 0 and n + 1 say that no rank reaches so far.
    """

    rank: float
    lower: int
    upper: int


def limit_ranks(n: int, p: float, level: float) -> Ranks:
    """Ranks of the p quantile of n values, with confidence ranks by the binomial.

    The number of values below the quantile is binomial (n, p), so the r-th
    smallest value lies above it with probability P(B <= r - 1). The lower rank
    is the largest, the upper the smallest, that errs with at most
    (1 - level) / 2. For p above one half the ranks mirror those of 1 - p.

    Source: rank table of CLSI EP28 (n = 119 to 1000, 90 %), which this rule
    reproduces; ranks p (n + 1) as there.
    """
    if p > 0.5:
        mirrored = limit_ranks(n, 1 - p, level)
        return Ranks(n + 1 - mirrored.rank, n + 1 - mirrored.upper, n + 1 - mirrored.lower)
    tail = (1 - level) / 2
    low = _largest_not_above(n, p, tail)
    high = _smallest_not_below(n, p, 1 - tail)
    return Ranks(p * (n + 1), low, high)


def smallest_sample(p: float) -> int:
    """Fewest values for which the rank of the p quantile lies within the sample."""
    return math.ceil(1 / min(p, 1 - p) - 1 - 1e-9)


def smallest_sample_with_limits(p: float, level: float) -> int:
    """Fewest values for which both confidence limits of the p quantile exist."""
    outer = min(p, 1 - p)
    return math.ceil(math.log((1 - level) / 2) / math.log1p(-outer) - 1e-9)


def _largest_not_above(n: int, p: float, tail: float) -> int:
    """Largest l with P(B <= l - 1) <= tail; 0 if there is none."""
    rank = max(int(stats.binom.ppf(tail, n, p)), 0)
    while rank > 0 and stats.binom.cdf(rank - 1, n, p) > tail:
        rank -= 1
    while stats.binom.cdf(rank, n, p) <= tail:
        rank += 1
    return rank


def _smallest_not_below(n: int, p: float, head: float) -> int:
    """Smallest u with P(B <= u - 1) >= head; n + 1 if there is none."""
    rank = min(int(stats.binom.ppf(head, n, p)) + 1, n + 1)
    while rank > 1 and stats.binom.cdf(rank - 2, n, p) >= head:
        rank -= 1
    while rank <= n and stats.binom.cdf(rank - 1, n, p) < head:
        rank += 1
    return rank
