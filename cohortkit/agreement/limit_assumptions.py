"""Do limits of agreement suit these differences? The three checks, ready to be drawn."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit import checks
from cohortkit.agreement.limit_checks import CHECKS
from cohortkit.agreement.limits import AgreementLimits
from cohortkit.agreement.limits_with_mean import MeanLimits
from cohortkit.display import counted
from cohortkit.errors import EstimateError
from cohortkit.estimate import Estimate, Result

NAMES = dict(zip(CHECKS, ("difference_slope", "spread_slope", "normality_w"), strict=True))
FAILED = ("difference_depends_on_size", "spread_depends_on_size", "differences_not_normal")
_POINTS = 25
_DRAWS = 10_000
_CELLS = 4_000_000  # simulated values held at once


@dataclass(frozen=True, repr=False, eq=False)
class LimitAssumptions(Result):
    """Slope of the difference, slope of its spread, and how normal the differences are.

    `points` has one row per participant (mean, difference, distance from the fitted
    line); `lines` the fitted lines with their bands (check, mean, value, lower, upper);
    `quantiles` the normal plot with its band (expected, observed, lower, upper);
    `checks` the numbers with their p values (check, estimate, p_value, n).
    """

    points: pd.DataFrame = field(default_factory=pd.DataFrame)
    lines: pd.DataFrame = field(default_factory=pd.DataFrame)
    quantiles: pd.DataFrame = field(default_factory=pd.DataFrame)
    checks: pd.DataFrame = field(default_factory=pd.DataFrame)


def limit_assumptions(
    limits: AgreementLimits | MeanLimits, *, level: float = 0.95, seed: int = 0
) -> LimitAssumptions:
    """What limits of agreement take for granted, as numbers, lines and a normal plot.

    Parameters
    ----------
    limits
        A result of any limits of agreement. Takes no readings.
    level
        Coverage of the intervals of the slopes and of the bands.
    seed
        Of the simulated band of the normal plot.

    Returns
    -------
    LimitAssumptions
        ``difference_slope`` (difference on the mean), ``spread_slope`` (distance from
        that line on the mean; with limits about the mean of all raters, the SD of a
        subject's readings) and ``normality_w`` (Shapiro-Wilk, from 8 to 5,000
        participants, without interval). What cannot be asked has no estimate.

    Raises
    ------
    EstimateError
        If nothing can be checked: fewer than four participants, or means or
        differences that are all equal.

    Notes
    -----
    One point per participant, the mean of their pairs, so that points are independent.
    Slopes by least squares with t intervals. The band of the normal plot holds all
    points at once in the share `level` of samples of normal differences (Aldor-Noiman
    et al. 2013), by simulation, with mean and SD estimated.
    """
    checks.proportion("level", level)
    points = _points(limits)
    lines, estimates = [], []
    for name, interval, curve in _slopes(points, level):
        lines.append(curve.assign(check=name))
        estimates.append(_estimate(limits, points, NAMES[name], interval, level))
    w = limits.checks.set_index("check")["estimate"][CHECKS[2]]
    if np.isfinite(w):
        nothing = (float(w), math.nan, math.nan)
        estimates.append(_estimate(limits, points, NAMES[CHECKS[2]], nothing, math.nan))
    if not estimates:
        raise EstimateError(
            "The assumptions of these limits cannot be checked",
            found=f"{counted(len(points), 'participant')}, means from {points['mean'].min():g} to "
            f"{points['mean'].max():g}",
            next_step="a line needs four participants with different means and differences",
        )
    return LimitAssumptions(
        question="Do limits of agreement suit these differences?",
        estimates=tuple(estimates),
        cautions=tuple(c for c in limits.cautions if c.code in FAILED),
        settings={**limits.settings, "level": level, "seed": seed},
        points=points,
        lines=pd.concat(lines, ignore_index=True) if lines else pd.DataFrame(),
        quantiles=quantile_band(limits.quantiles, level, seed),
        checks=limits.checks,
    )


def _points(limits: AgreementLimits | MeanLimits) -> pd.DataFrame:
    """One row per participant: mean, difference, and distance from the fitted line."""
    if isinstance(limits, MeanLimits):
        by = limits.deviations.groupby("subject", sort=True)
        spread = np.sqrt(by["deviation"].agg(lambda d: (d**2).sum() / (len(d) - 1)))
        table = pd.DataFrame({"mean": by["mean"].first(), "difference": np.nan})
        owner = by["participant"].first()
        owner = owner.where(owner.notna(), owner.index.to_series())
        table = table.assign(distance=spread).groupby(owner.to_numpy(), sort=True).mean()
        return table.reset_index(drop=True)
    owner = limits.pairs["participant"]
    owner = owner.where(owner.notna(), limits.pairs["subject"])
    table = limits.pairs.groupby(owner.to_numpy(), sort=True)[["mean", "difference"]].mean()
    table = table.reset_index(drop=True)
    x, y = table["mean"].to_numpy(), table["difference"].to_numpy()
    if len(table) < 3 or np.ptp(x) == 0:
        return table.assign(distance=np.nan)
    line = stats.linregress(x - x.mean(), y)
    return table.assign(distance=np.abs(y - line.intercept - line.slope * (x - x.mean())))


def _slopes(
    points: pd.DataFrame, level: float
) -> Iterator[tuple[str, tuple[float, float, float], pd.DataFrame]]:
    """Name of the check, slope with its limits, and the line with its band, where there is one."""
    for name, column in zip(CHECKS, ("difference", "distance"), strict=False):
        y = points[column].to_numpy()
        if len(points) > 3 and np.ptp(points["mean"]) > 0 and np.ptp(y) > 0:
            slope, curve = fitted_line(points["mean"].to_numpy(), y, level)
            yield name, slope, curve


def fitted_line(
    x: np.ndarray, y: np.ndarray, level: float
) -> tuple[tuple[float, float, float], pd.DataFrame]:
    """Slope with its t limits, and the least-squares line with its band over the range of x.

    Returns
    -------
    tuple
        (slope, lower, upper), and a table mean, value, lower, upper.
    """
    n, centre = len(x), x.mean()
    line = stats.linregress(x - centre, y)
    t = float(stats.t.ppf((1 + level) / 2, n - 2))
    at = np.linspace(x.min(), x.max(), _POINTS)
    value = line.intercept + line.slope * (at - centre)
    half = t * np.hypot(line.intercept_stderr, line.stderr * (at - centre))
    curve = pd.DataFrame({"mean": at, "value": value, "lower": value - half, "upper": value + half})
    slope = float(line.slope)
    return (slope, slope - t * float(line.stderr), slope + t * float(line.stderr)), curve


def quantile_band(quantiles: pd.DataFrame, level: float, seed: int) -> pd.DataFrame:
    """A normal plot with the band that holds all its points at once in `level` of samples.

    Parameters
    ----------
    quantiles
        expected, observed, as `limit_checks.normal_quantiles` makes them.
    level
        Share of samples of independent normal values that stay inside everywhere.
    seed
        Of the simulated samples.

    Returns
    -------
    pandas.DataFrame
        expected, observed, lower, upper; no band with fewer than four points or where
        all are equal.
    """
    n = len(quantiles)
    if n < 4 or np.ptp(quantiles["observed"]) == 0:
        return quantiles.assign(lower=np.nan, upper=np.nan)
    low, high = _standard_band(n, level, seed)
    observed = quantiles["observed"]
    centre, spread = observed.mean(), observed.std(ddof=1)
    return quantiles.assign(lower=centre + spread * low, upper=centre + spread * high)


def _standard_band(n: int, level: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Band of n sorted normal values, less their mean and over their SD.

    The same tail is cut off at every place; it is the largest with which the share
    `level` of the samples has no value in any tail.
    """
    draws = max(1_000, min(_DRAWS, _CELLS // n))
    sample = np.sort(np.random.default_rng(seed).standard_normal((draws, n)), axis=1)
    sample -= sample.mean(axis=1, keepdims=True)
    sample /= sample.std(axis=1, ddof=1, keepdims=True)
    order = np.sort(sample, axis=0)
    rank = np.empty(sample.shape, dtype=np.int64)
    np.put_along_axis(rank, sample.argsort(axis=0), np.arange(draws)[:, None], axis=0)
    outermost = np.minimum(rank, draws - 1 - rank).min(axis=1)
    cut = int(np.quantile(outermost, 1 - level, method="lower"))
    return order[cut], order[draws - 1 - cut]


def _estimate(
    limits: AgreementLimits | MeanLimits,
    points: pd.DataFrame,
    name: str,
    found: tuple[float, float, float],
    level: float,
) -> Estimate:
    """A check as an estimate, with the n of the limits that it is about."""
    first = next(iter(limits))
    value, lower, upper = found
    words: dict[str, Any] = {
        "difference_slope": "difference on the mean, least squares over participants; t interval",
        "spread_slope": "distance from that line on the mean, least squares over participants; "
        "t interval",
        "normality_w": "Shapiro-Wilk's W of the participants' differences; no interval",
    }
    return replace(
        first, name=name, value=value, lower=lower, upper=upper, level=level, unit="1", group="",
        method=words[name], n_participants=len(points),
    )  # fmt: skip
