"""Limits of agreement where participants give several fingers or scans."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Unpack

import numpy as np
from scipy import stats

from cohortkit import checks
from cohortkit.agreement.intervals import Limits, chi_square_sd
from cohortkit.agreement.limit_checks import (
    assumption_checks,
    by_participant,
    check_cautions,
    normal_quantiles,
)
from cohortkit.agreement.limit_components import (
    Grouped,
    Total,
    bootstrap_intervals,
    component_intervals,
    grouped,
    one_way,
    summary,
)
from cohortkit.agreement.limit_levels import Fingered, fingered, has_levels, two_way
from cohortkit.agreement.limit_reads import Linked, ReadOptions, between, linked
from cohortkit.agreement.limits import AgreementLimits, limit_factors
from cohortkit.estimate import Caution, Estimate

INTERVALS = ("components", "bootstrap")
NAMES = ("bias", "sd_difference", "lower_limit", "upper_limit")
FEW_FOR_BOOTSTRAP = 150
_NONE: Limits = (math.nan, math.nan)
_WIDE = ", and with several scans of a person a touch wider than it says (95 to 97 % with 15)."
_WORDS = {
    "exact": "exact intervals (t, chi-square, non-central t), one pair per participant",
    "components": "interval from variance components (Zou 2013)",
    "bootstrap": "participant bootstrap, expanded percentiles (Hesterberg 2015)",
}


@dataclass(frozen=True)
class How:
    """Share the limits hold, level and kind of the intervals."""

    coverage: float
    level: float
    interval: str

    @property
    def z(self) -> float:
        """Normal quantile of the limits, 1.96 for 95 %."""
        return float(stats.norm.ppf((1 + self.coverage) / 2))


def limits_clustered(
    data: Any,
    *,
    raters: Sequence[Any] | None = None,
    interval: str = "components",
    level: float = 0.95,
    coverage: float = 0.95,
    **options: Unpack[ReadOptions],
) -> AgreementLimits:
    """Limits of agreement of two raters, with intervals made over participants.

    Parameters
    ----------
    data
        One row per read: a table or an analysis set. A subject (scan) has one read
        by each rater; a participant may have any number of subjects. Takes values,
        not differences.
    raters
        The two raters, first minus second. None if the table holds just two.
    interval
        ``"components"``: from the variances of the differences between and within
        participants; exact with one pair each. ``"bootstrap"``: by resampling
        participants, without the normal model.
    level, coverage
        Coverage of each interval, and share of differences the limits are to hold.
    **options
        Column names, unit, missing, n_boot, seed: see `ReadOptions`.

    Returns
    -------
    AgreementLimits
        ``bias, sd_difference, lower_limit, upper_limit``, and, where somebody has
        several pairs, ``sd_between_participants`` and ``sd_within_participants`` of
        the differences (without interval; 0 where the estimate of a variance is
        negative). The limits are about the difference on a single finger.

    Raises
    ------
    EstimateError
        Several reads of a subject by one rater, reads without partner, several
        quantities mixed, fewer than two participants.
    TableError
        Missing values or absent columns.

    Notes
    -----
    Difference = bias + participant + scan. Total variance by one-way analysis of
    variance (Bland & Altman 2007); the limits are bias -+ z root of it. Where participants
    gave several fingers and a finger several scans (column ``finger_id``), fingers are a
    level between the two.
    """
    how = checked(coverage, level, interval)
    pairs = linked(data, raters, options)
    return nested_limits(pairs, how, pairs.cluster)


def checked(coverage: float, level: float, interval: str) -> How:
    """The shares and the kind of interval, if they can be."""
    checks.proportion("level", level)
    checks.proportion("coverage", coverage)
    checks.one_of("interval", interval, INTERVALS)
    return How(coverage, level, interval)


def nested_limits(pairs: Linked, how: How, cluster: np.ndarray) -> AgreementLimits:
    """Limits from paired differences that come in groups, of participants by code."""
    base, rest = pairs.apart()
    groups: Grouped | Fingered = grouped(rest, cluster)
    if pairs.finger is not None and has_levels(cluster, pairs.finger):
        groups = fingered(rest, cluster, pairs.finger)
    total = components_of(groups)
    total = replace(total, bias=total.bias + base)
    limits, kind, failed = intervals_of(groups, total, how, pairs.reads.settings)
    unit = str(pairs.reads.settings["unit"])
    build = partial(Estimate, level=how.level, unit=unit, **pairs.reads.counts())
    two = pairs.reads.settings["raters"]
    own = by_participant(pairs.table.assign(difference=rest), cluster)
    found, several = assumption_checks(*own), bool(groups.size.max() > 1)
    unseen = "" if kind == "bootstrap" else "several" if several else "pairs"
    return AgreementLimits(
        question=f"How far apart are two reads? ({two[0]} minus {two[1]})",
        estimates=between(
            main_estimates(summary(total, how.z), limits, how, kind, build)
            + _component_estimates(groups, total, build),
            two,
        ),
        cautions=(
            *pairs.reads.cautions,
            *spread_cautions(len(groups.size), float(total.variance), failed, how, several=several),
            *_component_cautions(groups, total),
            *_finger_cautions(pairs, groups, kind),
            *check_cautions(found, unit, unseen if float(total.variance) > 0 else ""),
        ),
        settings={
            **pairs.reads.settings,
            "interval": how.interval,
            "level": how.level,
            "coverage": how.coverage,
        },
        pairs=pairs.table.assign(difference=base + rest),
        checks=found,
        quantiles=normal_quantiles(own[1]) + base,
    )


def components_of(groups: Grouped | Fingered) -> Total:
    """Variances of one level of groups, or of fingers within participants."""
    return two_way(groups) if isinstance(groups, Fingered) else one_way(groups)


def intervals_of(
    groups: Grouped | Fingered, total: Total, how: How, settings: dict[str, Any]
) -> tuple[list[Limits], str, int]:
    """Limits of the four estimates, how they were made, and failed resamples."""
    if float(total.variance) <= 0:
        return [_NONE] * 4, how.interval, 0
    if how.interval == "bootstrap":

        def statistic(rows: np.ndarray) -> np.ndarray:
            return summary(components_of(groups.take(rows)), how.z)

        codes = np.arange(len(groups.size))
        limits, undefined = bootstrap_intervals(
            statistic, codes, how.level, settings["n_boot"], settings["seed"]
        )
        return limits, "bootstrap", int(undefined.max())
    if groups.size.max() == 1:
        return exact_intervals(groups.mean, how), "exact", 0
    return component_intervals(total, how.z, how.level), "components", 0


def exact_intervals(difference: np.ndarray, how: How) -> list[Limits]:
    """Exact limits of bias, SD and both limits of agreement, n independent differences."""
    n, bias, sd = len(difference), float(difference.mean()), float(difference.std(ddof=1))
    half = float(stats.t.ppf((1 + how.level) / 2, n - 1)) * sd / math.sqrt(n)
    sides = [limit_factors(n, side * how.z, how.level) for side in (-1, 1)]
    return [
        (bias - half, bias + half),
        chi_square_sd(sd**2 * (n - 1), n - 1, how.level),
        *((bias + low * sd, bias + high * sd) for low, high in sides),
    ]


def main_estimates(
    values: np.ndarray, limits: Sequence[Limits], how: How, kind: str, build: Any
) -> tuple[Estimate, ...]:
    """The four estimates with their intervals."""
    share = f"{100 * how.coverage:g} % limit of a single difference"
    words = ("mean difference", "SD of a single difference", share, share)
    return tuple(
        build(name, float(value), *pair, method=f"{word}; {_WORDS[kind]}")
        for name, value, pair, word in zip(NAMES, values, limits, words, strict=True)
    )


def _component_estimates(
    groups: Grouped | Fingered, total: Total, build: Any
) -> tuple[Estimate, ...]:
    if groups.size.max() == 1:
        return ()
    way = "nested" if isinstance(groups, Fingered) else "one-way"
    method = f"root of the variance component, {way} analysis of variance; no interval"
    plain = partial(build, lower=math.nan, upper=math.nan, method=method)
    return (
        plain("sd_between_participants", math.sqrt(max(float(total.between), 0.0))),
        plain("sd_within_participants", math.sqrt(float(total.within))),
    )


def spread_cautions(
    k: int, variance: float, failed: int, how: How, *, several: bool
) -> tuple[Caution, ...]:
    """Few participants (with several scans or reads each?), no spread at all, failed resamples."""
    found = []
    if k < 30:
        found.append(
            Caution(
                "few_participants",
                f"{k} participants: the {100 * how.level:g} % interval of each limit is wide "
                "(fewer than 30; common practice, no source)"
                + (_WIDE if several and how.interval != "bootstrap" else "."),
            )
        )
    if k < FEW_FOR_BOOTSTRAP and how.interval == "bootstrap":
        found.append(
            Caution(
                "few_for_bootstrap",
                f"{k} participants were resampled: 95 % intervals of the SD and the limits covered "
                "87 to 90 % with 15 participants, 89 to 93 % with 30 and 92 to 94 % with 60 and 100 "
                "(89 to 92 % with 60 whose differences were skewed), too little at the limits' outer "
                "ends (docs/methods/coverage_limits.md).",
            )
        )
    if variance <= 0:
        message = "All differences are equal, so no interval can be computed."
        found.append(Caution("no_spread", message))
    if failed:
        message = f"In {failed} resamples there was no estimate; the others made the interval."
        found.append(Caution("failed_resamples", message))
    return tuple(found)


def _component_cautions(groups: Grouped | Fingered, total: Total) -> tuple[Caution, ...]:
    found = []
    if groups.size.max() > 1 and float(total.between) < 0:
        found.append(
            Caution(
                "negative_component",
                "Differences of one participant differ more than those of different participants: "
                "the variance between participants is estimated below 0 and shown as 0. The limits "
                "use the estimate as it is.",
            )
        )
    if groups.size.max() > 3 * groups.size.mean():
        found.append(
            Caution(
                "unequal_participants",
                f"One participant has {int(groups.size.max())} pairs, the mean is "
                f"{groups.size.mean():.1f}: the bias is a mean over pairs, so those with many "
                "count for more.",
            )
        )
    return tuple(found)


def _finger_cautions(pairs: Linked, groups: Grouped | Fingered, kind: str) -> tuple[Caution, ...]:
    repeated = bool(pairs.table["subject"].duplicated().any())
    if kind != "components" or pairs.finger is not None or repeated or groups.size.max() < 3:
        return ()
    message = (
        "Without a column finger_id the scans of one participant are taken to be equally alike. If "
        "they are of several fingers, some of them scanned again, the intervals are too narrow "
        "(the SD's covered 88 % instead of 95 % with 30 participants, 2 fingers of each and 4 "
        "scans of a finger)."
    )
    return (Caution("fingers_not_told_apart", message),)
