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
from cohortkit.agreement.crossing import Crossed, Roles
from cohortkit.agreement.fingers_of_participants import Nested, nested
from cohortkit.agreement.limit_checks import assumption_checks, check_cautions, normal_quantiles
from cohortkit.agreement.limit_reads import ReadOptions, spec
from cohortkit.agreement.nested_raters import NestedSums, error_limits, nested_sums
from cohortkit.agreement.rounding import apart, grain
from cohortkit.estimate import Caution, Estimate, Result

_NONE = (math.nan, math.nan)
_FEWEST = 5
_NARROW = (
    ", and with 2 participants those of the limits are narrower than they say (they covered 92 % "
    "instead of 95 %), those of mean deviations wider (98 %)."
)


@dataclass(frozen=True, repr=False, eq=False)
class MeanLimits(Result):
    """Limits about the mean of all raters; `deviations` is what they rest on.

    `deviations` has one row per read: subject, participant, rater, mean, deviation
    (read minus the subject's mean over raters). `checks` and `quantiles` as in
    `AgreementLimits`; the quantiles are of the first rater's deviations, since those of
    one subject sum to 0, averaged over the fingers of a participant.
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
        (scan) once; a participant may have several fingers, one scan of each. Takes
        values, not deviations.
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
        those like them, on a single finger; ``sd_deviation``; ``rater_deviation``, the
        mean deviation of each rater (group ``rater=...``); and, where somebody has
        several fingers, ``sd_rater``, ``sd_participant_rater`` and ``sd_residual``
        (without interval; 0 where the estimate of a variance is negative).

    Raises
    ------
    EstimateError
        Not for raters nested in sites, incomplete tables, several reads in a cell, or
        several scans of a finger among several fingers of a participant: `reliability`
        takes those.
    TableError
        Missing values or absent columns.

    Notes
    -----
    -+ z sqrt((SSC + SSE) / (n k)), which is -+ z sqrt((k - 1) / k) times the SEM for
    agreement (Jones, Dobson & O'Brian 2011; with raters random, Christensen et al.
    2020). Its interval is the generalised one of that SEM. With several fingers SSE is
    split into participant x rater and the rest, which changes the interval only.
    """
    checks.proportion("level", level)
    checks.proportion("coverage", coverage)
    settings = spec(options)
    roles = Roles(*(settings[name] for name in ("subject", "rater", "value", "participant")))
    laid = nested(data, roles, settings["missing"], raters)
    table, sums = laid.table, nested_sums(laid.table.values, laid.size)
    found, one = _checks(laid)
    unit, seen = settings["unit"], float(sums.raters + sums.participants + sums.fingers) > 0
    return MeanLimits(
        question=f"How far does one rater lie from the mean of all {sums.k}?",
        estimates=_estimates(sums, table, (level, coverage), unit),
        cautions=(
            *table.cautions,
            *_cautions(sums, level),
            *_finger_cautions(sums, laid),
            *check_cautions(found, unit, "deviations" if seen else ""),
        ),
        settings={
            **settings,
            "raters": [str(r) for r in table.raters],
            "level": level,
            "coverage": coverage,
        },
        deviations=_deviations(table),
        checks=found,
        quantiles=normal_quantiles(one),
    )


def _estimates(
    sums: NestedSums, table: Crossed, shares: tuple[float, float], unit: str
) -> tuple[Estimate, ...]:
    level, coverage = shares
    build = partial(
        Estimate,
        level=level,
        unit=unit,
        n_participants=sums.n,
        n_fingers=table.n_fingers,
        n_readings=int(table.values.size),
    )
    z = float(stats.norm.ppf((1 + coverage) / 2))
    share = math.sqrt((sums.k - 1) / sums.k)
    spread = math.sqrt(float(sums.raters + sums.participants + sums.fingers) / table.values.size)
    ends = error_limits(sums, table.values, level) if spread > 0 else _NONE
    low, high = (share * x for x in ends)
    words = "generalised interval of the SEM for agreement (Weerahandi 1993)"
    method = f"{100 * coverage:g} % limit of agreement with the mean (Jones et al. 2011); {words}"
    name = "root of rater plus error variance, times sqrt((k - 1) / k)"
    return (
        build("sd_deviation", spread, low, high, method=f"{name}; {words}"),
        build("lower_limit", -z * spread, -z * high, -z * low, method=method),
        build("upper_limit", z * spread, z * low, z * high, method=method),
        *_raters(sums, table, level, build),
        *(_components(sums, build) if sums.several else ()),
    )


