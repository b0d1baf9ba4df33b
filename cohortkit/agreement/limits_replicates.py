"""Limits of agreement from repeated reads: truth constant within a subject, or changing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Unpack

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.agreement.intervals import Limits, chi_square_sd
from cohortkit.agreement.limit_checks import (
    assumption_checks,
    by_participant,
    check_cautions,
    normal_quantiles,
)
from cohortkit.agreement.limit_components import (
    Total,
    bootstrap_intervals,
    component_intervals,
    summary,
)
from cohortkit.agreement.limit_reads import (
    ReadOptions,
    Reads,
    between,
    clean,
    linked,
    spec,
    two_raters,
)
from cohortkit.agreement.limits import AgreementLimits
from cohortkit.agreement.limits_clustered import (
    How,
    checked,
    main_estimates,
    nested_limits,
    spread_cautions,
)
from cohortkit.agreement.rounding import apart, grain
from cohortkit.display import counted
from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution, Estimate

_NONE: Limits = (math.nan, math.nan)


def limits_replicates(
    data: Any,
    *,
    truth: str = "constant",
    replicate: str = "read_no",
    raters: Sequence[Any] | None = None,
    interval: str = "components",
    level: float = 0.95,
    coverage: float = 0.95,
    **options: Unpack[ReadOptions],
) -> AgreementLimits:
    """Limits for the difference of two single reads, from subjects read repeatedly.

    Parameters
    ----------
    data
        One row per read: a table or an analysis set. Both raters read a subject
        once or more, not equally often. Takes values, not means of the repeats.
    truth
        ``"constant"``: all reads of a subject are of the same true value, as of one
        stored clip; the order of reads means nothing. ``"varying"``: the true value
        changes between repeats, and reads with the same `replicate` belong together.
    replicate
        Column that numbers the repeats; used with ``truth="varying"`` only.
    raters
        The two raters, first minus second. None if the table holds just two.
    interval
        ``"components"`` (normal model) or ``"bootstrap"`` (over participants).
    level, coverage
        Coverage of each interval, and share of differences the limits are to hold.
    **options
        Column names, unit, missing, n_boot, seed: see `ReadOptions`.

    Returns
    -------
    AgreementLimits
        ``bias, sd_difference, lower_limit, upper_limit``; with constant truth also
        ``within_sd`` of each rater (group ``rater=...``), with varying truth
        ``sd_between_participants`` and ``sd_within_participants`` of the differences.

    Raises
    ------
    EstimateError
        A rater without any repeated read (constant truth), subjects that one rater
        did not read, reads without partner (varying truth), several quantities
        mixed, the same reading twice; ``interval="components"`` where participants have several subjects
        that are read repeatedly, since the model has no place for both.
    TableError
        Missing values or absent columns.

    Notes
    -----
    Constant truth (Bland & Altman 1999, section 5.1): variance of the differences of
    the subjects' means plus (1 - mean of 1/m) times the within-subject variance, for
    each rater with m reads of a subject. Varying truth (section 5.3; 2007): one-way
    analysis of variance of the paired differences. Intervals: Zou 2013.
    """
    how = checked(coverage, level, interval)
    checks.one_of("truth", truth, ("constant", "varying"))
    if truth == "varying":
        pairs = linked(data, raters, options, replicate)
        rows = pairs.table.assign(cluster=pairs.cluster)
        _one_level(rows, how, repeated=bool(rows["subject"].duplicated().any()))
        return nested_limits(pairs, how, pairs.cluster)
    two = two_raters(data, spec(options)["rater"], raters)
    reads = clean(data, options, two)
    reads, alone = _read_by_both(reads, two)
    means = _subject_means(reads.rows, two)
    _one_level(means.table, how, repeated=True)
    return _constant_truth(means, reads, two, how, alone)


@dataclass(frozen=True)
class SubjectMeans:
    """Per subject: mean and number of reads by each rater, and squares about the mean.

    `size`, `mean` and `inner` have shape (n, 2), raters in columns.
    """

    size: np.ndarray
    mean: np.ndarray
    inner: np.ndarray
    table: pd.DataFrame


def constant_truth(size: np.ndarray, mean: np.ndarray, inner: np.ndarray) -> Total:
    """Bias and variance of a single difference, arrays of shape (..., n, 2).

    Var = var(mean differences) + sum over raters of (1 - mean(1 / m)) s_w^2.
    """
    difference = mean[..., 0] - mean[..., 1]
    n = difference.shape[-1]
    between = difference.var(axis=-1, ddof=1)
    inner_df = (size - 1).sum(axis=-2)
    with np.errstate(invalid="ignore", divide="ignore"):
        within = np.where(inner_df > 0, inner.sum(axis=-2) / inner_df, 0.0)
    weight = 1 - (1 / size).mean(axis=-2)
    one = np.ones((*between.shape, 1))
    return Total(
        bias=difference.mean(axis=-1),
        bias_variance=between / n,
        bias_df=n - 1,
        weights=np.concatenate([one, weight * one], axis=-1),
        squares=np.concatenate([between[..., None], within], axis=-1),
        df=np.concatenate([(n - 1) * one, inner_df * one], axis=-1),
        between=between,
        within=within,
    )


def _read_by_both(reads: Reads, two: Sequence[Any]) -> tuple[Reads, int]:
    rows = reads.rows
    both = rows.groupby("subject")["rater"].transform("nunique") == 2
    alone = int(rows.loc[~both, "subject"].nunique())
    if alone and reads.settings["missing"] == "stop":
        raise EstimateError(
            "Not every subject was read by both raters",
            found=f"{alone} of {counted(rows['subject'].nunique(), 'subject')} by one only",
            next_step="pass missing='drop' to leave them out and count them",
        )
    kept = rows[both].reset_index(drop=True)
    repeated = kept[kept.duplicated(["subject", "rater"])]
    lone = [str(r) for r in two if not (repeated["rater"] == r).any()]
    if kept["subject"].nunique() < 2 or len(lone) == 2:
        raise EstimateError(
            "No rater read any subject twice"
            if kept["subject"].nunique() >= 2
            else "Limits of agreement need at least two subjects read by both raters",
            found=f"{counted(len(kept), 'read')} of "
            + counted(kept["subject"].nunique(), "subject")
            + " by both",
            next_step="use limits_of_agreement, or limits_clustered where participants have "
            "several subjects",
        )
    if kept["cluster"].nunique() < 2:
        raise EstimateError(
            "Limits of agreement need at least two participants read by both raters",
            found=counted(kept["subject"].nunique(), "subject") + " of one participant",
            next_step="add readings of other participants; participant=None states that the "
            "subjects are independent, which scans of one person are not",
        )
    return Reads(kept, reads.settings, reads.cautions), alone


def _subject_means(rows: pd.DataFrame, two: Sequence[Any]) -> SubjectMeans:
    code, labels = pd.factorize(rows["subject"], sort=True)
    n = len(labels)
    cell = 2 * code + (rows["rater"] == two[1]).to_numpy()
    value = rows["value"].to_numpy()
    centre = value.mean()
    size = np.bincount(cell, minlength=2 * n).astype(float)
    mean = np.bincount(cell, value - centre, minlength=2 * n) / size
    inner = np.bincount(cell, (value - centre - mean[cell]) ** 2, minlength=2 * n)
    inner = np.where(inner <= size * grain(value) ** 2, 0.0, inner)
    first = rows.assign(code=code).drop_duplicates("code").sort_values("code")
    size, mean, inner = (a.reshape(n, 2) for a in (size, mean + centre, inner))
    table = pd.DataFrame(
        {
            "subject": labels,
            "participant": first.get("participant", first["subject"]).to_numpy(),
            "mean": mean.mean(axis=1),
            "difference": mean[:, 0] - mean[:, 1],
            "n_first": size[:, 0].astype(int),
            "n_second": size[:, 1].astype(int),
            "cluster": first["cluster"].to_numpy(),
        }
    )
    return SubjectMeans(size, mean, inner, table)


def _one_level(table: pd.DataFrame, how: How, *, repeated: bool) -> None:
    """The normal model has one level of grouping; two levels go by the bootstrap."""
    several = int((table.groupby("cluster")["subject"].nunique() > 1).sum())
    if several and repeated and how.interval == "components":
        raise EstimateError(
            "Participants have several subjects, and subjects are read repeatedly: intervals from "
            "variance components would take scans of one person for independent",
            found=f"{several} of {table['cluster'].nunique()} participants have several subjects",
            next_step="pass interval='bootstrap', or keep one scan of each participant",
        )


def _constant_truth(
    means: SubjectMeans, reads: Reads, two: Sequence[Any], how: How, alone: int
) -> AgreementLimits:
    base, rest = apart(means.mean[:, 0] - means.mean[:, 1], grain(means.mean))
    if not rest.any():  # the differences of the means are all equal
        means = replace(means, mean=np.column_stack([rest, rest]))
    total = constant_truth(means.size, means.mean, means.inner)
    total = replace(total, bias=total.bias + base)
    settings, unit = reads.settings, str(reads.settings["unit"])
    failed, kind = 0, how.interval
    limits: list[Limits] = [_NONE] * 4
    if float(total.variance) > 0 and how.interval == "bootstrap":

        def statistic(rows: np.ndarray) -> np.ndarray:
            return summary(
                constant_truth(means.size[rows], means.mean[rows], means.inner[rows]), how.z
            )

        codes = means.table["cluster"].to_numpy()
        limits, undefined = bootstrap_intervals(
            statistic, codes, how.level, settings["n_boot"], settings["seed"]
        )
        failed = int(undefined.max())
    elif float(total.variance) > 0:
        limits = component_intervals(total, how.z, how.level)
    build = partial(Estimate, level=how.level, unit=unit, **reads.counts())
    own = means.table.assign(difference=rest)
    mean, difference = by_participant(own, pd.factorize(own["cluster"])[0])
    found = assumption_checks(mean, difference)
    said = spread_cautions(reads.n_clusters, float(total.variance), failed, how, several=True)
    unseen = "repeats" if how.interval == "components" and float(total.variance) > 0 else ""
    return AgreementLimits(
        question=f"How far apart are two single reads? ({two[0]} minus {two[1]}, repeated reads)",
        estimates=between(main_estimates(summary(total, how.z), limits, how, kind, build), two)
        + _within(means, two, reads, how),
        cautions=(
            *_alone(alone),
            *reads.cautions,
            *said,
            *check_cautions(found, unit, unseen),
        ),
        settings={
            **settings,
            "raters": [str(r) for r in two],
            "truth": "constant",
            "interval": how.interval,
            "level": how.level,
            "coverage": how.coverage,
        },
        pairs=own.assign(difference=base + rest).drop(columns="cluster"),
        checks=found,
        quantiles=normal_quantiles(difference) + base,
    )


def _within(
    means: SubjectMeans, two: Sequence[Any], reads: Reads, how: How
) -> tuple[Estimate, ...]:
    """SD of each rater's repeats; exact interval where subjects are independent."""
    found = []
    independent = not means.table["cluster"].duplicated().any()
    for column, rater in enumerate(two):
        df = float((means.size[:, column] - 1).sum())
        squares = float(means.inner[:, column].sum())
        limits = _NONE
        if df > 0 and squares > 0 and independent:
            limits = chi_square_sd(squares, df, how.level)
        found.append(
            Estimate(
                "within_sd",
                math.sqrt(squares / df) if df > 0 else math.nan,
                *limits,
                level=how.level,
                unit=str(reads.settings["unit"]),
                method="root of the pooled within-subject variance; "
                + ("chi-square interval" if independent else "no interval, see repeatability"),
                group=f"rater={rater}",
                n_participants=reads.n_clusters,
                n_fingers=reads.counts()["n_fingers"],
                n_readings=int(means.size[:, column].sum()),
            )
        )
    return tuple(found)


def _alone(alone: int) -> tuple[Caution, ...]:
    if not alone:
        return ()
    message = f"Subjects that one of the two did not read, left out: {alone}."
    return (Caution("subjects_without_partner", message),)
