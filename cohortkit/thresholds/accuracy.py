"""Sensitivity, specificity and likelihood ratios at a cut that was fixed beforehand."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Unpack

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit import checks
from cohortkit.errors import ArgumentError
from cohortkit.estimate import Caution, Result
from cohortkit.thresholds.binomial import KINDS, proportion
from cohortkit.thresholds.sample import (
    Classes,
    Options,
    Sample,
    verification_note,
)
from cohortkit.thresholds.selection import draw_sample

_RATIO = "ratio with an interval on the log scale (Simel, Samsa & Matchar 1991)"
_RATIO_CLUSTERED = "ratio with an interval on the log scale, linearised over participants"


@dataclass(frozen=True, repr=False)
class AccuracyAtCut(Result):
    """Accuracy at a cut. `table`: rows by test result and status, two by two."""

    table: pd.DataFrame = field(default_factory=pd.DataFrame)


def accuracy_at(
    data: Any,
    cut: float,
    *,
    positive: Classes = ("complete",),
    negative: Classes = ("none", "strain", "partial"),
    circular: str = "leave_out",
    interval: str = "wilson",
    level: float = 0.95,
    missing: str = "stop",
    **options: Unpack[Options],
) -> AccuracyAtCut:
    """Sensitivity, specificity and likelihood ratios of the rule 'gap at or above the cut'.

    Takes a cut that was stated before looking at these rows. A cut chosen on them
    belongs to `youden_cut`. Predictive values are not given, since they belong to
    a share of tears that a pooled sample does not have.

    Parameters
    ----------
    data
        Analysis set or table.
    cut
        In the unit of the gaps. A gap equal to it is positive.
    positive, negative, circular, level, missing
        As in `roc`.
    interval
        "wilson" or "clopper_pearson", for the two proportions.
    **options
        Column names and units, see `Options`.

    Returns
    -------
    AccuracyAtCut
        `sensitivity`, `specificity`, `lr_positive`, `lr_negative`, and the table.

    Raises
    ------
    ArgumentError
        If the cut is not a finite number.
    EstimateError, TableError
        As in `roc`.
    """
    check_cut(cut)
    checks.one_of("interval", interval, KINDS)
    checks.proportion("level", level)
    sample = draw_sample(data, (positive, negative), circular, missing, options)
    hit = sample.value >= cut
    sides = {"sensitivity": sample.positive, "specificity": ~sample.positive}
    estimates = []
    for name, rows in sides.items():
        correct = hit[rows] if name == "sensitivity" else ~hit[rows]
        found = proportion(correct, sample.cluster[rows], kind=interval, level=level)
        limits = (found.value, found.lower, found.upper)
        estimates.append(sample.estimate(name, limits, level, found.method, rows))
    ratio_method = _RATIO_CLUSTERED if sample.repeats else _RATIO
    for name, test in (("lr_positive", hit), ("lr_negative", ~hit)):
        ratio = likelihood_ratio(test, sample.positive, sample.cluster, level)
        estimates.append(sample.estimate(name, ratio, level, ratio_method))
    return AccuracyAtCut(
        question=f"At a cut of {cut:g} {sample.unit}, how well does the gap tell "
        f"{sample.contrast}?",
        estimates=tuple(estimates),
        cautions=(
            *sample.cautions,
            *verification_note(sample),
            *_unseen_at_cut(sample, cut),
            *_ratio_notes(hit, sample.positive),
        ),
        settings={
            "cut": float(cut),
            "positive": positive,
            "negative": negative,
            "circular": circular,
            "interval": interval,
            "level": level,
            "missing": missing,
            **options,
            **sample.counts,
        },
        table=two_by_two(hit, sample.positive),
    )


def check_cut(cut: float) -> None:
    """Refuse a cut that is not a finite number.

    Raises
    ------
    ArgumentError
        If it is not.
    """
    if isinstance(cut, bool) or not isinstance(cut, (int, float)) or not np.isfinite(cut):
        raise ArgumentError(
            "Argument 'cut' is one finite number in the unit of the gaps",
            found=repr(cut),
            next_step="give the cut, such as 2.0",
        )


def two_by_two(hit: np.ndarray, positive: np.ndarray) -> pd.DataFrame:
    """Counts of rows by test result and status."""
    return pd.DataFrame(
        {
            "test": ["at or above the cut", "below the cut"],
            "positive": [int((hit & positive).sum()), int((~hit & positive).sum())],
            "negative": [int((hit & ~positive).sum()), int((~hit & ~positive).sum())],
        }
    )


def likelihood_ratio(
    test: np.ndarray, positive: np.ndarray, cluster: np.ndarray, level: float
) -> tuple[float, float, float]:
    """P(test | positive) / P(test | negative) with limits on the log scale.

    With shares a of m positive and b of n negative rows, the variance of the log
    ratio is (1-a)/(am) + (1-b)/(bn) for independent rows. Where participants
    repeat it is the between-participant sum of squares of the two linearised
    terms and of their product, each with I/(I-1), and the quantile is Student's.
    The limits do not exist if a share is 0, and the ratio not if both are.
    """
    m, n = int(positive.sum()), int((~positive).sum())
    a, b = float(test[positive].mean()), float(test[~positive].mean())
    if a == 0 or b == 0:
        value = float("nan") if a == b else (0.0 if a == 0 else float("inf"))
        return value, float("nan"), float("nan")
    tail = 0.5 + level / 2
    if len(np.unique(cluster)) == len(cluster):
        variance = (1 - a) / (a * m) + (1 - b) / (b * n)
        quantile = stats.norm.ppf(tail)
    else:
        size = int(cluster.max()) + 1
        top = np.bincount(cluster[positive], (test[positive] - a) / (a * m), size)
        bottom = np.bincount(cluster[~positive], (test[~positive] - b) / (b * n), size)
        clusters = [len(np.unique(c)) for c in (cluster[positive], cluster[~positive], cluster)]
        if min(clusters) < 2:
            return a / b, float("nan"), float("nan")
        f1, f0, f = (c / (c - 1) for c in clusters)
        variance = f1 * (top**2).sum() + f0 * (bottom**2).sum() - 2 * f * (top * bottom).sum()
        quantile = stats.t.ppf(tail, min(clusters) - 1)
    half = float(quantile * np.sqrt(max(variance, 0.0)))
    return a / b, float(a / b * np.exp(-half)), float(a / b * np.exp(half))


def _unseen_at_cut(sample: Sample, cut: float) -> list[Caution]:
    if sample.resolution is None:
        return []
    unclear = np.isneginf(sample.value) & (sample.resolution > cut)
    if not unclear.any():
        return []
    return [
        Caution(
            "cut_below_resolution",
            f"{int(unclear.sum())} unseen gaps could lie above the cut, since their limit of "
            "resolution does; they are counted as below it.",
        )
    ]


def _ratio_notes(hit: np.ndarray, positive: np.ndarray) -> list[Caution]:
    notes = []
    for name, test in (("lr_positive", hit), ("lr_negative", ~hit)):
        if not test[~positive].any() or not test[positive].any():
            notes.append(
                Caution(
                    "likelihood_ratio_at_bound",
                    f"{name} is 0, infinite or undefined because a cell of the table is empty; it "
                    "has no interval. Read the intervals of sensitivity and specificity instead.",
                )
            )
    return notes
