"""Deming regression: a line between two methods that both have error."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Unpack

import numpy as np
from scipy import stats

from cohortkit import checks
from cohortkit.agreement.deming_lines import (
    Line,
    deming_line,
    proportional_line,
    proportional_sizes,
    weighted_line,
    weighted_sum_of_squares,
)
from cohortkit.agreement.intervals import Limits
from cohortkit.agreement.jackknife import NO_LIMITS, standard_errors, symmetric
from cohortkit.agreement.pairing import (
    MethodComparison,
    PairOptions,
    Pairs,
    off_line,
    paired,
    shared_cautions,
)
from cohortkit.agreement.rounding import grain
from cohortkit.display import counted
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.estimate import Caution

SPREADS = ("constant", "proportional")
_SIGNIFICANT = 0.05
_JACKKNIFE = "delete-one-participant jackknife, t with two degrees of freedom fewer (Linnet 1990)"


def deming(
    data: Any,
    *,
    method: str = "read_mode",
    methods: Sequence[Any] | None = None,
    ratio: float | None = None,
    error: str | None = None,
    spread: str = "constant",
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
    spread
        Of the errors, where they are not known: ``"constant"``, or
        ``"proportional"`` to the true size, as with a constant coefficient of
        variation; values then have to be above zero.
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
        Both `ratio` and `error`, a ratio that is not positive, `error` and a
        proportional spread.
    EstimateError
        As `concordance`; points that define no line; values at or below zero where
        the spread is proportional to them.
    TableError
        Missing values, absent columns, errors that are not positive.

    Notes
    -----
    Constant ratio: Deming 1943. Weighted by known errors: York 1966; Ripley &
    Thompson 1987. Proportional: the closed form of the constant ratio with weights
    1 / h^2, where h is the mean of both true values as the line has them; weights and
    line in turn until they agree (Linnet 1990, 1993).
    """
    checks.proportion("level", level)
    checks.one_of("spread", spread, SPREADS)
    lam = _checked_ratio(ratio, error, spread)
    pairs = paired(
        data, method=method, methods=methods, missing=missing, options=options, error=error
    )
    (intercept, slope), limits = line_with_limits(pairs, lam, level, spread)
    known = "weighted by known errors" if error else f"error variance ratio {lam:g}"
    known += "" if spread == "constant" else ", errors in proportion to size (Linnet 1993)"
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
            *_spread_caution(pairs, (intercept, slope), lam, spread),
        ),
        settings={
            **pairs.settings,
            "ratio": None if error else lam,
            "error": error,
            "spread": None if error else spread,
            "level": level,
        },
        pairs=pairs.table(),
    )


def line_with_limits(
    pairs: Pairs, ratio: float, level: float, spread: str = "constant"
) -> tuple[Line, dict[str, Limits]]:
    """Intercept and slope, and the limits of both by name.

    Weighted if the pairs have known errors, else with a constant `ratio` and errors
    of constant or proportional `spread`. No limits with fewer than three
    participants, or where every point lies on the line.
    """
    fit = _fitter(pairs, ratio, spread)
    line = fit(np.arange(len(pairs.first)))
    if pairs.n_clusters < 3 or not off_line(pairs, line[1]).any():
        return line, {"slope": NO_LIMITS, "intercept": NO_LIMITS}
    errors, _ = standard_errors(pairs.cluster, lambda rows: np.array(fit(rows)))
    quantile = float(stats.t.ppf((1 + level) / 2, pairs.n_clusters - 2))
    return line, {
        "intercept": symmetric(line[0], float(errors[0]), quantile),
        "slope": symmetric(line[1], float(errors[1]), quantile),
    }


def _fitter(pairs: Pairs, ratio: float, spread: str) -> Callable[[np.ndarray], Line]:
    x, y, se_x, se_y = pairs.first, pairs.second, pairs.first_error, pairs.second_error
    if spread == "proportional":
        _above_zero(pairs)
        return lambda rows: proportional_line(x[rows], y[rows], ratio)
    if se_x is None or se_y is None:
        return lambda rows: deming_line(x[rows], y[rows], ratio)
    _, whole = weighted_line(x, y, se_x, se_y)

    def fit(rows: np.ndarray) -> Line:
        return weighted_line(x[rows], y[rows], se_x[rows], se_y[rows], start=whole)

    return fit


def _above_zero(pairs: Pairs) -> None:
    both = np.concatenate([pairs.first, pairs.second])
    if (both <= 0).any():
        raise EstimateError(
            "Errors in proportion to size need values above zero",
            found=f"{int((both <= 0).sum())} of {counted(len(both), 'value')} at or below zero",
            next_step="leave out spread=, or give the known error of each value as error=",
        )


def _checked_ratio(ratio: float | None, error: str | None, spread: str) -> float:
    if error is not None and spread != "constant":
        raise ArgumentError(
            "Give either 'error' or a proportional 'spread', not both",
            found=f"error={error!r}, spread={spread!r}",
            next_step="known errors of each value already say how they grow",
        )
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


def _spread_caution(pairs: Pairs, line: Line, ratio: float, spread: str) -> list[Caution]:
    """Whether distances from the line change with size in another way than was assumed."""
    if pairs.first_error is not None or pairs.n_clusters < 4:
        return []
    size = proportional_sizes(pairs.first, pairs.second, line, ratio)
    off = off_line(pairs, line[1])
    if not off.any():
        return []
    off = np.abs(off + (pairs.second[0] - line[1] * pairs.first[0] - line[0]))
    off = off / size if spread == "proportional" else off
    count = np.bincount(pairs.cluster)
    size, off = (np.bincount(pairs.cluster, a) / count for a in (size, off))
    if np.ptp(size) == 0 or np.ptp(off) <= grain(pairs.first, pairs.second):
        return []
    growth = stats.linregress(size, off)
    if not growth.pvalue < _SIGNIFICANT:
        return []
    if spread == "proportional":
        message = (
            f"Measured by their size, {'larger' if growth.slope > 0 else 'smaller'} values lie "
            f"further from the line (p = {growth.pvalue:.2g}): errors are not in proportion to "
            "size. Give the error of each value as error=..., or take constant errors."
        )
        return [Caution("spread_not_proportional", message)]
    message = (
        f"{'Larger' if growth.slope > 0 else 'Smaller'} values lie further from the line "
        f"(p = {growth.pvalue:.2g}), and one error was taken for all."
    )
    if growth.slope > 0 and min(pairs.first.min(), pairs.second.min()) > 0:
        message += " spread='proportional' takes errors that grow with size."
    return [Caution("spread_depends_on_size", message)]
