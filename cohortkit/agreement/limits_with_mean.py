"""Limits of agreement of each of several raters with the mean of all of them."""

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
from cohortkit.agreement import intervals
from cohortkit.agreement.anova import SumsOfSquares, sums_of_squares
from cohortkit.agreement.crossing import Crossed, Roles, crossed
from cohortkit.agreement.limit_checks import assumption_checks, check_cautions, normal_quantiles
from cohortkit.agreement.limit_reads import ReadOptions, spec
from cohortkit.agreement.rounding import apart, grain
from cohortkit.estimate import Caution, Estimate, Result

_NONE = (math.nan, math.nan)


@dataclass(frozen=True, repr=False, eq=False)
class MeanLimits(Result):
    """Limits about the mean of all raters; `deviations` is what they rest on.

    `deviations` has one row per read: subject, participant, rater, mean, deviation
    (read minus the subject's mean over raters). `checks` and `quantiles` as in
    `AgreementLimits`; the quantiles are of the first rater's deviations, since those of
    one subject sum to 0.
    """

    deviations: pd.DataFrame = field(default_factory=pd.DataFrame)
    checks: pd.DataFrame = field(default_factory=pd.DataFrame)
    quantiles: pd.DataFrame = field(default_factory=pd.DataFrame)


def limits_with_mean(
    data: Any,
    *,
    raters: Sequence[Any] | None = None,
    level: float = 0.95,
    coverage: float = 0.95,
    **options: Unpack[ReadOptions],
) -> MeanLimits:
    """How far one rater's read lies from the mean of all raters' reads.

    Parameters
    ----------
    data
        One row per read: a table or an analysis set. Every rater reads every subject
        once, one subject per participant. Takes values, not deviations.
    raters
        Raters to keep, at least two. None keeps all.
    level, coverage
        Coverage of each interval, and share of deviations the limits are to hold.
    **options
        Column names, unit, missing: see `ReadOptions`. Nothing is resampled: the
        raters are a sample too, and resampling participants would leave their
        spread out.

    Returns
    -------
    MeanLimits
        ``lower_limit`` and ``upper_limit``, symmetric about 0, for a rater drawn from
        those like them; ``sd_deviation``; and ``rater_deviation``, the mean deviation
        of each rater (group ``rater=...``).

    Raises
    ------
    EstimateError
        Not for raters nested in sites, incomplete tables, several reads in a cell, or
        several subjects of one participant: `reliability` takes those.
    TableError
        Missing values or absent columns.

    Notes
    -----
    -+ z sqrt((SSC + SSE) / (n k)), which is -+ z sqrt((k - 1) / k) times the SEM for
    agreement (Jones, Dobson & O'Brian 2011; with raters random, Christensen et al.
    2020). Its interval is the generalised one of that SEM.
    """
    checks.proportion("level", level)
    checks.proportion("coverage", coverage)
    settings = spec(options)
    roles = Roles(*(settings[name] for name in ("subject", "rater", "value", "participant")))
    table = crossed(data, roles, settings["missing"], raters)
    ss = sums_of_squares(table.values)
    deviations = _deviations(table)
    one = deviations.loc[deviations["rater"] == table.raters[0], "deviation"].to_numpy()
    found = _checks(table)
    unit = settings["unit"]
    return MeanLimits(
        question=f"How far does one rater lie from the mean of all {ss.k}?",
        estimates=_estimates(ss, table, (level, coverage), unit),
        cautions=table.cautions + _cautions(ss, level) + check_cautions(found, unit),
        settings={
            **settings,
            "raters": [str(r) for r in table.raters],
            "level": level,
            "coverage": coverage,
        },
        deviations=deviations,
        checks=found,
        quantiles=normal_quantiles(one),
    )


def _estimates(
    ss: SumsOfSquares, table: Crossed, shares: tuple[float, float], unit: str
) -> tuple[Estimate, ...]:
    level, coverage = shares
    build = partial(
        Estimate,
        level=level,
        unit=unit,
        n_participants=ss.n,
        n_fingers=table.n_fingers,
        n_readings=int(table.values.size),
    )
    z = float(stats.norm.ppf((1 + coverage) / 2))
    share = math.sqrt((ss.k - 1) / ss.k)
    spread = math.sqrt(float(ss.raters + ss.error) / (ss.n * ss.k))
    low, high = (share * x for x in intervals.generalised_sem(ss, level)) if spread > 0 else _NONE
    words = "generalised interval of the SEM for agreement (Weerahandi 1993)"
    method = f"{100 * coverage:g} % limit of agreement with the mean (Jones et al. 2011); {words}"
    name = "root of rater plus error variance, times sqrt((k - 1) / k)"
    found = [
        build("sd_deviation", spread, low, high, method=f"{name}; {words}"),
        build("lower_limit", -z * spread, -z * high, -z * low, method=method),
        build("upper_limit", z * spread, z * low, z * high, method=method),
    ]
    centre = table.values.mean(axis=1, keepdims=True)
    mean = (table.values - centre).mean(axis=0)
    error = share * math.sqrt(float(ss.mse) / ss.n)
    half = float(stats.t.ppf((1 + level) / 2, ss.df[2])) * error if error > 0 else math.nan
    for rater, value in zip(table.raters, mean, strict=True):
        found.append(
            build(
                "rater_deviation",
                float(value),
                value - half,
                value + half,
                method="mean deviation from the subjects' means; t interval from the error of all",
                group=f"rater={rater}",
            )
        )
    return tuple(found)


def _deviations(table: Crossed) -> pd.DataFrame:
    n, k = table.values.shape
    mean = table.values.mean(axis=1, keepdims=True)
    people = table.participants or [None] * n
    return pd.DataFrame(
        {
            "subject": np.repeat(np.array(table.subjects, dtype=object), k),
            "participant": np.repeat(np.array(people, dtype=object), k),
            "rater": np.tile(np.array(table.raters, dtype=object), n),
            "mean": np.repeat(mean[:, 0], k),
            "deviation": (table.values - mean).ravel(),
        }
    )


def _checks(table: Crossed) -> pd.DataFrame:
    """Checks on independent numbers: each subject's mean, and the SD of its reads.

    A slope of a deviation would be a rater's own; what is asked of all is whether
    reads lie further apart in large subjects, and whether deviations are normal.
    """
    values = table.values
    mean, sd = values.mean(axis=1), apart(values.std(axis=1, ddof=1), grain(values))[1]
    spread = assumption_checks(mean, sd).iloc[:1].assign(check="absolute_residual_on_mean")
    one = apart(values[:, 0] - mean, grain(values))[1]
    shape = assumption_checks(mean, one).iloc[2:]
    none = pd.DataFrame([("difference_on_mean", np.nan, np.nan, len(mean))], columns=spread.columns)
    return pd.concat([none, spread, shape], ignore_index=True)


def _cautions(ss: SumsOfSquares, level: float) -> tuple[Caution, ...]:
    found = []
    if ss.k < 5:
        found.append(
            Caution(
                "few_raters",
                f"{ss.k} raters: the spread between raters, and so the {100 * level:g} % interval "
                "of the limits, rests on them; more subjects do not narrow it (fewer than 5 "
                "raters).",
            )
        )
    if ss.n < 30:
        found.append(
            Caution(
                "few_participants",
                f"{ss.n} participants: the intervals are wide (fewer than 30; common practice, no "
                "source).",
            )
        )
    if float(ss.raters + ss.error) == 0:
        message = "No two reads of a subject differ, so no interval can be computed."
        found.append(Caution("no_spread", message))
    return tuple(found)
