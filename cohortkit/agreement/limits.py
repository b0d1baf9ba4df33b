"""Limits of agreement between two raters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, stats

from cohortkit import checks
from cohortkit.agreement.crossing import Crossed, Roles, crossed
from cohortkit.agreement.intervals import Limits, chi_square_sd
from cohortkit.agreement.limit_checks import assumption_checks, check_cautions, normal_quantiles
from cohortkit.agreement.limit_reads import between, two_raters
from cohortkit.agreement.rounding import apart, grain
from cohortkit.estimate import Caution, Estimate, Result

INTERVALS = ("exact", "approximate", "joint")
_WORDS = {
    "exact": "exact interval of this limit alone (non-central t, Carkeet 2015)",
    "approximate": "approximate interval, t on SD sqrt(1/n + z^2/(2(n-1))) (Bland & Altman 1999)",
    "joint": "exact interval of both limits as a pair (two-sided tolerance factors, Carkeet 2015)",
}


@dataclass(frozen=True, repr=False, eq=False)
class AgreementLimits(Result):
    """Bias, SD of the differences and both limits; `pairs` is what they rest on.

    `pairs` has one row per subject: subject, participant, mean, difference
    (first rater minus second, in the unit of the values). `checks` and `quantiles`
    are what `limit_checks` makes of them: the assumptions as numbers, and the points
    of a normal plot.
    """

    pairs: pd.DataFrame = field(default_factory=pd.DataFrame)
    checks: pd.DataFrame = field(default_factory=pd.DataFrame)
    quantiles: pd.DataFrame = field(default_factory=pd.DataFrame)


def limits_of_agreement(  # noqa: PLR0913 - column names and two shares, all the caller's
    data: Any,
    *,
    subject: str = "scan_id",
    rater: str = "rater_id",
    value: str = "gap_mm",
    participant: str | None = "participant_id",
    raters: Sequence[Any] | None = None,
    unit: str = "mm",
    interval: str = "exact",
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
    interval
        Of the limits: ``"exact"``, each alone; ``"approximate"``, as most papers
        have it, too narrow outwards in small samples; ``"joint"``, exact for the
        two as a pair.
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
        ``bias, sd_difference, lower_limit, upper_limit``. The interval of the
        bias is by t, that of the SD by chi-square; all need normal differences of
        constant spread, which the cautions and `checks` watch.

    Raises
    ------
    EstimateError
        More than two raters and none named, several subjects of one
        participant (see `limits_clustered`), several reads in a cell (see
        `limits_replicates`), fewer than two pairs.
    TableError
        Missing values or absent columns.

    Notes
    -----
    Limits are bias -+ z SD with z the normal quantile, 1.96 for 95 % (Bland &
    Altman 1999; their paper of 1986 used 2).
    """
    checks.proportion("level", level)
    checks.proportion("coverage", coverage)
    checks.one_of("interval", interval, INTERVALS)
    pair = two_raters(data, rater, raters)
    table = crossed(data, Roles(subject, rater, value, participant), missing, pair)
    first, second = table.values.T
    base, rest = apart(first - second, grain(table.values))
    pairs = pd.DataFrame(
        {
            "subject": table.subjects,
            "participant": table.participants or [None] * len(table.subjects),
            "mean": second + (first - second) / 2,
            "difference": base + rest,
        }
    )
    found = assumption_checks(pairs["mean"].to_numpy(), rest)
    return AgreementLimits(
        question=f"How far apart are two reads? ({pair[0]} minus {pair[1]})",
        estimates=between(_estimates((base, rest), (level, coverage, interval), unit, table), pair),
        cautions=table.cautions + _cautions(rest, found, unit, level),
        settings={
            "subject": subject,
            "rater": rater,
            "value": value,
            "participant": participant,
            "raters": [str(r) for r in pair],
            "unit": unit,
            "interval": interval,
            "level": level,
            "coverage": coverage,
            "missing": missing,
        },
        pairs=pairs,
        checks=found,
        quantiles=normal_quantiles(rest) + base,
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


def interval_factors(n: int, z: float, level: float, interval: str) -> Limits:
    """Factors f with which mean + f SD are the limits of mu + z sigma, by the way named."""
    if interval == "exact":
        return limit_factors(n, z, level)
    if interval == "approximate":
        half = stats.t.ppf((1 + level) / 2, n - 1) * math.sqrt(1 / n + z**2 / (2 * (n - 1)))
        return float(z - half), float(z + half)
    inner, outer = (tolerance_factor(n, abs(z), (1 + s * level) / 2) for s in (-1, 1))
    return (inner, outer) if z >= 0 else (-outer, -inner)


def tolerance_factor(n: int, z: float, confidence: float) -> float:
    """Factor f with which mean -+ f SD holds the share of mu -+ z sigma, with this confidence.

    With x = sqrt(n) (mean - mu) / sigma normal, the band must be as wide as r(x), the
    half-width that holds the share about x / sqrt(n); then f solves
    E[P(chi-square >= (n - 1) r(x)^2 / f^2)] = confidence, by Gauss-Hermite quadrature
    (two-sided normal tolerance factor, Odeh 1978; Carkeet 2015).
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(81)
    share = 2 * stats.norm.cdf(z) - 1
    half = np.sqrt(stats.ncx2.ppf(share, 1, nodes**2 / n))

    def gap(log_factor: float) -> float:
        held = stats.chi2.sf((n - 1) * half**2 * math.exp(-2 * log_factor), n - 1)
        return float(held @ weights / weights.sum()) - confidence

    return math.exp(optimize.brentq(gap, -8.0, 8.0, xtol=1e-12))


def _estimates(
    differences: tuple[float, np.ndarray],
    how: tuple[float, float, str],
    unit: str,
    table: Crossed,
) -> tuple[Estimate, ...]:
    level, coverage, interval = how
    base, rest = differences
    n = len(rest)
    build = partial(
        Estimate,
        level=level,
        unit=unit,
        n_participants=n,
        n_fingers=table.n_fingers,
        n_readings=2 * n,
    )
    bias, spread = base + float(rest.mean()), float(rest.std(ddof=1))
    half = float(stats.t.ppf((1 + level) / 2, n - 1)) * spread / math.sqrt(n)
    z = float(stats.norm.ppf((1 + coverage) / 2))
    moved = spread > 0
    sd_limits = chi_square_sd(spread**2 * (n - 1), n - 1, level) if moved else (math.nan, math.nan)
    ends = [
        tuple(bias + f * spread for f in interval_factors(n, side * z, level, interval))
        if moved
        else sd_limits
        for side in (-1, 1)
    ]
    bias_limits = (bias - half, bias + half) if moved else sd_limits
    share = f"{100 * coverage:g} %"
    words = _WORDS[interval]
    return (
        build("bias", bias, *bias_limits, method="mean difference; t interval"),
        build("sd_difference", spread, *sd_limits, method="SD of differences; chi-square interval"),
        build("lower_limit", bias - z * spread, *ends[0], method=f"{share} limit; {words}"),
        build("upper_limit", bias + z * spread, *ends[1], method=f"{share} limit; {words}"),
    )


def _cautions(
    difference: np.ndarray, checks: pd.DataFrame, unit: str, level: float
) -> tuple[Caution, ...]:
    n = len(difference)
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
    return (*found, *check_cautions(checks, unit, "pairs"))
