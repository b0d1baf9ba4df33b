"""Passing-Bablok regression: a rank-based line between two methods in one unit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Unpack

import numpy as np
from scipy import stats

from cohortkit import checks
from cohortkit.agreement.intervals import Limits
from cohortkit.agreement.jackknife import NO_LIMITS
from cohortkit.agreement.pairing import (
    MethodComparison,
    PairOptions,
    Pairs,
    coarse_values,
    no_scatter,
    off_line,
    paired,
    shared_cautions,
)
from cohortkit.display import counted
from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution, Estimate

_EPS = 4 * np.finfo(float).eps
# Measured here: the published bound takes no account of the line having been fitted.
_CUSUM_BOUND = 1.1
_RANKS = "rank interval (Passing & Bablok 1983)"
_CLUSTERED = (
    "rank interval (Passing & Bablok 1983) with Kendall's variance times the design effect of "
    "participants, not below 1, and a t quantile (no source; coverage measured)"
)
_LOOSE = 0.7  # tau of the samples in which the intercept was measured to fall short: 0.6


@dataclass(frozen=True)
class Slopes:
    """Slopes between all pairs of n points, sorted; `offset` of them lie below -1.

    Left out are pairs of equal points and slopes of exactly -1; a vertical pair
    counts as plus or minus infinity by the sign of the step in y.
    """

    sorted: np.ndarray
    offset: int
    n: int


def passing_bablok(
    data: Any,
    *,
    method: str = "read_mode",
    methods: Sequence[Any] | None = None,
    level: float = 0.95,
    missing: str = "stop",
    **options: Unpack[PairOptions],
) -> MethodComparison:
    """Line y = intercept + slope x from the shifted median of all slopes.

    No distribution of the errors is assumed, but that both methods err alike in
    the unit of the line (error variances in the ratio slope squared), and that
    the slope is near 1: for two methods that give the same quantity in one unit.

    Parameters
    ----------
    data, method, methods, level, missing
        As in `concordance`; the first method is x, the second y.
    **options
        Column names and unit, see `PairOptions`.

    Returns
    -------
    MethodComparison
        ``slope`` and ``intercept`` (median of y - slope x), with rank intervals.
        Participants with several pairs widen the ranks by their design effect.

    Raises
    ------
    EstimateError
        As `concordance`, and points that define no slope.
    TableError
        Missing values or absent columns.

    Notes
    -----
    Passing & Bablok 1983. With N slopes kept, of which K lie below -1, the slope is
    the median shifted by K places (mean of the two middle ones if N is even), its
    limits are (N -+ z sqrt(n (n - 1) (2 n + 5) / 18)) / 2 places up, shifted alike.
    """
    checks.proportion("level", level)
    pairs = paired(data, method=method, methods=methods, missing=missing, options=options)
    slopes, slope, limits, effect = slope_with_limits(pairs, level)
    asked = level
    if _on_line(pairs, slope):
        limits, level = NO_LIMITS, math.nan
    return MethodComparison(
        question=f"How does {pairs.methods[1]} follow {pairs.methods[0]}? (Passing-Bablok)",
        estimates=_estimates(pairs, slope, limits, level),
        cautions=(
            *pairs.cautions,
            *shared_cautions(pairs),
            *coarse_values(pairs),
            *_cautions(pairs, slope, limits),
        ),
        settings={
            **pairs.settings,
            "level": asked,
            "n_slopes": len(slopes.sorted),
            "offset": slopes.offset,
            "design_effect": effect,
        },
        pairs=pairs.table(),
    )


def slope_with_limits(pairs: Pairs, level: float) -> tuple[Slopes, float, Limits, float]:
    """All slopes, the slope, its limits, and the design effect of participants."""
    slopes = pair_slopes(pairs.first, pairs.second)
    slope = shifted_median(slopes)
    effect, quantile = 1.0, float(stats.norm.ppf((1 + level) / 2))
    if pairs.repeats:
        effect = design_effect(pairs.first, pairs.second, slope, pairs.cluster)
        df = pairs.n_clusters - 1
        quantile = float(stats.t.ppf((1 + level) / 2, df)) if df else math.inf
    return slopes, slope, rank_limits(slopes, quantile * math.sqrt(effect)), effect


def pair_slopes(x: np.ndarray, y: np.ndarray) -> Slopes:
    """Slopes of all pairs of points.

    Steps no larger than the representation error of the values are ties: 0.3 - 0.2
    and 0.2 - 0.1 are the same step, though not in binary.

    Raises
    ------
    EstimateError
        If no slope is left, or all of them are vertical.
    """
    i, j = np.triu_indices(len(x), 1)
    grain_x, grain_y = _EPS * np.abs(x).max(), _EPS * np.abs(y).max()
    dx, dy = x[j] - x[i], y[j] - y[i]
    dx = np.where(np.abs(dx) <= grain_x, 0.0, dx)
    dy = np.where(np.abs(dy) <= grain_y, 0.0, dy)
    used = (np.abs(dx + dy) > grain_x + grain_y) & ((dx != 0) | (dy != 0))
    dx, dy = dx[used], dy[used]
    upright = dx == 0
    slopes = np.where(upright, np.copysign(math.inf, dy), dy / np.where(upright, 1.0, dx))
    if not np.isfinite(slopes).any():
        raise EstimateError(
            "The points define no slope",
            found=f"{counted(len(x), 'point')}, {counted(len(slopes), 'usable slope')}, none of them "
            "finite",
            next_step="look at the pairs: a line needs values that differ between subjects",
        )
    return Slopes(np.sort(slopes), int((slopes < -1).sum()), len(x))


def shifted_median(slopes: Slopes) -> float:
    """Median of the slopes, shifted by the number below -1."""
    size, k = len(slopes.sorted), slopes.offset
    middle = slopes.sorted[[min(size - 1, (size - 1) // 2 + k), min(size - 1, size // 2 + k)]]
    slope = float(middle.mean())
    if not math.isfinite(slope):
        raise EstimateError(
            "The shifted median of the slopes is vertical",
            found=f"{counted(size, 'slope')}, {k} of them below -1",
            next_step="the methods do not rise together; look at the pairs",
        )
    return slope


def rank_limits(slopes: Slopes, quantile: float) -> Limits:
    """Limits of the slope by ranks; infinite where the ranks leave the table."""
    size, k, n = len(slopes.sorted), slopes.offset, slopes.n
    spread = quantile * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    if spread >= size:
        return -math.inf, math.inf
    low = round((size - spread) / 2)
    high = size - low + 1
    if low < 1:
        return -math.inf, math.inf
    upper = math.inf if high + k > size else float(slopes.sorted[high + k - 1])
    return float(slopes.sorted[min(low + k, size) - 1]), upper


def design_effect(x: np.ndarray, y: np.ndarray, slope: float, cluster: np.ndarray) -> float:
    """How much participants with several pairs inflate the variance of the ranks.

    The interval inverts Kendall's statistic between residual and place along the
    line. Each point's share of it is summed within participants; the ratio of the
    two sums of squares is the effect, not below 1.
    """
    rest, place = y - y[0] - slope * (x - x[0]), y - y[0] + slope * (x - x[0])
    share = np.array(
        [float(np.sign(rest - r) @ np.sign(place - p)) for r, p in zip(rest, place, strict=True)]
    )
    share -= share.mean()
    together = np.bincount(cluster, weights=share)
    alone, count, n = float(share @ share), len(together), len(x)
    if alone == 0 or count < 2:
        return 1.0
    small = count / (count - 1) * (n - 1) / n
    return max(1.0, small * float(together @ together) / alone)


def cusum(x: np.ndarray, y: np.ndarray, slope: float, intercept: float) -> float:
    """Largest excess of points on one side of the line, walking along it.

    Each point above scores sqrt(below / above), each point below
    -sqrt(above / below); the largest absolute sum, over the root of their number.
    """
    rest = (y - y[0]) - slope * (x - x[0]) - (intercept - y[0] + slope * x[0])
    grain = 16 * _EPS * max(np.abs(y).max(), abs(slope) * np.abs(x).max())
    side = np.where(np.abs(rest) <= grain, 0.0, np.sign(rest))
    walk = side[np.argsort((y - y[0]) + (x - x[0]) / slope, kind="stable")]
    above, below = int((walk > 0).sum()), int((walk < 0).sum())
    if not (above and below):
        return 0.0
    score = np.where(walk > 0, math.sqrt(below / above), -math.sqrt(above / below))
    return float(
        np.abs(np.cumsum(np.where(walk == 0, 0.0, score))).max() / math.sqrt(above + below)
    )


def intercept_of(x: np.ndarray, y: np.ndarray, slope: float) -> float:
    """Median of y - slope x; without end on the other side for an infinite slope."""
    if not math.isfinite(slope):
        return -slope
    return float(np.median((y - y[0]) - slope * (x - x[0])) + (y[0] - slope * x[0]))


def _estimates(pairs: Pairs, slope: float, limits: Limits, level: float) -> tuple[Estimate, ...]:
    build = pairs.estimate()
    x, y = pairs.first, pairs.second
    ends = sorted(intercept_of(x, y, b) for b in limits)
    method = _CLUSTERED if pairs.repeats else _RANKS
    return (
        build(
            "slope", slope, *limits, level=level, unit="1",
            method=f"shifted median of all slopes; {method}",
        ),
        build(
            "intercept", intercept_of(x, y, slope), *ends, level=level,
            unit=pairs.settings["unit"],
            method=f"median of y - slope x; from the limits of the slope, {method}",
        ),
    )  # fmt: skip


def _on_line(pairs: Pairs, slope: float) -> bool:
    """Whether more than two points lie on one line."""
    return len(pairs.first) > 2 and not off_line(pairs, slope).any()


def _cautions(pairs: Pairs, slope: float, limits: Limits) -> list[Caution]:
    found = []
    is_open = math.isinf(limits[0]) or math.isinf(limits[1])
    if is_open:
        message = (
            "A limit of the slope is infinite: the points are too few, or do not rise together, "
            "for the steepest slopes to be ruled out."
        )
        found.append(Caution("open_interval", message))
    tau = float(stats.kendalltau(pairs.first, pairs.second).statistic)
    if tau < _LOOSE:
        message = f"The points lie loosely about the line (Kendall's tau {tau:.2f}, below {_LOOSE})"
        if is_open:
            message += ": take neither slope nor intercept from them."
        else:
            message += (
                ": the interval of the intercept is then a little short (covered 93 % instead of "
                "95 %)."
            )
        found.append(Caution("loose_relation", message))
    if _on_line(pairs, slope):
        found.append(no_scatter())
    elif slope > 0:
        x, y = pairs.first, pairs.second
        excess = cusum(x, y, slope, intercept_of(x, y, slope))
        if excess > _CUSUM_BOUND:
            message = (
                f"Points above and below the line do not alternate along it (cusum {excess:.2f}, "
                f"bound {_CUSUM_BOUND}): the relation may be curved. Coarse values set this off "
                "too."
            )
            found.append(Caution("perhaps_not_linear", message))
    return found