def _raters(sums: NestedSums, table: Crossed, level: float, build: Any) -> list[Estimate]:
    """Mean deviation of each rater over the subjects."""
    mean = (table.values - table.values.mean(axis=1, keepdims=True)).mean(axis=0)
    error, df = float(sums.rater_error()), (sums.n - 1) * (sums.k - 1)
    half = float(stats.t.ppf((1 + level) / 2, df)) * error if error > 0 else math.nan
    words = "mean deviation from the subjects' means; t interval from the "
    words += "spread between participants" if sums.several else "error of all"
    return [
        build(
            "rater_deviation",
            float(value),
            value - half,
            value + half,
            method=words,
            group=f"rater={rater}",
        )
        for rater, value in zip(table.raters, mean, strict=True)
    ]


def _components(sums: NestedSums, build: Any) -> list[Estimate]:
    method = "root of the variance component, nested analysis of variance; no interval"
    parts = zip(("rater", "participant_rater", "residual"), sums.components(), strict=True)
    return [
        build(f"sd_{name}", math.sqrt(max(float(v), 0.0)), *_NONE, method=method, level=math.nan)
        for name, v in parts
    ]


def _deviations(table: Crossed) -> pd.DataFrame:
    n, k = table.values.shape
    mean = table.values.mean(axis=1, keepdims=True)
    people = table.participants or [None] * n
    return pd.DataFrame(
        {
            "subject": [one for one in table.subjects for _ in range(k)],
            "participant": [one for one in people for _ in range(k)],
            "rater": table.raters * n,
            "mean": np.repeat(mean[:, 0], k),
            "deviation": (table.values - mean).ravel(),
        }
    )


def _checks(laid: Nested) -> tuple[pd.DataFrame, np.ndarray]:
    """Checks on independent numbers, and the first rater's deviations that they look at.

    Of each participant the mean over their fingers of the reads, of the SD of the reads of
    a finger, and of the first rater's deviation. A slope of a deviation would be a rater's
    own; what is asked of all is whether reads lie further apart in large subjects, and
    whether deviations are normal.
    """
    values, smallest = laid.table.values, grain(laid.table.values)
    centre = values.mean(axis=1)
    mean, sd, one = (
        np.add.reduceat(x, laid.first) / laid.size
        for x in (centre, values.std(axis=1, ddof=1), values[:, 0] - centre)
    )
    spread = assumption_checks(mean, apart(sd, smallest)[1]).iloc[:1]
    spread = spread.assign(check="absolute_residual_on_mean")
    shape = assumption_checks(mean, apart(one, smallest)[1]).iloc[2:]
    none = pd.DataFrame([("difference_on_mean", np.nan, np.nan, len(mean))], columns=spread.columns)
    return pd.concat([none, spread, shape], ignore_index=True), one


def _cautions(sums: NestedSums, level: float) -> tuple[Caution, ...]:
    found = []
    if sums.k < 5:
        found.append(
            Caution(
                "few_raters",
                f"{sums.k} raters: the spread between raters, and so the {100 * level:g} % "
                "interval of the limits, rests on them; more subjects do not narrow it (fewer "
                "than 5 raters).",
            )
        )
    if sums.n < 30:
        found.append(
            Caution(
                "few_participants",
                f"{sums.n} participants: the intervals are wide (fewer than 30; common practice, "
                "no source)" + (_NARROW if sums.several and sums.n < _FEWEST else "."),
            )
        )
    if float(sums.raters + sums.participants + sums.fingers) == 0:
        message = "No two reads of a subject differ, so no interval can be computed."
        found.append(Caution("no_spread", message))
    return tuple(found)


def _finger_cautions(sums: NestedSums, laid: Nested) -> tuple[Caution, ...]:
    """What several fingers of a participant bring with them."""
    found, most, typical = [], int(sums.size.max()), float(sums.size.mean())
    if sums.several and float(sums.components()[1]) < 0:
        found.append(
            Caution(
                "negative_component",
                "A rater's deviations on fingers of one participant differ more than those on "
                "fingers of different participants: the variance of participant x rater is "
                "estimated below 0 and shown as 0. The limits use the estimate as it is.",
            )
        )
    if most > 3 * typical:
        found.append(
            Caution(
                "unequal_participants",
                f"One participant has {most} subjects, the mean is {typical:.1f}: limits and mean "
                "deviations are over subjects, so those with many count for more, and their "
                "intervals are too narrow (they covered 91 to 94 % instead of 95 % where one of 15 "
                "participants had 12 of 26 fingers).",
            )
        )
    if most > 2 and not laid.fingers_known:
        found.append(
            Caution(
                "fingers_not_told_apart",
                "Without a column finger_id the scans of one participant are taken to be equally "
                "alike. If they are of several fingers, some of them scanned again, the intervals "
                "are too narrow (they covered 89 % instead of 95 % with 30 participants, 2 fingers "
                "of each and 4 scans of a finger).",
            )
        )
    return tuple(found)
