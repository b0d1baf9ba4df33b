"""Lin's concordance: how close pairs of values lie to the line of identity."""

from __future__ import annotations

import math
from collections.abc import Sequence
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
    coarseness,
    no_scatter,
    off_line,
    paired,
    shared_cautions,
)
from cohortkit.estimate import Caution, Estimate

NAMES = ("concordance", "precision", "bias_correction", "scale_shift", "location_shift")
_WORDS = {
    "concordance": "Lin's concordance (Lin 1989, variances with divisor n)",
    "precision": "Pearson correlation",
    "bias_correction": "concordance over precision",
    "scale_shift": "SD of the second method over SD of the first",
    "location_shift": "mean of second minus first, over the geometric mean of the two SDs",
}
_SOURCES = {
    "concordance": "Fisher z interval with Lin's variance, divisor n - 2 (Lin 1989, 2000)",
    "precision": "Fisher z interval (Fisher 1921)",
    "scale_shift": "exact interval of a ratio of paired variances (Pitman 1939; Morgan 1939)",
    "location_shift": "delete-one jackknife, t interval",
}
_UNRELATED = "they are not shown to agree at all"
_COARSE = 0.25  # step over SD
_EDGE = "no interval: at its edge of 1 neither jackknife nor bootstrap holds; see the two shifts"
_CLUSTERED = "delete-one-participant jackknife, t interval"
_SCALE = {
    "concordance": " on the Fisher z scale",
    "precision": " on the Fisher z scale",
    "scale_shift": " on the log scale",
    "location_shift": "",
}


def concordance(
    data: Any,
    *,
    method: str = "read_mode",
    methods: Sequence[Any] | None = None,
    level: float = 0.95,
    missing: str = "stop",
    **options: Unpack[PairOptions],
) -> MethodComparison:
    """Agreement of two methods with the line of identity, split into precision and bias.

    Parameters
    ----------
    data
        One row per subject and method: a table or an analysis set. Takes values,
        not differences.
    method
        Column that says which method a value comes from.
    methods
        The two methods: the first is x, the second y. None if the table holds
        just two (then in sorted order).
    level
        Coverage of each interval.
    missing
        ``"stop"``, or ``"drop"`` to leave out missing values and subjects without
        a partner, and count them.
    **options
        Column names and unit, see `PairOptions`.

    Returns
    -------
    MethodComparison
        ``concordance`` = ``precision`` x ``bias_correction``; ``scale_shift`` and
        ``location_shift`` say what the bias consists of. Participants with several
        pairs are allowed: all intervals are then by delete-one-participant
        jackknife.

    Raises
    ------
    EstimateError
        Fewer than two pairs, several values in a cell, several pulleys or load
        states at once, more than two methods and none named.
    TableError
        Missing values or absent columns.

    Notes
    -----
    2 s_xy / (s_x^2 + s_y^2 + (mean y - mean x)^2). Like every correlation it grows
    with the spread of the subjects: read the limits of agreement beside it.
    """
    checks.proportion("level", level)
    pairs = paired(data, method=method, methods=methods, missing=missing, options=options)
    values = dict(zip(NAMES, components(pairs.first, pairs.second).tolist(), strict=True))
    if not math.isnan(values["precision"]):
        values["precision"] = _snapped(pairs, values)
    limits = limits_of_components(pairs, values, level)
    return MethodComparison(
        question=f"Do {pairs.methods[0]} and {pairs.methods[1]} give the same value?",
        estimates=_estimates(pairs, values, limits, level),
        cautions=(*pairs.cautions, *shared_cautions(pairs, _UNRELATED), *_cautions(pairs, values)),
        settings={**pairs.settings, "level": level},
        pairs=pairs.table(),
    )


