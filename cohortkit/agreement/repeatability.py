"""Each rater with himself: within-subject SD and repeatability from repeated reads."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Unpack

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit import checks
from cohortkit.agreement.intervals import Limits, chi_square_sd
from cohortkit.agreement.limit_checks import assumption_checks, normal_quantiles
from cohortkit.agreement.limit_reads import ReadOptions, clean
from cohortkit.display import counted
from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution, Estimate, Result

_CHANGE = math.sqrt(2)
_EXACT = "chi-square interval"
_CLUSTERED = (
    "delete-one-participant jackknife of 1 / SD, t with degrees of freedom from the kurtosis "
    "(no source for the whole; coverage measured)"
)


@dataclass(frozen=True, repr=False, eq=False)
class Repeatability(Result):
    """Within-subject SD and repeatability; `spread` is what they rest on.

    `spread` has one row per rater and subject read at least twice: rater, subject,
    participant, reads, mean, sd. `checks` has the slope of the SD on the mean for
    each rater; `quantiles` the standardised residuals of all for a normal plot.
    """

    spread: pd.DataFrame = field(default_factory=pd.DataFrame)
    checks: pd.DataFrame = field(default_factory=pd.DataFrame)
    quantiles: pd.DataFrame = field(default_factory=pd.DataFrame)


def repeatability(
    data: Any, *, level: float = 0.95, coverage: float = 0.95, **options: Unpack[ReadOptions]
) -> Repeatability:
    """How much repeated reads of one subject by one rater differ.

    Parameters
    ----------
    data
        One row per read: a table or an analysis set. Subjects that a rater read once
        say nothing here and are counted. Takes values, not differences.
    level, coverage
        Coverage of each interval, and share of pairs of reads that lie closer than
        the repeatability.
    **options
        Column names, unit, missing: see `ReadOptions`. ``rater=None``: all reads are
        by one rater, or by nobody in particular.

    Returns
    -------
    Repeatability
        ``within_sd`` and ``repeatability`` = 1.96 sqrt(2) SD, for each rater (group
        ``rater=...``). Chi-square intervals with one subject per participant; else
        clustered by participant.

    Raises
    ------
    EstimateError
        No subject was read twice by the same rater; several quantities mixed; the same
        reading twice.
    TableError
        Missing values or absent columns.

    Notes
    -----
    s_w^2 = sum over subjects of squares about their mean / sum (m - 1), Bland &
    Altman 1986, 1999. With d of two reads: sum d^2 / 2n. Repeatability is what the
    next two reads differ by less than, in 95 % of cases, by the same rater.
    """
    checks.proportion("level", level)
    checks.proportion("coverage", coverage)
    reads = clean(data, options)
    rows = reads.rows
    keys = ["rater", "subject"] if "rater" in rows else ["subject"]
    size = rows.groupby(keys)["value"].transform("size")
    kept = rows[size > 1].reset_index(drop=True)
    if kept.empty:
        raise EstimateError(
            "No subject was read twice by the same rater",
            found=counted(len(rows), "read"),
            next_step="add repeated reads; raters are compared by limits_of_agreement and icc",
        )
    spread = _spread(kept, keys)
    estimates: list[Estimate] = []
    found, cautions = [], list(_once(len(rows) - len(kept)))
    parts = spread.groupby("rater", sort=True) if "rater" in spread else [("", spread)]
    for rater, part in parts:
        mine = kept[kept["rater"] == rater] if "rater" in kept else kept
        group = f"rater={rater}" if "rater" in kept else ""
        fingers = int(mine["finger_id"].nunique()) if "finger_id" in mine else None
        counts = (part["cluster"].nunique(), fingers, len(mine))
        estimates += _estimates(part, group, (level, coverage), reads.settings["unit"], counts)
        check = assumption_checks(part["mean"].to_numpy(), part["sd"].to_numpy()).iloc[:1]
        found.append(check.assign(check="sd_on_mean", group=group))
        cautions += _cautions(part, check, group, level)
        cautions += _open(estimates[-1], group)
    residual = kept["value"] - kept.groupby(keys)["value"].transform("mean")
    m = kept.groupby(keys)["value"].transform("size")
    return Repeatability(
        question="How much do repeated reads by the same rater differ?",
        estimates=tuple(estimates),
        cautions=(*reads.cautions, *cautions),
        settings={**reads.settings, "level": level, "coverage": coverage},
        spread=spread.drop(columns=["cluster", "inner"]),
        checks=pd.concat(found, ignore_index=True),
        quantiles=normal_quantiles((residual / np.sqrt(1 - 1 / m)).to_numpy()),
    )


def clustered_limits(inner: np.ndarray, df: np.ndarray, level: float) -> tuple[Any, Any]:
    """Limits of the within-subject SD from squares and df by participant, shape (..., k).

    The inverse of the SD without each participant in turn gives k pseudo-values, near
    normal even where errors differ between people. t interval of their mean; with
    kurtosis b of the pseudo-values their variance has 2 k / (b - 1) degrees of freedom,
    k - 1 at most. The upper limit is infinite where the interval of the inverse holds
    zero; no limits where a single participant holds all the squares.
    """
    k = inner.shape[-1]
    total, count = inner.sum(axis=-1), df.sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        whole = np.sqrt(count / total)
        without = np.sqrt((count[..., None] - df) / (total[..., None] - inner))
        pseudo = k * whole[..., None] - (k - 1) * without
        centre = pseudo.mean(axis=-1)
        gap = pseudo - centre[..., None]
        square = (gap**2).mean(axis=-1)
        kurtosis = (gap**4).mean(axis=-1) / square**2
        freedom = np.clip(2 * k / (kurtosis - 1), 1, k - 1)
        half = stats.t.ppf((1 + level) / 2, freedom) * np.sqrt(square / (k - 1))
        ends = 1 / (centre + half), np.where(centre > half, 1 / (centre - half), np.inf)
    possible = np.isfinite(half)
    return np.where(possible, ends[0], np.nan), np.where(possible, ends[1], np.nan)


def _spread(kept: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    centred = kept.assign(
        value=kept["value"] - kept["value"].mean(), person=kept.get("participant", kept["subject"])
    )
    grouped = centred.groupby(keys, sort=True)
    table = grouped.agg(
        participant=("person", "first"),
        reads=("value", "size"),
        mean=("value", "mean"),
        sd=("value", "std"),
        cluster=("cluster", "first"),
    ).reset_index()
    table["mean"] += kept["value"].mean()
    table["inner"] = table["sd"] ** 2 * (table["reads"] - 1)
    return table


def _estimates(
    part: pd.DataFrame,
    group: str,
    shares: tuple[float, float],
    unit: str,
    counts: tuple[int, int | None, int],
) -> list[Estimate]:
    level, coverage = shares
    df, squares = float((part["reads"] - 1).sum()), float(part["inner"].sum())
    independent = not part["cluster"].duplicated().any()
    limits: Limits = (math.nan, math.nan)
    if squares > 0 and independent:
        limits = chi_square_sd(squares, df, level)
    elif squares > 0 and part["cluster"].nunique() > 1:
        by = part.assign(df=part["reads"] - 1).groupby("cluster")[["inner", "df"]].sum()
        low, high = clustered_limits(by["inner"].to_numpy(), by["df"].to_numpy(float), level)
        limits = (float(low), float(high))
    sd = math.sqrt(squares / df)
    change = float(stats.norm.ppf((1 + coverage) / 2)) * _CHANGE
    words = _EXACT if independent else _CLUSTERED
    found = []
    for name, factor, said in (
        ("within_sd", 1.0, "root of the pooled within-subject variance"),
        ("repeatability", change, f"{change:.4g} times the within-subject SD"),
    ):
        found.append(
            Estimate(
                name,
                factor * sd,
                factor * limits[0],
                factor * limits[1],
                level=level,
                unit=unit,
                method=f"{said}; {words}",
                group=group,
                n_participants=int(counts[0]),
                n_fingers=counts[1],
                n_readings=counts[2],
            )
        )
    return found


def _open(estimate: Estimate, group: str) -> list[Caution]:
    if not math.isinf(estimate.upper):
        return []
    whose = f"{group}: " if group else ""
    message = (
        f"{whose}the upper limit is open: so few participants whose errors differ so much leave it "
        "unknown."
    )
    return [Caution("no_upper_limit", message)]


def _once(n: int) -> tuple[Caution, ...]:
    if not n:
        return ()
    message = f"Reads of subjects that the rater read once, left out: {n}."
    return (Caution("read_once", message),)


def _cautions(part: pd.DataFrame, check: pd.DataFrame, group: str, level: float) -> list[Caution]:
    whose = f"{group}: " if group else ""
    found = []
    k = part["cluster"].nunique()
    if k < 30:
        found.append(
            Caution(
                "few_participants",
                f"{whose}{counted(k, 'participant')}: the {100 * level:g} % interval is wide (fewer than 30; "
                "common practice, no source).",
            )
        )
    if float(part["inner"].sum()) == 0:
        found.append(
            Caution(
                "no_disagreement_seen",
                f"{whose}no two reads of a subject differ; the error is smaller than the rounding "
                "of the values, not zero.",
            )
        )
    p = float(check["p_value"].iloc[0])
    if p < 0.05:
        found.append(
            Caution(
                "spread_depends_on_size",
                f"{whose}the SD of repeats changes with size (p = {p:.2g}): one SD is too large "
                "at one end and too small at the other.",
            )
        )
    return found
