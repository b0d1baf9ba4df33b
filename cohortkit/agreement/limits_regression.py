"""Limits of agreement as lines: where the difference, or its spread, changes with size."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Unpack

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit import checks
from cohortkit.agreement.intervals import Limits, chi_square_sd
from cohortkit.agreement.limit_checks import (
    assumption_checks,
    by_participant,
    check_cautions,
    normal_quantiles,
)
from cohortkit.agreement.limit_components import (
    Total,
    bias_half,
    bootstrap_intervals,
    limit_interval,
    variance_limits,
)
from cohortkit.agreement.limit_levels import line
from cohortkit.agreement.limit_reads import Linked, ReadOptions, between, linked
from cohortkit.agreement.limits import AgreementLimits
from cohortkit.agreement.limits_clustered import How, checked, spread_cautions
from cohortkit.agreement.rounding import grain
from cohortkit.display import counted
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.estimate import Caution, Estimate

SPREADS = ("constant", "changing")
FEW_FOR_SLOPE = 60
_HALF_NORMAL = math.sqrt(math.pi / 2)
_POINTS = 41
_EXACT = "exact interval (non-central t about a regression line), one pair per participant"
_T = "least squares; t interval"
_COMPONENTS = "interval from variance components about the line (Zou 2013)"
_BOOTSTRAP = "participant bootstrap, expanded percentiles (Hesterberg 2015)"


@dataclass(frozen=True, repr=False, eq=False)
class RegressionLimits(AgreementLimits):
    """Lines of bias and limits; `curve` holds them over the range of the means.

    `curve` has columns mean, bias, lower_limit, upper_limit and the limits of the
    interval of each: bias_low, bias_high, lower_limit_low, lower_limit_high,
    upper_limit_low, upper_limit_high.
    """

    curve: pd.DataFrame = field(default_factory=pd.DataFrame)


def limits_regression(
    data: Any,
    *,
    at: Sequence[float] | None = None,
    spread: str = "changing",
    raters: Sequence[Any] | None = None,
    level: float = 0.95,
    coverage: float = 0.95,
    **options: Unpack[ReadOptions],
) -> RegressionLimits:
    """Limits of agreement that change with the size of what is measured.

    Parameters
    ----------
    data
        One row per read, as for `limits_clustered`: one read by each rater per
        subject, any number of subjects per participant. Not differences.
    at
        Sizes, as the mean of the two reads, at which limits are reported. None takes
        the quartiles of the means.
    spread
        ``"changing"``: the SD of the differences is a line too. ``"constant"``: one
        SD about the line of the bias.
    raters
        The two raters, first minus second. None if the table holds just two.
    level, coverage
        Coverage of each interval, and share of differences the limits are to hold.
    **options
        Column names, unit, missing, n_boot, seed: see `ReadOptions`.

    Returns
    -------
    RegressionLimits
        ``slope`` and ``intercept`` of the difference on the mean; ``residual_sd``
        (constant) or ``spread_slope`` and ``spread_intercept`` of the absolute
        residual on the mean (changing); ``bias, lower_limit, upper_limit`` at each
        size (group ``mean=...``); and the lines as `curve`.

    Raises
    ------
    ArgumentError
        A size outside the means seen: the lines are not drawn beyond them.
    EstimateError
        Fewer than four pairs, or all means equal; and what `limits_clustered` raises.
    TableError
        Missing values or absent columns.

    Notes
    -----
    D on A by least squares, then |residual| on A; SD(A) = sqrt(pi / 2) times the
    fitted absolute residual (Bland & Altman 1999, section 3.2). With constant spread
    and one pair per participant the intervals are exact given the means: the t and,
    for the limits, the non-central t with n - 2 degrees of freedom. With constant spread
    and several pairs per participant they come from the variances about the line between
    and within participants (and fingers). With changing spread participants are
    resampled.
    """
    how = checked(coverage, level, "components")
    checks.one_of("spread", spread, SPREADS)
    pairs = linked(data, raters, options)
    if len(pairs.first) < 4 or np.ptp(pairs.table["mean"]) == 0:
        raise EstimateError(
            "A line needs at least four pairs, of different means",
            found=counted(len(pairs.first), "pair"),
            next_step="use limits_of_agreement, or add readings",
        )
    sizes = _sizes(at, pairs.table["mean"].to_numpy(), str(pairs.reads.settings["unit"]))
    grid = np.linspace(pairs.table["mean"].min(), pairs.table["mean"].max(), _POINTS)
    lines = _Lines(pairs, how, spread, sizes, grid)
    limits, failed = lines.limits()
    unit = str(pairs.reads.settings["unit"])
    found, scaled = _checked(lines)
    two = pairs.reads.settings["raters"]
    return RegressionLimits(
        question=f"How far apart are two reads, by size? ({two[0]} minus {two[1]})",
        estimates=between(_estimates(lines, limits, unit), two),
        cautions=(
            *pairs.reads.cautions,
            *spread_cautions(
                lines.participants, float(lines.rest.any()), failed, how, several=lines.several
            ),
            *_line_cautions(lines, found, unit),
        ),
        settings={
            **pairs.reads.settings,
            "at": sizes.tolist(),
            "spread": spread,
            "level": level,
            "coverage": coverage,
        },
        pairs=pairs.table.assign(difference=lines.base + lines.rest),
        checks=found,
        quantiles=normal_quantiles(scaled),
        curve=_curve(lines, limits, grid),
    )


def lines_at(
    mean: np.ndarray, difference: np.ndarray, at: np.ndarray, z: float, *, changing: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients, and bias and limits at sizes; arrays of n pairs on the last axis.

    Returns
    -------
    tuple
        Coefficients (..., 4): slope, intercept, and slope and intercept of the
        absolute residual, or 0 and the residual SD. And (..., 3, m): bias, lower and
        upper limit; NaN limits where the fitted spread is negative.
    """
    slope, intercept = _least_squares(mean, difference)
    residual = difference - intercept[..., None] - slope[..., None] * mean
    if changing:
        growth, start = _least_squares(mean, np.abs(residual))
        sd = _HALF_NORMAL * (start[..., None] + growth[..., None] * at)
    else:
        start = np.sqrt((residual**2).sum(axis=-1) / (mean.shape[-1] - 2))
        growth = np.zeros_like(start)
        sd = start[..., None] * np.ones_like(at)
    sd = np.where(sd < 0, np.nan, sd)
    bias = intercept[..., None] + slope[..., None] * at
    found = np.stack([bias, bias - z * sd, bias + z * sd], axis=-2)
    return np.stack([slope, intercept, growth, start], axis=-1), found


