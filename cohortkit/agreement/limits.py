"""Limits of agreement between two raters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit import checks
from cohortkit.agreement.crossing import Crossed, Roles, crossed
from cohortkit.agreement.intervals import Limits, chi_square_sd
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.estimate import Caution, Estimate, Result

_SHAPIRO_LIMITS = (8, 5000)
_SIGNIFICANT = 0.05


@dataclass(frozen=True, repr=False, eq=False)
class AgreementLimits(Result):
    """Bias, SD of the differences and both limits; `pairs` is what they rest on.

    `pairs` has one row per subject: subject, participant, mean, difference
    (first rater minus second, in the unit of the values).
    """

    pairs: pd.DataFrame = field(default_factory=pd.DataFrame)


def limits_of_agreement(  # noqa: PLR0913 - column names and two shares, all the caller's
    data: Any,
    *,
    subject: str = "scan_id",
    rater: str = "rater_id",
    value: str = "gap_mm",
    participant: str | None = "participant_id",
    raters: Sequence[Any] | None = None,
    unit: str = "mm",
    level: float = 0.95,
    coverage: float = 0.95,
    missing: str = "stop",
) -> AgreementLimits:
    """Interval that holds most differences between two raters.

    Parameters
    ----------
    data
        One row per read: a table or an analysis set. Takes values, not
        differences and not means.
    subject, rater, value, participant
        Column names. ``participant=None`` states that subjects are independent.
    raters
        The two raters, first minus second. None if the table holds just two
        (then in sorted order).
    unit
        UCUM code of the values.
    level
        Coverage of the interval of each estimate.
    coverage
        Share of differences that the limits are to hold, 0.95 by custom.
    missing
        ``"stop"``, or ``"drop"`` to leave out missing reads and subjects that
        one of the two did not read.

    Returns
    -------
    AgreementLimits
        ``bias, sd_difference, lower_limit, upper_limit``. The interval of each
        limit is exact for that limit alone (non-central t, Carkeet 2015), that
        of the bias is by t, that of the SD by chi-square; all need normal
        differences of constant spread, which the cautions watch.

    Raises
    ------
    EstimateError
        More than two raters and none named, several subjects of one
        participant, several reads in a cell, fewer than two pairs.
    TableError
        Missing values or absent columns.

    Notes
    -----
    Limits are bias -+ z SD with z the normal quantile, 1.96 for 95 % (Bland &
    Altman 1999; their paper of 1986 used 2).
    """
    checks.proportion("level", level)
    checks.proportion("coverage", coverage)
    pair = _two_raters(data, rater, raters)
    table = crossed(data, Roles(subject, rater, value, participant), missing, pair)
    first, second = table.values.T
    pairs = pd.DataFrame(
        {
            "subject": table.subjects,
            "participant": table.participants or [None] * len(table.subjects),
            "mean": second + (first - second) / 2,
            "difference": first - second,
        }
    )
    return AgreementLimits(
        question=f"How far apart are two reads? ({pair[0]} minus {pair[1]})",
        estimates=_estimates(first - second, level, coverage, unit, table),
        cautions=table.cautions + _cautions(pairs, unit, level),
        settings={
            "subject": subject,
            "rater": rater,
            "value": value,
            "participant": participant,
            "raters": [str(r) for r in pair],
            "unit": unit,
            "level": level,
            "coverage": coverage,
            "missing": missing,
        },
        pairs=pairs,
    )


def limit_factors(n: int, z: float, level: float) -> Limits:
    """Factors f with which mean + f SD are exact limits of mu + z sigma.

    (mu + z sigma - mean) sqrt(n) / SD has the non-central t distribution with
    n - 1 degrees of freedom and non-centrality z sqrt(n); its quantiles over
    sqrt(n) are the factors. For z below 0 they mirror.
    """
    tails = np.array([(1 - level) / 2, (1 + level) / 2])
    low, high = stats.nct.ppf(tails, n - 1, abs(z) * math.sqrt(n)) / math.sqrt(n)
    return (float(low), float(high)) if z >= 0 else (float(-high), float(-low))


def _two_raters(data: Any, rater: str, raters: Sequence[Any] | None) -> list[Any]:
    if raters is not None:
        if isinstance(raters, str) or len(set(raters)) != 2 or len(raters) != 2:
            raise ArgumentError(
                "Argument 'raters' takes two different raters",
                found=repr(raters),
                next_step="give two, as raters=('R1', 'R2'); differences are first minus second",
            )
        return list(raters)
    column = checks.columns(checks.as_frame(data), {"rater": rater})["rater"]
    known = list(pd.factorize(column, sort=True)[1])
    if len(known) != 2:
        raise EstimateError(
            "Limits of agreement compare two raters",
            found=f"{len(known)} raters"
            + (f": {', '.join(map(str, known[:12]))}" if known else ""),
            next_step="name two of them with raters=(first, second)"
            if len(known) > 2
            else "check the filters that made this table; a second rater is needed",
        )
    return known


def _estimates(
    differences: np.ndarray, level: float, coverage: float, unit: str, table: Crossed
) -> tuple[Estimate, ...]:
    n = len(differences)
    build = partial(
        Estimate,
        level=level,
        unit=unit,
        n_participants=n,
        n_fingers=table.n_fingers,
        n_readings=2 * n,
    )
    bias, spread = float(differences.mean()), float(differences.std(ddof=1))
    half = float(stats.t.ppf((1 + level) / 2, n - 1)) * spread / math.sqrt(n)
    z = float(stats.norm.ppf((1 + coverage) / 2))
    moved = spread > 0
    sd_limits = chi_square_sd(spread**2 * (n - 1), n - 1, level) if moved else (math.nan, math.nan)
    ends = [
        tuple(bias + f * spread for f in limit_factors(n, side * z, level)) if moved else sd_limits
        for side in (-1, 1)
    ]
    bias_limits = (bias - half, bias + half) if moved else sd_limits
    share = f"{100 * coverage:g} %"
    exact = "exact interval of this limit alone (non-central t, Carkeet 2015)"
    return (
        build("bias", bias, *bias_limits, method="mean difference; t interval"),
        build("sd_difference", spread, *sd_limits, method="SD of differences; chi-square interval"),
        build("lower_limit", bias - z * spread, *ends[0], method=f"{share} limit; {exact}"),
        build("upper_limit", bias + z * spread, *ends[1], method=f"{share} limit; {exact}"),
    )


def _cautions(pairs: pd.DataFrame, unit: str, level: float) -> tuple[Caution, ...]:
    n = len(pairs)
    difference = pairs["difference"].to_numpy()
    found = []
    if n < 30:
        found.append(
            Caution(
                "few_participants",
                f"{n} pairs: the {100 * level:g} % interval of each limit is wide "
                "(fewer than 30; common practice, no source).",
            )
        )
    if difference.std() == 0:
        message = "All differences are equal, so no interval can be computed."
        return (*found, Caution("no_spread", message))
    mean = pairs["mean"].to_numpy()
    if n > 3 and np.ptp(mean) > 0:
        found += _size_cautions(difference - difference.mean(), mean - mean.mean(), unit)
    if _SHAPIRO_LIMITS[0] <= n <= _SHAPIRO_LIMITS[1]:
        p = float(stats.shapiro(difference - difference.mean()).pvalue)
        if p < _SIGNIFICANT:
            found.append(
                Caution(
                    "differences_not_normal",
                    f"The differences are not normal (Shapiro-Wilk p = {p:.2g}), so the limits "
                    "need not hold the share named, nor their intervals the level.",
                )
            )
    return tuple(found)


def _size_cautions(difference: np.ndarray, mean: np.ndarray, unit: str) -> list[Caution]:
    """Does the difference, or its spread, change with the size of what is measured?"""
    found = []
    slope = stats.linregress(mean, difference)
    if slope.pvalue < _SIGNIFICANT:
        found.append(
            Caution(
                "difference_depends_on_size",
                f"The difference changes by {slope.slope:.2g} {unit} per {unit} of the mean "
                f"(p = {slope.pvalue:.2g}): one bias does not hold for small and large values.",
            )
        )
    residual = np.abs(difference - slope.intercept - slope.slope * mean)
    if np.ptp(residual) > 0:
        growth = stats.linregress(mean, residual)
        if growth.pvalue < _SIGNIFICANT:
            found.append(
                Caution(
                    "spread_depends_on_size",
                    f"The spread of the differences changes with size (p = {growth.pvalue:.2g}): "
                    "the limits are too wide at one end and too narrow at the other.",
                )
            )
    return found
