"""Intraclass correlation in all six forms, with the error of measurement beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit import checks
from cohortkit.agreement import intervals
from cohortkit.agreement.anova import (
    SumsOfSquares,
    errors_of_measurement,
    forms,
    sums_of_squares,
)
from cohortkit.agreement.crossing import Crossed, Roles, crossed
from cohortkit.agreement.limit_checks import normality
from cohortkit.agreement.rounding import rounding_caution
from cohortkit.estimate import Caution, Estimate, Result

_NONE = (math.nan, math.nan)
_SEEN = 50  # subjects from which skewness of an exponential is found in 9 of 10 tables
_FORMS = {
    "icc_1_1": "ICC(1,1): one-way, one read",
    "icc_a_1": "ICC(A,1) = ICC(2,1): absolute agreement, one rater",
    "icc_c_1": "ICC(C,1) = ICC(3,1): consistency, one rater",
    "icc_1_k": "ICC(1,k): one-way, mean of k reads",
    "icc_a_k": "ICC(A,k) = ICC(2,k): absolute agreement, mean of k raters",
    "icc_c_k": "ICC(C,k) = ICC(3,k): consistency, mean of k raters",
}
_EXACT_F = "exact F interval (Shrout & Fleiss 1979)"
_ONE_WAY_F = "F interval, exact if every subject has its own raters (Shrout & Fleiss 1979)"
_USUAL_F = "F interval with approximate degrees of freedom (McGraw & Wong 1996)"
_GENERALISED = "generalised interval from three chi-squares (Weerahandi 1993; Ionan et al. 2014)"
_CHI_SQUARE = "exact chi-square interval"


@dataclass(frozen=True, repr=False, eq=False)
class IccResult(Result):
    """ICC, SEM and SDC; `anova` holds the table they were computed from.

    `anova` has one row per source of spread (subjects, raters, error, or
    subjects, within) with df, sum_of_squares, mean_square and variance, the
    variance component by the method of moments, which may be negative.
    """

    anova: pd.DataFrame = field(default_factory=pd.DataFrame)


def icc(
    data: Any,
    *,
    subject: str = "scan_id",
    rater: str | None = "rater_id",
    value: str = "gap_mm",
    participant: str | None = "participant_id",
    unit: str = "mm",
    interval: str = "generalised",
    level: float = 0.95,
    missing: str = "stop",
) -> IccResult:
    """Share of the spread that lies between subjects, and the error in the unit of the values.

    Parameters
    ----------
    data
        One row per read: a table or an analysis set. Columns of the format that
        it may also hold (finger_id, site_id, rater_site_id, reads_averaged,
        below_resolution, injured) make counts, messages and cautions specific.
    subject, rater, value, participant
        Column names. ``rater=None``: the reads of a subject have no raters of
        their own (one rater's repeats, or raters drawn anew for each subject);
        gives the one-way forms only. ``participant=None`` states that subjects
        are independent; each then counts as one participant.
    unit
        UCUM code of the values.
    interval
        ``"generalised"`` or ``"f"``, which differ for ICC(A,1) and ICC(A,k).
    level
        Coverage of every interval.
    missing
        ``"stop"`` or ``"drop"``.

    Returns
    -------
    IccResult
        ``icc_1_1, icc_a_1, icc_c_1, icc_1_k, icc_a_k, icc_c_k, sem_agreement,
        sem_consistency, sdc_agreement, sdc_consistency``; with ``rater=None``
        ``icc_1_1, icc_1_k, sem_oneway, sdc_oneway``. SDC = 1.96 sqrt(2) SEM, a
        change of one subject that two single reads can tell from error.

    Raises
    ------
    EstimateError
        Not for raters nested in sites, incomplete tables, several reads in a
        cell, several subjects of one participant, or several pulleys or load
        states at once; fewer than two subjects or raters.
    TableError
        Missing values or absent columns.

    Notes
    -----
    Formulas: Shrout & Fleiss 1979; McGraw & Wong 1996; Weir 2005 for SEM and
    SDC. Coverage of the intervals was measured: docs/methods/icc.md.
    """
    checks.one_of("interval", interval, ("generalised", "f"))
    checks.proportion("level", level)
    table = crossed(data, Roles(subject, rater, value, participant), missing)
    ss = sums_of_squares(table.values)
    one_way = rater is None
    build = partial(
        Estimate,
        level=level,
        n_participants=len(table.subjects),
        n_fingers=table.n_fingers,
        n_readings=int(table.values.size),
    )
    names = ("icc_1_1", "icc_1_k") if one_way else tuple(_FORMS)
    estimates = _iccs(ss, names, interval, level, build) + _errors(ss, one_way, level, unit, build)
    return IccResult(
        question="How well do reads of the same subject agree?",
        estimates=tuple(estimates),
        cautions=table.cautions + _cautions(ss, estimates, table, one_way, interval),
        settings={
            "subject": subject,
            "rater": rater,
            "value": value,
            "participant": participant,
            "unit": unit,
            "interval": interval,
            "level": level,
            "missing": missing,
        },
        anova=_anova(ss, one_way),
    )


def _iccs(
    ss: SumsOfSquares, names: tuple[str, ...], interval: str, level: float, build: Any
) -> list[Estimate]:
    values, limits = forms(ss), _single_limits(ss, interval, level)
    estimates = []
    for name in names:
        low, high = limits[name[:-1] + "1"][0] if math.isfinite(values[name]) else _NONE
        if name.endswith("k"):
            low, high = (intervals.spearman_brown(x, ss.k) for x in (low, high))
        method = f"{_FORMS[name]}; {limits[name[:-1] + '1'][1]}"
        estimates.append(build(name, float(values[name]), low, high, unit="1", method=method))
    return estimates


def _single_limits(
    ss: SumsOfSquares, interval: str, level: float
) -> dict[str, tuple[intervals.Limits, str]]:
    """Limits of the three single-rater forms; none where nothing or no subject varies."""
    df_subjects, df_raters, df_error = ss.df
    seen, disagreement = float(ss.subjects) > 0, float(ss.raters + ss.error) > 0
    one_way = consistency = agreement = _NONE
    if seen and disagreement:
        ratio = float(ss.msr / ss.msw)
        one_way = intervals.exact_f(ratio, df_subjects, df_raters + df_error, ss.k, level)
        route = intervals.generalised_icc if interval == "generalised" else intervals.approximate_f
        agreement = route(ss, level)
    if seen and float(ss.error) > 0:
        consistency = intervals.exact_f(float(ss.msr / ss.mse), df_subjects, df_error, ss.k, level)
    return {
        "icc_1_1": (one_way, _ONE_WAY_F),
        "icc_a_1": (agreement, _GENERALISED if interval == "generalised" else _USUAL_F),
        "icc_c_1": (consistency, _EXACT_F),
    }


def _errors(
    ss: SumsOfSquares, one_way: bool, level: float, unit: str, build: Any
) -> list[Estimate]:
    """SEM and SDC; no interval where the reads show no error at all."""
    values = errors_of_measurement(ss)
    within = float(ss.raters + ss.error)
    _, df_raters, df_error = ss.df
    kinds = {
        "oneway": ("within-subject SD", _CHI_SQUARE),
        "agreement": ("root of rater plus error variance", _GENERALISED),
        "consistency": ("root of the error variance", _CHI_SQUARE),
    }
    sem, sdc = [], []
    for kind in ("oneway",) if one_way else ("agreement", "consistency"):
        limits = _NONE
        if kind == "oneway" and within > 0:
            limits = intervals.chi_square_sd(within, df_raters + df_error, level)
        elif kind == "agreement" and within > 0:
            limits = intervals.generalised_sem(ss, level)
        elif kind == "consistency" and float(ss.error) > 0:
            limits = intervals.chi_square_sd(float(ss.error), df_error, level)
        words, source = kinds[kind]
        change = stats.norm.ppf(0.975) * math.sqrt(2)
        size = float(values[f"sem_{kind}"])
        sem.append(build(f"sem_{kind}", size, *limits, unit=unit, method=f"{words}; {source}"))
        scaled = (change * x for x in limits)
        method = f"1.96 sqrt(2) SEM, {words}; {source}"
        sdc.append(build(f"sdc_{kind}", change * size, *scaled, unit=unit, method=method))
    return sem + sdc


def _anova(ss: SumsOfSquares, one_way: bool) -> pd.DataFrame:
    df_subjects, df_raters, df_error = ss.df
    if one_way:
        sums = [ss.subjects, ss.raters + ss.error]
        df = [df_subjects, df_raters + df_error]
        variances = [(ss.msr - ss.msw) / ss.k, ss.msw]
        sources = ["subjects", "within"]
    else:
        sums, df = [ss.subjects, ss.raters, ss.error], list(ss.df)
        variances = [(ss.msr - ss.mse) / ss.k, (ss.msc - ss.mse) / ss.n, ss.mse]
        sources = ["subjects", "raters", "error"]
    return pd.DataFrame(
        {
            "source": sources,
            "df": df,
            "sum_of_squares": np.array(sums, dtype=float),
            "mean_square": np.array(sums, dtype=float) / df,
            "variance": np.array(variances, dtype=float),
        }
    )


def _cautions(
    ss: SumsOfSquares, estimates: list[Estimate], table: Crossed, one_way: bool, interval: str
) -> tuple[Caution, ...]:
    """What changes how these numbers may be used, in reading order."""
    found = _number_cautions(ss, estimates, one_way) | _design_cautions(ss, one_way, interval)
    skewed = normality(table.values.mean(axis=1))[1] < 0.01
    found["subjects_not_normal"] = (
        skewed,
        "The subjects' means are far from normal (Shapiro-Wilk p < 0.01). The ICC intervals rest "
        "on normal subjects: they covered 74 to 85 % instead of 95 % where subjects were skewed "
        "as an exponential. The errors in the unit of the values held.",
    )
    found["normality_unseen"] = (
        not skewed and ss.n < _SEEN and float(ss.subjects) > 0,
        f"{ss.n} subjects are too few to see whether they are skewed (Shapiro-Wilk finds it in 30 "
        "of 100 tables of 15 subjects skewed as an exponential, in 70 of 30, in 93 of 50). The ICC "
        "intervals of such subjects covered 81 to 85 % instead of 95 %; the errors in the unit of "
        "the values held.",
    )
    said = [Caution(code, message) for code, (holds, message) in found.items() if holds]
    error = float(ss.msw if one_way else ss.mse)
    if error > 0:
        said += rounding_caution(table.values, math.sqrt(error))
    return tuple(said)


def _number_cautions(
    ss: SumsOfSquares, estimates: list[Estimate], one_way: bool
) -> dict[str, tuple[bool, str]]:
    """Sums of squares that leave a form or an interval without a meaning."""
    iccs = [e for e in estimates if e.name.startswith("icc")]
    undefined = ", ".join(e.name for e in iccs if math.isnan(e.value))
    negative = ", ".join(e.name for e in iccs if e.value < 0)
    still = float(ss.subjects) == 0
    flat = float(ss.raters + ss.error) == 0
    return {
        "constant_values": (
            still and flat,
            "All values are the same: an ICC does not exist, and no error was seen.",
        ),
        "no_subject_variance": (
            still and not flat,
            "The subjects have the same mean: an ICC has no interval here.",
        ),
        "no_disagreement_seen": (
            flat and not still,
            "No two reads of a subject differ, so no interval can be computed; the error is "
            "smaller than the rounding of the values, not zero.",
        ),
        "raters_differ_by_a_constant": (
            not one_way and float(ss.error) == 0 and float(ss.raters) > 0,
            "The raters differ by a constant only: consistency has no interval.",
        ),
        "undefined_form": (
            bool(undefined) and not (still and flat),
            f"Not defined on these mean squares: {undefined}.",
        ),
        "negative_estimate": (
            bool(negative),
            f"Negative: {negative}. Reads of one subject differ as much as reads of different "
            "subjects; the true value is near 0, and the estimate may lie outside its interval.",
        ),
    }


def _design_cautions(
    ss: SumsOfSquares, one_way: bool, interval: str
) -> dict[str, tuple[bool, str]]:
    """Designs in which an interval is wide, or known not to hold."""
    n, k = ss.n, ss.k
    disagree = float(ss.raters + ss.error) > 0
    return {
        "one_way_on_crossed_raters": (
            not one_way and disagree and float(ss.subjects) > 0,
            "The same raters read all subjects, while the intervals of ICC(1,1) and ICC(1,k) suppose "
            "that each subject has its own: they covered 51 to 57 % instead of 95 % where 2 or 3 "
            "raters differed much, 80 to 91 % in most tables where they differed a little, which "
            "few raters need not show. Use the agreement forms.",
        ),
        "few_raters": (
            not one_way and k < 5,
            f"{k} raters: the spread between raters, and so every agreement form and its SEM, "
            "rests on them; more subjects do not narrow those intervals (fewer than 5 raters).",
        ),
        "few_participants": (
            n < 30,
            f"{n} participants: at least 30 are advised (rule of thumb of Koo & Li 2016).",
        ),
        "f_interval_too_narrow": (
            not one_way and interval == "f",
            "The F interval of ICC(A,1) and ICC(A,k) covered 84 % instead of 95 % where 3 raters "
            "differed much (docs/methods/icc.md); interval='generalised' held.",
        ),
    }
