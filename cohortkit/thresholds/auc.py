"""ROC curve and the area under it, with an interval over participants."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Unpack

import numpy as np
import pandas as pd
from scipy import special, stats

from cohortkit import checks
from cohortkit.estimate import Caution, Result
from cohortkit.thresholds.curve import Components, clustered_variance, components, roc_points
from cohortkit.thresholds.sample import (
    Classes,
    Options,
    Sample,
    leave_one_site_out,
    verification_note,
)
from cohortkit.thresholds.selection import draw_sample

INTERVALS = ("stabilised", "logit", "wald")
_PSEUDO = 0.5
_AREA = "area under the empirical ROC curve, ties count one half"
_VARIANCE = {
    True: "variance over participants (Obuchowski 1997)",
    False: "DeLong variance (DeLong, DeLong & Clarke-Pearson 1988), one row per participant",
}
_SCALE = {
    "stabilised": "on the logit scale with half a participant added to each class, t quantile",
    "logit": "on the logit scale (Pepe 2003)",
    "wald": "plain, cut at 0 and 1",
}


@dataclass(frozen=True, repr=False)
class Roc(Result):
    """ROC curve, area, and how the area moves without each site.

    `curve`: cut, above, up_to, sensitivity, specificity; any cut in (above, up_to]
    gives the same point. `sites`: site_left_out, auc, positive, negative (rows
    left), reason; empty unless the table names at least three sites.
    """

    curve: pd.DataFrame = field(default_factory=pd.DataFrame)
    sites: pd.DataFrame = field(default_factory=pd.DataFrame)


def roc(
    data: Any,
    *,
    positive: Classes = ("complete",),
    negative: Classes = ("none", "strain", "partial"),
    circular: str = "leave_out",
    interval: str = "stabilised",
    level: float = 0.95,
    missing: str = "stop",
    **options: Unpack[Options],
) -> Roc:
    """How well the gap tells one class of tears from another, over all cuts.

    Rows are one gap with one status. A larger gap speaks for the positive class;
    that direction is fixed, never chosen from the data. Takes readings in mm, not
    probabilities and not grades derived from the gap.

    Parameters
    ----------
    data
        Analysis set or table.
    positive, negative
        Statuses of the target condition and of what it is compared with. Other
        statuses are left out and counted.
    circular
        "leave_out" drops rows whose basis is us_gap; "keep" keeps them with a loud
        caution.
    interval
        "stabilised" (default; held its level where the others did not, and exists
        for an area of 1), "logit" or "wald".
    level
        Coverage of the interval.
    missing
        "stop", or "drop" to leave out and count rows with a missing value.
    **options
        Column names and units, see `Options`.

    Returns
    -------
    Roc
        Estimate `auc`, the curve, and leave-one-site-out areas.

    Raises
    ------
    EstimateError
        If a class is empty, all gaps are equal, or conditions would be mixed.
    TableError
        If a column is absent or a value missing.
    """
    checks.one_of("interval", interval, INTERVALS)
    checks.proportion("level", level)
    sample = draw_sample(data, (positive, negative), circular, missing, options)
    parts = components(sample.value, sample.positive, sample.cluster)
    lower, upper = area_limits(parts, interval, level)
    method = f"{_AREA}; {_VARIANCE[sample.repeats]}; {_SCALE[interval]}"
    return Roc(
        question=f"How well does the gap tell {sample.contrast}?",
        estimates=(sample.estimate("auc", (parts.area, lower, upper), level, method),),
        cautions=(
            *sample.cautions,
            *verification_note(sample),
            *_area_notes(parts, (lower, upper), interval),
        ),
        settings={
            "positive": positive,
            "negative": negative,
            "circular": circular,
            "interval": interval,
            "level": level,
            "missing": missing,
            **options,
            **sample.counts,
        },
        curve=roc_points(sample.value, sample.positive).to_frame(),
        sites=_without_each_site(sample),
    )


def area_limits(parts: Components, interval: str, level: float) -> tuple[float, float]:
    """Limits of the area; NaN where they do not exist."""
    area, variance = clustered_variance(parts, _PSEUDO if interval == "stabilised" else 0.0)
    if not variance > 0:
        return float("nan"), float("nan")
    tail = 0.5 + level / 2
    if interval == "wald":
        half = stats.norm.ppf(tail) * np.sqrt(variance)
        return max(0.0, float(area - half)), min(1.0, float(area + half))
    if interval == "stabilised":
        participants = min(
            len(np.unique(parts.positive_cluster)), len(np.unique(parts.negative_cluster))
        )
        quantile = stats.t.ppf(tail, participants - 1)
    else:
        quantile = stats.norm.ppf(tail)
    half = quantile * np.sqrt(variance) / (area * (1 - area))
    middle = np.log(area / (1 - area))
    lower, upper = special.expit(middle - half), special.expit(middle + half)
    return float(min(lower, parts.area)), float(max(upper, parts.area))


def _area_notes(parts: Components, limits: tuple[float, float], interval: str) -> list[Caution]:
    notes = []
    if parts.area in (0.0, 1.0):
        notes.append(
            Caution(
                "perfect_separation",
                "The two classes do not overlap, so the sample holds no error to learn the "
                "spread from. "
                + (
                    "The lower limit rests on half a participant added to each class; more rows "
                    "can only lower the area."
                    if interval == "stabilised"
                    else "This kind of interval does not exist then; the stabilised one does."
                ),
            )
        )
    elif np.isnan(limits[0]):
        notes.append(
            Caution(
                "no_interval",
                "The interval does not exist: a class has fewer than two participants, or all "
                "rows of each class agree.",
            )
        )
    if parts.area < 0.5:
        notes.append(
            Caution(
                "area_below_half",
                "Positive rows have smaller gaps than negative ones; check how status and gap "
                "were coded.",
            )
        )
    return notes


def _without_each_site(sample: Sample) -> pd.DataFrame:
    """The area without each site in turn."""
    rows = []
    for name, part in leave_one_site_out(sample):
        n_positive, n_negative = int(part.positive.sum()), int((~part.positive).sum())
        enough = n_positive and n_negative
        area = components(part.value, part.positive, part.cluster).area if enough else np.nan
        rows.append(
            [name, area, n_positive, n_negative, "" if enough else "only one class is left"]
        )
    return pd.DataFrame(rows, columns=["site_left_out", "auc", "positive", "negative", "reason"])
