"""Deming regression: a line between two methods that both have error."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Unpack

import numpy as np
from scipy import stats

from cohortkit import checks
from cohortkit.agreement.intervals import Limits
from cohortkit.agreement.jackknife import NO_LIMITS, standard_errors, symmetric
from cohortkit.agreement.pairing import (
    MethodComparison,
    PairOptions,
    Pairs,
    paired,
    shared_cautions,
)
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.estimate import Caution

Line = tuple[float, float]
_ROUNDS = 500
_TOLERANCE = 1e-13
_JACKKNIFE = "delete-one-participant jackknife, t with two degrees of freedom fewer (Linnet 1990)"


def deming(
    data: Any,
    *,
    method: str = "read_mode",
    methods: Sequence[Any] | None = None,
    ratio: float | None = None,
    error: str | None = None,
    level: float = 0.95,
    missing: str = "stop",
    **options: Unpack[PairOptions],
) -> MethodComparison:
    """Line y = intercept + slope x between two methods that both err.

    Parameters
    ----------
    data, method, methods, level, missing
        As in `concordance`; the first method is x, the second y.
    ratio
        Error variance of y over that of x, the same at every point. None takes
        1. It is taken as known; repeated reads of each method tell it.
    error
        Column with the known standard error of each value. The fit is then
        weighted: it minimises sum w (y - a - b x)^2, w = 1 / (se_y^2 + b^2 se_x^2).
    **options
        Column names and unit, see `PairOptions`.

    Returns
    -------
    MethodComparison
        ``slope`` (1 if both methods step alike) and ``intercept``. Participants
        with several pairs are left out one participant at a time.

    Raises
    ------
    ArgumentError
        Both `ratio` and `error`, or a ratio that is not positive.
    EstimateError
        As `concordance`, and points that define no line.
    TableError
        Missing values, absent columns, errors that are not positive.

    Notes
    -----
    Constant ratio: Deming 1943. Weighted: York 1966; Ripley & Thompson 1987.
    """
    checks.proportion("level", level)
    lam = _checked_ratio(ratio, error)
    pairs = paired(
        data, method=method, methods=methods, missing=missing, options=options, error=error
    )
    (intercept, slope), limits = line_with_limits(pairs, lam, level)
    known = "weighted by known errors" if error else f"error variance ratio {lam:g}"
    estimates = []
    for name, value, unit in (
        ("slope", slope, "1"),
        ("intercept", intercept, pairs.settings["unit"]),
    ):
        low, high = limits[name]
        shown = math.nan if math.isnan(low) else level
        words = f"Deming regression, {known}; {_JACKKNIFE}"
        estimates.append(
            pairs.estimate()(name, value, low, high, level=shown, unit=unit, method=words)
        )
    return MethodComparison(
        question=f"How does {pairs.methods[1]} follow {pairs.methods[0]}? (Deming)",
        estimates=tuple(estimates),
        cautions=(
            *pairs.cautions,
            *shared_cautions(pairs),
            *_cautions(pairs, (intercept, slope), ratio, math.isnan(estimates[0].lower)),
        ),
        settings={
            **pairs.settings,
            "ratio": None if error else lam,
            "error": error,
            "level": level,
        },
        pairs=pairs.table(),
    )


def line_with_limits(pairs: Pairs, ratio: float, level: float) -> tuple[Line, dict[str, Limits]]:
    """Intercept and slope, and the limits of both by name.

    Weighted if the pairs have known errors, else with a constant `ratio`. No
    limits with fewer than three participants.
    """
    fit = _fitter(pairs, ratio)
    line = fit(np.arange(len(pairs.first)))
    if pairs.n_clusters < 3:
        return line, {"slope": NO_LIMITS, "intercept": NO_LIMITS}
    errors, _ = standard_errors(pairs.cluster, lambda rows: np.array(fit(rows)))
    quantile = float(stats.t.ppf((1 + level) / 2, pairs.n_clusters - 2))
    return line, {
        "intercept": symmetric(line[0], float(errors[0]), quantile),
        "slope": symmetric(line[1], float(errors[1]), quantile),
    }


def deming_line(x: np.ndarray, y: np.ndarray, ratio: float) -> Line:
    """Intercept and slope for a constant ratio of error variances.

    Raises
    ------
    EstimateError
        If the points define no line, or only a vertical one.
    """
    dx, dy = x - x[0], y - y[0]
    dx, dy = dx - dx.mean(), dy - dy.mean()
    sxx, syy, sxy = float(dx @ dx), float(dy @ dy), float(dx @ dy)
    balance = syy - ratio * sxx
    root = math.hypot(balance, 2 * math.sqrt(ratio) * sxy)
    # Two forms of one quadratic root; the other one cancels.
    above, below = (balance + root, 2 * sxy) if balance > 0 else (2 * ratio * sxy, root - balance)
    if below == 0:
        raise EstimateError(
            "The points define no line, or only a vertical one",
            found=f"{len(x)} points, spread of the first method {math.sqrt(sxx / len(x)):g}",
            next_step="look at the pairs: a line needs values that differ between subjects",
        )
    slope = above / below
    return _through_mean(x, y, slope, np.ones(len(x))), slope


def weighted_line(
    x: np.ndarray, y: np.ndarray, se_x: np.ndarray, se_y: np.ndarray, start: float | None = None
) -> Line:
    """Intercept and slope where the standard error of each value is known.

    York's iteration from `start`, by default the best of a grid of directions, so
    that it does not stop in a second minimum.

    Raises
    ------
    EstimateError
        If the iteration does not settle.
    """
    slope = _best_direction(x, y, se_x, se_y) if start is None else start
    dx, dy = x - x[0], y - y[0]
    vx, vy = se_x**2, se_y**2
    for _ in range(_ROUNDS):
        weight = 1 / (vy + slope**2 * vx)
        u = dx - weight @ dx / weight.sum()
        v = dy - weight @ dy / weight.sum()
        beta = weight * (u * vy + slope * v * vx)
        below = float(weight @ (beta * u))
        if below == 0:
            break
        new = float(weight @ (beta * v)) / below
        if abs(new - slope) <= _TOLERANCE * max(1.0, abs(new)):
            return _through_mean(x, y, new, 1 / (vy + new**2 * vx)), new
        slope = new
    raise EstimateError(
        "The weighted line did not settle",
        found=f"{len(x)} points",
        next_step="look at the pairs, or fit with a constant ratio of error variances",
    )


def weighted_sum_of_squares(
    x: np.ndarray, y: np.ndarray, se_x: np.ndarray, se_y: np.ndarray, slope: float
) -> float:
    """Sum of squared weighted distances from the best line of this slope."""
    weight = 1 / (se_y**2 + slope**2 * se_x**2)
    rest = (y - y[0]) - slope * (x - x[0])
    rest = rest - weight @ rest / weight.sum()
    return float(weight @ rest**2)


def _best_direction(x: np.ndarray, y: np.ndarray, se_x: np.ndarray, se_y: np.ndarray) -> float:
    unit = np.ptp(y) / np.ptp(x) if np.ptp(x) > 0 and np.ptp(y) > 0 else 1.0
    slopes = unit * np.tan(np.linspace(-np.pi / 2, np.pi / 2, 362)[1:-1])
    sums = [weighted_sum_of_squares(x, y, se_x, se_y, float(b)) for b in slopes]
    return float(slopes[int(np.argmin(sums))])


def _through_mean(x: np.ndarray, y: np.ndarray, slope: float, weight: np.ndarray) -> float:
    rest = (y - y[0]) - slope * (x - x[0])
    return float(weight @ rest / weight.sum() + (y[0] - slope * x[0]))


def _fitter(pairs: Pairs, ratio: float) -> Callable[[np.ndarray], Line]:
    x, y, se_x, se_y = pairs.first, pairs.second, pairs.first_error, pairs.second_error
    if se_x is None or se_y is None:
        return lambda rows: deming_line(x[rows], y[rows], ratio)
    _, whole = weighted_line(x, y, se_x, se_y)

    def fit(rows: np.ndarray) -> Line:
        return weighted_line(x[rows], y[rows], se_x[rows], se_y[rows], start=whole)

    return fit


def _checked_ratio(ratio: float | None, error: str | None) -> float:
    if ratio is not None and error is not None:
        raise ArgumentError(
            "Give either 'ratio' or 'error', not both",
            found=f"ratio={ratio!r}, error={error!r}",
            next_step="known errors of each value already fix every ratio",
        )
    if ratio is None:
        return 1.0
    if isinstance(ratio, (int, float)) and 0 < ratio < math.inf:
        return float(ratio)
    raise ArgumentError(
        "Argument 'ratio' is a positive number",
        found=repr(ratio),
        next_step="give the error variance of the second method over that of the first",
    )


def _cautions(
    pairs: Pairs, line: Line, ratio: float | None, without_interval: bool
) -> list[Caution]:
    found = []
    if without_interval:
        message = (
            "No interval exists: there are fewer than three participants, or no point leaves the "
            "line."
        )
        found.append(Caution("no_interval", message))
    if pairs.first_error is None or pairs.second_error is None:
        if ratio is None:
            message = (
                "Both methods are taken to err equally (ratio 1, not estimated). Give ratio=... if "
                "repeats of each method say otherwise."
            )
            found.append(Caution("error_ratio_assumed", message))
        return found
    n = len(pairs.first)
    size = weighted_sum_of_squares(
        pairs.first, pairs.second, pairs.first_error, pairs.second_error, line[1]
    )
    p = float(stats.chi2.sf(size, n - 2)) if n > 2 else 1.0
    if p < 0.05:
        message = (
            f"The points scatter more than the given errors allow (weighted sum of squares "
            f"{size:.1f} on {n - 2} degrees of freedom, p = {p:.2g})."
        )
        found.append(Caution("errors_larger_than_given", message))
    return found