def components(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Concordance, precision, bias correction, scale shift, location shift.

    NaN where a figure does not exist: a method without spread.
    """
    x, y = first - first[0], second - second[0]
    dx, dy = x - x.mean(), y - y.mean()
    sxx, syy, sxy = (dx**2).mean(), (dy**2).mean(), (dx * dy).mean()
    shift = (second - first).mean()
    total = sxx + syy + shift**2
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(sxx * syy)
        return np.where(
            [total > 0, root > 0, root > 0, root > 0, root > 0],
            np.array(
                [
                    2 * sxy / total,
                    np.clip(sxy / root, -1.0, 1.0),
                    2 * root / total,
                    np.sqrt(syy / sxx),
                    shift / np.sqrt(root),
                ]
            ),
            np.nan,
        )


def _snapped(pairs: Pairs, values: dict[str, float]) -> float:
    """The precision; 1 or -1 where no point leaves the line but by rounding."""
    sign = math.copysign(1.0, values["precision"])
    on_line = not off_line(pairs, sign * values["scale_shift"]).any()
    return sign if on_line else values["precision"]


def fisher_z_error(values: dict[str, float], n: int) -> float:
    """Standard error of the Fisher z of concordance (Lin 1989, with divisor n - 2)."""
    c, r, u = values["concordance"], values["precision"], values["location_shift"]
    if n < 3 or not (0 < abs(c) < 1 and abs(r) > 0):
        return math.nan
    rest = 1 - c**2
    variance = (
        (1 - r**2) * c**2 / (rest * r**2)
        + 2 * c**3 * (1 - c) * u**2 / (r * rest**2)
        - c**4 * u**4 / (2 * r**2 * rest**2)
    ) / (n - 2)
    return math.sqrt(variance) if variance > 0 else math.nan


def variance_ratio_limits(ratio: float, r: float, n: int, level: float) -> Limits:
    """Exact limits of the ratio of two SDs of paired normal values (Pitman, Morgan 1939)."""
    if n < 3 or not (ratio > 0 and abs(r) < 1):
        return NO_LIMITS
    t = stats.t.ppf((1 + level) / 2, n - 2)
    k = 1 + 2 * (1 - r**2) * t**2 / (n - 2)
    stretch = math.sqrt(k + math.sqrt(k**2 - 1))
    return ratio / stretch, ratio * stretch


def limits_of_components(pairs: Pairs, values: dict[str, float], level: float) -> dict[str, Limits]:
    """Limits by name; published ones if every participant has one pair, else by jackknife."""
    found = _clustered(pairs, values, level) if pairs.repeats else _single(pairs, values, level)
    if abs(values["precision"]) == 1:  # what resampling gives then is rounding
        found |= dict.fromkeys(("precision", "scale_shift"), NO_LIMITS)
    return found


def _single(pairs: Pairs, values: dict[str, float], level: float) -> dict[str, Limits]:
    """Limits where every participant has one pair."""
    n, r = len(pairs.first), values["precision"]
    z = float(stats.norm.ppf((1 + level) / 2))
    error = 1 / math.sqrt(n - 3) if n > 3 else math.nan
    errors, _ = standard_errors(pairs.cluster, _on_rows(pairs))
    t = float(stats.t.ppf((1 + level) / 2, n - 1))
    return {
        "concordance": _through_z(values["concordance"], fisher_z_error(values, n), z),
        "precision": _through_z(r, error, z),
        "scale_shift": variance_ratio_limits(values["scale_shift"], r, n, level),
        "location_shift": symmetric(values["location_shift"], float(errors[3]), t),
    }


def _clustered(pairs: Pairs, values: dict[str, float], level: float) -> dict[str, Limits]:
    """Limits by delete-one-participant jackknife on a scale without edges."""
    if pairs.n_clusters < 2:
        return {}
    errors, _ = standard_errors(pairs.cluster, _on_rows(pairs))
    t = float(stats.t.ppf((1 + level) / 2, pairs.n_clusters - 1))
    log_scale = math.log(values["scale_shift"]) if values["scale_shift"] > 0 else math.nan
    low, high = symmetric(log_scale, float(errors[2]), t)
    return {
        "concordance": _through_z(values["concordance"], float(errors[0]), t),
        "precision": _through_z(values["precision"], float(errors[1]), t),
        "scale_shift": (math.exp(low), math.exp(high)),
        "location_shift": symmetric(values["location_shift"], float(errors[3]), t),
    }


def _on_rows(pairs: Pairs) -> Any:
    """Fisher z of concordance and precision, log scale shift, location shift, of some rows."""

    def statistic(rows: np.ndarray) -> np.ndarray:
        c, r, _, scale, location = components(pairs.first[rows], pairs.second[rows])
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.array([np.arctanh(c), np.arctanh(r), np.log(scale), location])

    return statistic


def _through_z(value: float, error: float, quantile: float) -> Limits:
    if not abs(value) < 1:
        return NO_LIMITS
    low, high = symmetric(math.atanh(value), error, quantile)
    return math.tanh(low), math.tanh(high)


def _estimates(
    pairs: Pairs, values: dict[str, float], limits: dict[str, Limits], level: float
) -> tuple[Estimate, ...]:
    build = pairs.estimate()
    found = []
    for name in NAMES:
        low, high = limits.get(name, NO_LIMITS)
        how = _CLUSTERED + _SCALE.get(name, "") if pairs.repeats else _SOURCES.get(name, "")
        method = f"{_WORDS[name]}; {_EDGE if name == 'bias_correction' else how}"
        shown = math.nan if math.isnan(low) else level
        found.append(build(name, values[name], low, high, level=shown, unit="1", method=method))
    return tuple(found)


def _cautions(pairs: Pairs, values: dict[str, float]) -> list[Caution]:
    if math.isnan(values["precision"]):
        message = (
            "A method gave the same value for every subject, so neither a correlation nor an "
            "interval exists."
        )
        return [Caution("no_spread", message)]
    if abs(values["precision"]) == 1:
        return [no_scatter()]
    share, steps = coarseness(pairs)
    if share <= _COARSE:
        return []
    message = (
        f"{steps}. The interval of the concordance is then a little short: it covered 93 % instead "
        "of 95 % with steps of 0.32 SD, 94 % with steps of 0.16 SD (50 pairs)."
    )
    return [Caution("coarse_values", message)]
