"""Accuracy at a cut when only some rows have a reference standard (Begg & Greenes 1983)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Unpack

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.errors import EstimateError, TableError
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.thresholds.accuracy import check_cut
from cohortkit.thresholds.begg_greenes import Corrected, correct
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
    """Naive and corrected accuracy.

    `table`: test, positive, negative, unverified (rows). `flow`: step, rows; from the
    rows given to those used, and how many of these were verified and why the others
    count as not verified. The rows are more than those of `accuracy_at`, which needs a
    status in every one of them.
    """

    table: pd.DataFrame = field(default_factory=pd.DataFrame)
    flow: pd.DataFrame = field(default_factory=pd.DataFrame)


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
    found = correct(hit, sample.positive, sample.verified, sample.cluster)
    corrected = [
        sample.estimate(name, (c.value, *c.limits(sample.cluster, level)), level, _CORRECTED)
        for name, c in found.items()
    ]
    return CorrectedAccuracy(
        question=f"At a cut of {cut:g} {sample.unit}, how well does the gap tell "
        f"{sample.contrast}, had every finger been verified?",
        estimates=(*corrected, *_naive(sample, hit, level)),
        cautions=(*sample.cautions, *_notes(sample, found)),
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
        flow=_flow(sample),
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
        rows["verified"] = rows["verified"] & ~rows["basis"].isin(CIRCULAR_BASES)
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
    circular = rows["basis"].isin(CIRCULAR_BASES) if "basis" in rows else pd.Series(dtype=bool)
    counts["circular_as_unverified"] = int(circular.sum())
    return build_sample(
        rows, (positive, negative), (settings, spec), notes, counts, only_verified=True
    )


def _each_result_verified(hit: np.ndarray, verified: np.ndarray) -> None:
    for word, rows in (("at or above", hit), ("below", ~hit)):
        if not (rows & verified).any():
            raise EstimateError(
                f"No row {word} the cut was verified, so nothing is known of the tears there",
                found=f"{int(rows.sum())} rows {word} the cut, none verified",
                next_step="verify some of them, or choose another cut",
            )


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


def _notes(sample: Sample, found: dict[str, Corrected]) -> list[Caution]:
    n, circular = int((~sample.verified).sum()), sample.counts["circular_as_unverified"]
    why = f" ({circular} because their status was given from the gap itself)" if circular else ""
    notes = [
        Caution(
            "verification_assumed_at_random",
            f"{n} of {len(sample.value)} rows were not verified{why}. The correction holds if, "
            "among fingers on the same side of the cut, the choice to verify did not depend on the "
            "tear or on anything that goes with it; a choice by the size of the gap breaks this.",
        ),
        Caution(
            "prevalence_of_these_rows",
            f"The prevalence is that of these {len(sample.value)} rows, fingers that came to be "
            "scanned at these sites. It is not the prevalence among climbers, and predictive values "
            "made from it hold for no other clinic.",
        ),
    ]
    if any(c.extra for c in found.values()):
        notes.append(
            Caution(
                "no_error_among_verified",
                "All verified rows on one side of the cut have the same status. The intervals "
                "rest on half a participant added to each status there.",
            )
        )
    return notes


def _flow(sample: Sample) -> pd.DataFrame:
    """Rows given, left out and used; and the used ones by how they were verified."""
    counts = sample.counts
    unverified = int((~sample.verified).sum())
    from_gap = counts["circular_as_unverified"]
    steps = {
        "rows given": counts["rows_given"],
        "left out: verified, but in neither class": counts["left_out_other_status"],
        "left out: a value is missing": counts["dropped_missing"],
        "used": len(sample.value),
        "of these verified by a reference standard": len(sample.value) - unverified,
        "of these not verified: status given from the gap itself": from_gap,
        "of these not verified: other": unverified - from_gap,
    }
    return pd.DataFrame(list(steps.items()), columns=["step", "rows"])


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
