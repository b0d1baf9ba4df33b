"""Accuracy at a cut when only some rows have a reference standard (Begg & Greenes 1983)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Unpack

import numpy as np
import pandas as pd
from scipy import special, stats

from cohortkit import checks
from cohortkit.errors import EstimateError, TableError
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.thresholds.accuracy import check_cut
from cohortkit.thresholds.binomial import proportion
from cohortkit.thresholds.sample import Classes, Options, Sample
from cohortkit.thresholds.selection import (
    CIRCULAR_BASES,
    both_classes,
    build_sample,
    read_rows,
)

_CORRECTED = (
    "Begg & Greenes 1983, interval on the logit scale by linearisation (Zhou 1993), "
    "over participants where they repeat"
)
_NAIVE = "verified rows only, not corrected; "


@dataclass(frozen=True, repr=False)
class CorrectedAccuracy(Result):
    """Naive and corrected accuracy. `table`: test, positive, negative, unverified (rows)."""

    table: pd.DataFrame = field(default_factory=pd.DataFrame)


def corrected_accuracy(
    data: Any,
    cut: float,
    *,
    positive: Classes = ("complete",),
    negative: Classes = ("none", "strain", "partial"),
    level: float = 0.95,
    missing: str = "stop",
    **options: Unpack[Options],
) -> CorrectedAccuracy:
    """Sensitivity and specificity at a cut, corrected for partial verification.

    Takes every row with a gap: verified rows give the share of tears among test
    positives and among test negatives, all rows give how common each test result
    is. Valid if, among rows with the same test result, verification did not depend
    on the tear. Rows whose status was given from the gap itself count as not
    verified; their status is not read.

    Parameters
    ----------
    data
        Analysis set or table with the column `verified`.
    cut
        Stated beforehand, in the unit of the gaps; a gap equal to it is positive.
    positive, negative, level, missing
        As in `roc`. The status of an unverified row may be missing.
    **options
        Column names and units, see `Options`.

    Returns
    -------
    CorrectedAccuracy
        `sensitivity`, `specificity` (corrected), `prevalence`, and
        `sensitivity_naive`, `specificity_naive` from the verified rows alone.

    Raises
    ------
    TableError
        If there is no column of verification.
    EstimateError
        If no test positive, or no test negative, row was verified.
    """
    check_cut(cut)
    checks.proportion("level", level)
    sample = _verified_sample(data, (positive, negative), missing, options)
    hit = sample.value >= cut
    _each_result_verified(hit, sample.verified)
    weights = _linear_terms(hit, sample.positive, sample.verified)
    corrected = [
        _logit_estimate(sample, name, weights[name], level)
        for name in ("sensitivity", "specificity", "prevalence")
    ]
    return CorrectedAccuracy(
        question=f"At a cut of {cut:g} {sample.unit}, how well does the gap tell "
        f"{sample.contrast}, had every finger been verified?",
        estimates=(*corrected, *_naive(sample, hit, level)),
        cautions=(*sample.cautions, *_notes(sample, corrected)),
        settings={
            "cut": float(cut),
            "positive": positive,
            "negative": negative,
            "level": level,
            "missing": missing,
            **options,
            **sample.counts,
        },
        table=_table(hit, sample),
    )


def _verified_sample(
    data: Any, classes: tuple[Classes, Classes], missing: str, options: Options
) -> Sample:
    rows, settings, spec = read_rows(data, options)
    positive, negative = both_classes(*classes)
    if "verified" not in rows:
        raise TableError(
            "The table does not say which rows were verified",
            next_step="name the yes/no column with verified=...",
        )
    notes: list[Caution] = []
    counts = {"rows_given": len(rows)}
    if "basis" in rows:
        circular = rows["basis"].isin(CIRCULAR_BASES) & rows["verified"]
        rows["verified"] = rows["verified"] & ~circular
        counts["circular_as_unverified"] = int(circular.sum())
    rows["status"] = rows["status"].where(rows["verified"])
    known = rows["status"].isin(positive + negative)
    other = rows["verified"] & rows["status"].notna() & ~known
    counts["left_out_other_status"] = int(other.sum())
    if other.any():
        text = f"{int(other.sum())} verified rows are in neither class and were left out."
        notes.append(Caution("other_status_left_out", text))
    rows = rows[~other].reset_index(drop=True)
    needed = rows[[c for c in ("value", "participant") if c in rows]].copy()
    needed["status"] = rows["status"].where(rows["verified"], "not needed")
    counts["dropped_missing"] = checks.without_missing(needed, missing)[1]
    rows = rows[needed.notna().all(axis=1)].reset_index(drop=True)
    if counts["dropped_missing"]:
        text = f"{counts['dropped_missing']} rows with a missing value were dropped."
        notes.append(Caution("missing_dropped", text))
    return build_sample(rows, (positive, negative), (settings, spec), notes, counts)


def _each_result_verified(hit: np.ndarray, verified: np.ndarray) -> None:
    for word, rows in (("at or above", hit), ("below", ~hit)):
        if not (rows & verified).any():
            raise EstimateError(
                f"No row {word} the cut was verified, so nothing is known of the tears there",
                found=f"{int(rows.sum())} rows {word} the cut, none verified",
                next_step="verify some of them, or choose another cut",
            )


def _linear_terms(
    hit: np.ndarray, positive: np.ndarray, verified: np.ndarray
) -> dict[str, tuple[float, np.ndarray]]:
    """Each corrected figure with the linear term of its logit, per row (n,).

    With t the share of test positives, and v1, v0 the shares of tears among
    verified test positives and negatives:
    sensitivity = t v1 / (t v1 + (1-t) v0), specificity = (1-t)(1-v0) / ((1-t)(1-v0) + t (1-v1)),
    prevalence = t v1 + (1-t) v0.
    """
    n = len(hit)
    t = hit.mean()
    terms = {"t": (hit - t) / n}
    v = {}
    for key, rows in (("v1", hit & verified), ("v0", ~hit & verified)):
        v[key] = positive[rows].mean()
        terms[key] = rows * (positive - v[key]) / rows.sum()
    v1, v0 = v["v1"], v["v0"]
    with np.errstate(divide="ignore", invalid="ignore"):
        odds_t = terms["t"] / (t * (1 - t))
        share = t * v1 + (1 - t) * v0
        gradient = (v1 - v0) * terms["t"] + t * terms["v1"] + (1 - t) * terms["v0"]
        return {
            "sensitivity": (t * v1 / share, odds_t + terms["v1"] / v1 - terms["v0"] / v0),
            "specificity": (
                (1 - t) * (1 - v0) / (1 - share),
                -odds_t - terms["v0"] / (1 - v0) + terms["v1"] / (1 - v1),
            ),
            "prevalence": (share, gradient / (share * (1 - share))),
        }


def _logit_estimate(
    sample: Sample, name: str, term: tuple[float, np.ndarray], level: float
) -> Estimate:
    value, linear = term
    tail = 0.5 + level / 2
    quantile, factor = stats.norm.ppf(tail), 1.0
    if sample.repeats:
        clusters = len(np.unique(sample.cluster))
        factor = clusters / (clusters - 1) if clusters > 1 else np.nan
        linear = np.bincount(sample.cluster, linear)
        quantile = stats.t.ppf(tail, clusters - 1) if clusters > 1 else np.nan
    half = quantile * np.sqrt(factor * (linear**2).sum())
    lower = upper = float("nan")
    if 0 < value < 1 and np.isfinite(half):
        middle = np.log(value / (1 - value))
        lower, upper = special.expit(middle - half), special.expit(middle + half)
    return sample.estimate(name, (value, lower, upper), level, _CORRECTED)


def _naive(sample: Sample, hit: np.ndarray, level: float) -> list[Estimate]:
    found = []
    for name, rows in (
        ("sensitivity_naive", sample.positive & sample.verified),
        ("specificity_naive", ~sample.positive & sample.verified),
    ):
        correct = hit[rows] if name.startswith("sens") else ~hit[rows]
        p = proportion(correct, sample.cluster[rows], kind="wilson", level=level)
        limits = (p.value, p.lower, p.upper)
        found.append(sample.estimate(name, limits, level, _NAIVE + p.method, rows))
    return found


def _notes(sample: Sample, corrected: list[Estimate]) -> list[Caution]:
    n = int((~sample.verified).sum())
    notes = [
        Caution(
            "verification_assumed_at_random",
            f"{n} of {len(sample.value)} rows were not verified. The correction holds if, among "
            "fingers on the same side of the cut, the choice to verify did not depend on the tear "
            "or on anything that goes with it; a choice by the size of the gap breaks this.",
        )
    ]
    at_bound = [e.name for e in corrected if np.isnan(e.lower)]
    if at_bound:
        notes.append(
            Caution(
                "no_interval",
                f"{' and '.join(at_bound)} lies at 0 or 1 or rests on one participant, so the "
                "interval does not exist.",
            )
        )
    return notes


def _table(hit: np.ndarray, sample: Sample) -> pd.DataFrame:
    sides = (hit, ~hit)
    known = sample.verified
    return pd.DataFrame(
        {
            "test": ["at or above the cut", "below the cut"],
            "positive": [int((s & known & sample.positive).sum()) for s in sides],
            "negative": [int((s & known & ~sample.positive).sum()) for s in sides],
            "unverified": [int((s & ~known).sum()) for s in sides],
        }
    )