def regression_factors(n: int, h: np.ndarray, z: float, level: float) -> np.ndarray:
    """Factors f with which fit + f s are exact limits of line + z sigma, shape (m, 2).

    `h` is the standard error of the fit over sigma: (line + z sigma - fit) / (s h)
    is non-central t with n - 2 degrees of freedom and non-centrality z / h.
    """
    tails = [(1 - level) / 2, (1 + level) / 2]
    t = np.stack([stats.nct.ppf(p, n - 2, abs(z) / h) for p in tails], axis=-1) * h[:, None]
    return t if z >= 0 else -t[:, ::-1]


def _least_squares(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    cx = x.mean(axis=-1, keepdims=True)
    cy = y.mean(axis=-1, keepdims=True)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = ((x - cx) * (y - cy)).sum(axis=-1) / ((x - cx) ** 2).sum(axis=-1)
    return slope, cy[..., 0] - slope * cx[..., 0]


class _Lines:
    """The fit on all pairs, and the three ways to its intervals."""

    def __init__(
        self, pairs: Linked, how: How, spread: str, sizes: np.ndarray, grid: np.ndarray
    ) -> None:
        at = np.concatenate([sizes, grid])
        self.pairs, self.how, self.at, self.n_sizes = pairs, how, at, len(sizes)
        self.changing = spread == "changing"
        self.mean = pairs.table["mean"].to_numpy()
        self.base, self.rest = pairs.apart()
        self.coefficients, self.found = lines_at(
            self.mean, self.rest, at, how.z, changing=self.changing
        )
        self.coefficients[1] += self.base
        self.found += self.base
        self.participants = len(np.unique(pairs.cluster))
        self.several = self.participants < len(pairs.cluster)
        self.line = None
        self.kind = "bootstrap"
        off = pairs.difference - self.coefficients[1] - self.coefficients[0] * self.mean
        if np.ptp(off) <= grain(pairs.first, pairs.second):
            self.kind = "none"
            self.coefficients[2:], self.found[1:] = 0.0, self.found[0]
        elif not self.changing and not self.several:
            self.kind = "exact"
        elif not self.changing:
            self.line = line(self.mean, pairs.difference, pairs.cluster, pairs.finger)
        if self.line is not None:
            self.kind = "components"
            sd = math.sqrt(max(float(self.line.at(at[:1]).variance), 0.0))
            self.coefficients[3] = sd
            self.found[1:] = self.found[0] + np.array([[-1.0], [1.0]]) * how.z * sd

    def limits(self) -> tuple[list[Limits], int]:
        """Limits of all values, and in how many resamples there was none."""
        if self.kind == "none":
            return self._none(), 0
        if self.kind == "exact":
            return self.exact(), 0
        return (self.components(), 0) if self.kind == "components" else self.bootstrap()

    def values(self) -> np.ndarray:
        """All numbers in one row: four coefficients, then bias and limits at the sizes."""
        return np.concatenate([self.coefficients, self.found.ravel()])

    def exact(self) -> list[Limits]:
        """Exact intervals given the means."""
        n, level = len(self.mean), self.how.level
        slope, intercept, _, sd = (float(c) for c in self.coefficients)
        squares = ((self.mean - self.mean.mean()) ** 2).sum()
        t = float(stats.t.ppf((1 + level) / 2, n - 2))
        slope_half = t * sd / math.sqrt(squares)
        start_half = t * sd * math.sqrt(1 / n + self.mean.mean() ** 2 / squares)
        h = np.sqrt(1 / n + (self.at - self.mean.mean()) ** 2 / squares)
        bands = [(self.found[0] - t * sd * h, self.found[0] + t * sd * h)]
        for side in (-1, 1):
            factors = regression_factors(n, h, side * self.how.z, level)
            bands.append((self.found[0] + factors[:, 0] * sd, self.found[0] + factors[:, 1] * sd))
        ends = [(float(a), float(b)) for low, high in bands for a, b in zip(low, high, strict=True)]
        return [
            (slope - slope_half, slope + slope_half),
            (intercept - start_half, intercept + start_half),
            (math.nan, math.nan),
            chi_square_sd(sd**2 * (n - 2), n - 2, level),
            *ends,
        ]

    def _none(self) -> list[Limits]:
        return [(math.nan, math.nan)] * len(self.values())

    def components(self) -> list[Limits]:
        """Intervals from the variances about the line, between and within participants."""
        level, sd = self.how.level, float(self.coefficients[3])
        if self.line is None or sd == 0:
            return self._none()
        total = self.line.at(self.at)
        ends = [
            *_about(total, level),
            *_both(limit_interval(total, -self.how.z, level)),
            *_both(limit_interval(total, self.how.z, level)),
        ]
        slope, intercept = (
            _about(self.line.at(np.array([x]), slope_only=only), level)[0]
            for x, only in ((1.0, True), (0.0, False))
        )
        low, high = (math.sqrt(max(float(v), 0.0)) for v in variance_limits(total, level))
        return [slope, intercept, (math.nan, math.nan), (low, high), *ends]

    def bootstrap(self) -> tuple[list[Limits], int]:
        """Intervals by resampling participants."""

        def statistic(rows: np.ndarray) -> np.ndarray:
            parts = lines_at(
                self.mean[rows],
                self.pairs.difference[rows],
                self.at,
                self.how.z,
                changing=self.changing,
            )
            return np.concatenate([parts[0], parts[1].ravel()])

        settings = self.pairs.reads.settings
        limits, undefined = bootstrap_intervals(
            statistic, self.pairs.cluster, self.how.level, settings["n_boot"], settings["seed"]
        )
        reported = undefined[4:].reshape(3, -1)[:, : self.n_sizes]
        return limits, int(reported.max())


def _both(ends: tuple[np.ndarray, np.ndarray]) -> list[Limits]:
    return [(float(a), float(b)) for a, b in zip(*ends, strict=True)]


def _about(total: Total, level: float) -> list[Limits]:
    half = bias_half(total, level)
    return _both((total.bias - half, total.bias + half))


def _checked(lines: _Lines) -> tuple[pd.DataFrame, np.ndarray]:
    """The checks, and the residual of each participant in SDs at its size.

    What has to be normal is the distance from the line, measured by the spread there.
    """
    pairs = lines.pairs
    mean, difference = by_participant(pairs.table.assign(difference=lines.rest), pairs.cluster)
    found = assumption_checks(mean, difference)
    if lines.kind == "none":
        found.loc[1:, ["estimate", "p_value"]] = np.nan
        return found, np.zeros(len(mean))
    _, (bias, _, above) = lines_at(
        lines.mean, pairs.difference, lines.mean, 1.0, changing=lines.changing
    )
    sd = above - bias
    with np.errstate(invalid="ignore", divide="ignore"):
        scaled = pairs.table.assign(difference=(pairs.difference - bias) / sd)
    _, residual = by_participant(scaled, pairs.cluster)
    residual = residual[np.isfinite(residual)]
    shape = assumption_checks(np.arange(len(residual)), residual).iloc[2:]
    return pd.concat([found.iloc[:2], shape], ignore_index=True), residual


def _sizes(at: Sequence[float] | None, mean: np.ndarray, unit: str) -> np.ndarray:
    if at is None:
        return np.quantile(mean, [0.25, 0.5, 0.75])
    sizes = np.asarray(list(at), dtype=float)
    beyond = sizes[~((sizes >= mean.min()) & (sizes <= mean.max()))]
    if len(beyond) or not len(sizes):
        raise ArgumentError(
            "Limits are reported only at sizes between the smallest and the largest mean seen",
            found=", ".join(f"{x:g}" for x in beyond) or "no size",
            next_step=f"give sizes from {mean.min():g} to {mean.max():g} {unit}",
        )
    return sizes


def _estimates(lines: _Lines, limits: list[Limits], unit: str) -> tuple[Estimate, ...]:
    counts = lines.pairs.reads.counts()
    build: Any = partial(Estimate, level=lines.how.level, **counts)
    way, of_sd, of_limit = {
        "exact": (_T, "chi-square interval", _EXACT),
        "components": (
            "least squares; t interval, errors from variance components by participant",
            _COMPONENTS,
            _COMPONENTS,
        ),
        "bootstrap": (f"least squares; {_BOOTSTRAP}", _BOOTSTRAP, _BOOTSTRAP),
        "none": ("least squares; no interval",) + ("no interval",) * 2,
    }[lines.kind]
    slope, intercept, growth, start = (float(c) for c in lines.coefficients)
    found = [
        build("slope", slope, *limits[0], unit="1", method=f"difference on mean, {way}"),
        build("intercept", intercept, *limits[1], unit=unit, method=f"difference on mean, {way}"),
    ]
    if lines.changing:
        words = f"absolute residual on mean, {way}"
        found += [
            build("spread_slope", growth, *limits[2], unit="1", method=words),
            build("spread_intercept", start, *limits[3], unit=unit, method=words),
        ]
    else:
        words = f"SD about the line; {of_sd}"
        found.append(build("residual_sd", start, *limits[3], unit=unit, method=words))
    share = f"{100 * lines.how.coverage:g} % limit at this size"
    methods = (
        f"line of the difference; {way}",
        *[f"{share}; {of_limit}"] * 2,
    )
    m = len(lines.at)
    for i in range(lines.n_sizes):
        for j, name in enumerate(("bias", "lower_limit", "upper_limit")):
            pair = limits[4 + j * m + i]
            value = float(lines.found[j, i])
            pair = pair if math.isfinite(value) else (math.nan, math.nan)
            group = f"mean={lines.at[i]:.4g}"
            found.append(build(name, value, *pair, unit=unit, method=methods[j], group=group))
    return tuple(found)


def _curve(lines: _Lines, limits: list[Limits], grid: np.ndarray) -> pd.DataFrame:
    m, skip = len(lines.at), len(lines.at) - len(grid)
    ends = np.array(limits[4:]).reshape(3, m, 2)[:, skip:]
    curve = pd.DataFrame({"mean": grid})
    for j, name in enumerate(("bias", "lower_limit", "upper_limit")):
        curve[name] = lines.found[j, skip:]
        curve[f"{name}_low"], curve[f"{name}_high"] = ends[j, :, 0], ends[j, :, 1]
    return curve


def _line_cautions(lines: _Lines, found: pd.DataFrame, unit: str) -> tuple[Caution, ...]:
    unseen = {"exact": "pairs", "components": "several"}.get(lines.kind, "")
    said = {c.code: c for c in check_cautions(found, unit, unseen)}
    out = [said[code] for code in ("normality_unseen", "differences_not_normal") if code in said]
    if lines.kind == "none" and lines.rest.any():
        message = (
            "Every difference lies on the line, so no interval can be computed; the error is "
            "smaller than the rounding of the values, not zero."
        )
        out.append(Caution("no_spread", message))
    if not lines.changing and "spread_depends_on_size" in said:
        message = (
            "The spread about the line changes with size, and one SD was used: pass "
            "spread='changing'."
        )
        out.append(Caution("spread_depends_on_size", message))
    if lines.kind == "bootstrap" and lines.participants < FEW_FOR_SLOPE:
        message = (
            f"{lines.participants} participants were resampled: the 95 % interval of the slope "
            "covered 93 % with 30 participants of two fingers each, those of bias and limits 96 %."
        )
        out.append(Caution("few_for_bootstrap", message))
    if np.isnan(lines.found[1:]).any():
        message = (
            "The fitted spread is negative at one end of the sizes seen, so there are no limits "
            "there: a straight line does not suit the spread."
        )
        out.append(Caution("negative_spread", message))
    out.append(
        Caution(
            "means_hold_error",
            "The mean of two reads holds their error: raters whose errors differ in size give a "
            "slope without any bias that grows (Bland & Altman 1995). deming and passing_bablok "
            "ask about a line between methods.",
        )
    )
    return tuple(out)
