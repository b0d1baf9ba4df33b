"""From sums over subjects to estimates with intervals: one road for all coefficients."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit import checks
from cohortkit.agreement.category_limits import (
    NO_LIMITS,
    all_agree_limits,
    fisher_z_limits,
    logit_limits,
    share_limits,
    wilson,
)
from cohortkit.agreement.intervals import Limits
from cohortkit.agreement.ratings import RatingOptions, Ratings, resampling_options
from cohortkit.agreement.smooth import Statistic, clustered_variance, influence, without_each
from cohortkit.display import counted
from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.resampling import count_failures, participant_bootstrap, percentile_interval

INTERVALS = ("fisher_z", "published", "bootstrap")
_PERFECT = 1e-12
_HIGH, _MANY = 0.75, 100
_WORDS = {
    "fisher_z": "Fisher z scale, linearised variance over participants, t quantile (no source for "
    "the whole; coverage measured)",
    "all_agree": "no disagreement seen: Clopper-Pearson limit of participants who all agree, "
    "chance agreement held (no source)",
    "wilson": "Wilson interval (Wilson 1927)",
    "effective": "Wilson interval (Wilson 1927) on the effective number of subjects, from the "
    "linearised variance over participants",
    "logit": "delete-one-participant jackknife on the logit scale, freed of first-order bias, t "
    "quantile (no source for the whole; coverage measured)",
    "bootstrap": "percentile interval of a bootstrap over participants",
    "none": "no interval",
}


@dataclass(frozen=True)
class Published:
    """Standard error and degrees of freedom of a published interval, with the source."""

    error: float
    df: float
    source: str


@dataclass(frozen=True)
class Target:
    """One number to estimate from sums over subjects.

    `scale` says what it is, and so how its limits are found: ``"z"`` for a
    coefficient corrected for chance (`chance` is the agreement expected),
    ``"share"`` and ``"logit"`` for a share whose denominator is fixed or depends on
    the ratings (`base` is what each subject adds to it), ``"none"`` without limits.
    """

    name: str
    words: str
    statistic: Statistic
    scale: str
    group: str = ""
    chance: float = math.nan
    base: np.ndarray | None = None
    published: Published | None = None
    null_error: float = math.nan

    @property
    def label(self) -> str:
        """Name and group, for messages."""
        return self.name + (f" ({self.group})" if self.group else "")


@dataclass(frozen=True)
class Request:
    """Which interval, at which level; resamples and seed of a bootstrap."""

    kind: str
    level: float
    n_boot: int
    seed: int

    @classmethod
    def of(cls, kind: str, level: float, options: RatingOptions) -> Request:
        """Check the caller's wishes."""
        checks.one_of("interval", kind, INTERVALS)
        return cls(kind, checks.proportion("level", level), *resampling_options(options))

    def settings(self) -> dict[str, float | int | str]:
        """What is needed to ask again."""
        wanted: dict[str, float | int | str] = {"interval": self.kind, "level": self.level}
        if self.kind == "bootstrap":
            wanted |= {"n_boot": self.n_boot, "seed": self.seed}
        return wanted


@dataclass(frozen=True, repr=False, eq=False)
class CategoryAgreement(Result):
    """Agreement on categories, with its standard errors and the table it rests on.

    `errors`: name, group, standard_error (over participants), published_error (of
    the source's formula, for independent subjects), null_error (if there were no
    agreement beyond chance); NaN where one does not exist. `table`: for two raters
    the square table of counts, rows the first rater; else ratings per category.
    """

    errors: pd.DataFrame = field(default_factory=pd.DataFrame)
    table: pd.DataFrame = field(default_factory=pd.DataFrame)


@dataclass(frozen=True)
class Answer:
    """Estimates of all targets, their standard errors and what has to be said."""

    estimates: tuple[Estimate, ...]
    errors: pd.DataFrame
    cautions: tuple[Caution, ...]


def answer(
    targets: Sequence[Target], parts: np.ndarray, ratings: Ratings, request: Request
) -> Answer:
    """Estimate all targets from the same parts, shape (n, p).

    Raises
    ------
    EstimateError
        If a published interval is asked for and participants have several subjects.
    """
    if ratings.repeats and request.kind == "published":
        raise EstimateError(
            "The published interval holds for independent subjects only",
            found=f"{counted(len(ratings.cluster), 'subject')} of "
            + counted(ratings.n_participants, "participant"),
            next_step="use interval='fisher_z' or 'bootstrap', which are clustered by participant",
        )
    draws = _draws(targets, parts, ratings, request) if request.kind == "bootstrap" else None
    estimates, rows = [], []
    for i, target in enumerate(targets):
        with np.errstate(divide="ignore", invalid="ignore"):
            value = float(target.statistic(parts.sum(axis=0)))
            variance = clustered_variance(influence(parts, target.statistic), ratings.cluster)
            if draws is None or target.scale == "none":
                limits, how = target_limits(target, (value, variance), parts, ratings, request)
            else:
                limits, how = _percentiles(draws[:, i], value, request.level), _WORDS["bootstrap"]
        shown = math.nan if math.isnan(limits[0]) else request.level
        estimates.append(
            ratings.build()(
                target.name, value, *limits, level=shown, group=target.group,
                method=f"{target.words}; {how}",
            )
        )  # fmt: skip
        known = target.published.error if target.published and not ratings.repeats else math.nan
        rows.append([target.name, target.group, math.sqrt(variance), known, target.null_error])
    columns = ["name", "group", "standard_error", "published_error", "null_error"]
    failed = 0 if draws is None else count_failures(draws)
    return Answer(
        tuple(estimates),
        pd.DataFrame(rows, columns=columns),
        (
            *_value_cautions(estimates, targets, ratings),
            *_shared_cautions(ratings, failed, request),
        ),
    )


def target_limits(
    target: Target,
    found: tuple[float, float],
    parts: np.ndarray,
    ratings: Ratings,
    request: Request,
) -> tuple[Limits, str]:
    """Limits of a value with its variance over participants, and how they were found."""
    value, variance = found
    cluster, level = ratings.cluster, request.level
    if request.kind == "published" and target.published is not None:
        return _published(target.published, value, level), target.published.source
    if math.isnan(value) or target.scale == "none":
        return NO_LIMITS, _WORDS["none"]
    if target.base is None:
        if value > 1 - _PERFECT:
            limits = all_agree_limits(target.chance, ratings.n_participants, level)
            return limits, _WORDS["all_agree"]
        limits = fisher_z_limits(value, variance, ratings.n_participants, level)
        return limits, _WORDS["fisher_z"]
    if target.scale == "logit":
        counted = np.unique(cluster[target.base > 0])
        limits = logit_limits(value, without_each(parts, target.statistic, cluster, counted), level)
        if not math.isnan(limits[0]):
            return limits, _WORDS["logit"]
    if not ratings.repeats and _yes_or_no(target, parts):
        return wilson(value, float((target.base > 0).sum()), level), _WORDS["wilson"]
    return share_limits(value, variance, target.base, cluster, level), _WORDS["effective"]


def _published(known: Published, value: float, level: float) -> Limits:
    if not known.error > 0:
        return NO_LIMITS
    half = float(stats.t.ppf((1 + level) / 2, known.df)) * known.error
    return value - half, min(1.0, value + half)


def _yes_or_no(target: Target, parts: np.ndarray) -> bool:
    """Whether each subject counts alike and either agrees or does not."""
    if target.base is None:
        return False
    counted = target.base > 0
    if np.ptp(target.base[counted]) > 0:
        return False
    return bool(np.isin(target.statistic(parts[counted]), (0.0, 1.0)).all())


def _draws(
    targets: Sequence[Target], parts: np.ndarray, ratings: Ratings, request: Request
) -> np.ndarray:
    def one(rows: np.ndarray) -> np.ndarray:
        sums = parts[rows].sum(axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.array([t.statistic(sums) for t in targets])

    return participant_bootstrap(ratings.cluster, one, n_boot=request.n_boot, seed=request.seed)


def _percentiles(draws: np.ndarray, value: float, level: float) -> Limits:
    low, high = percentile_interval(draws, level)
    if math.isnan(value) or high - low <= _PERFECT:
        return NO_LIMITS
    return float(low), float(high)


def _value_cautions(
    estimates: Sequence[Estimate], targets: Sequence[Target], ratings: Ratings
) -> list[Caution]:
    participants = ratings.n_participants
    pairs = [(e, t) for e, t in zip(estimates, targets, strict=True) if t.scale != "none"]
    undefined = [t.label for e, t in pairs if math.isnan(e.value)]
    perfect = [t.label for e, t in pairs if t.scale != "logit" and e.value > 1 - _PERFECT]
    few = 0 < participants < _MANY
    known = [(e, t) for e, t in pairs if few and t.scale == "z" and e.value < 1 - _PERFECT]
    high = [t.label for e, t in known if e.upper > _HIGH]
    bare = [t.label for e, t in pairs if math.isnan(e.lower) and not math.isnan(e.value)]
    found = {
        "high_agreement": (
            high,
            f"The interval reaches above {_HIGH}, and agreement so high is measured with intervals "
            f"that are off their level from fewer than {_MANY} participants (they covered 93 to "
            f"98 % instead of 95 %): {', '.join(high)}.",
        ),
        "not_defined": (
            undefined,
            "Not defined on these ratings, which leave nothing to compare with: "
            f"{', '.join(undefined)}.",
        ),
        "no_disagreement_seen": (
            perfect,
            "The ratings hold no disagreement to learn a spread from. A lower limit, where there "
            "is one, rests on the number of participants alone.",
        ),
        "no_interval": (
            bare,
            f"The ratings show no spread that would give an interval for: {', '.join(bare)}.",
        ),
    }
    return [Caution(code, message) for code, (holds, message) in found.items() if holds]


def _shared_cautions(ratings: Ratings, failed: int, request: Request) -> list[Caution]:
    found = [
        Caution(
            "these_raters_only",
            f"The intervals are for these {len(ratings.raters)} raters: subjects are a sample, "
            "raters are not. Other raters may agree less.",
        )
    ]
    if request.kind == "published":
        message = (
            "Published intervals covered 86 to 94 % instead of 95 % with 20 to 100 participants, "
            "72 % where one of two categories was rare; interval='fisher_z' is nearer its level."
        )
        found.append(Caution("published_interval_too_narrow", message))
    if failed:
        message = (
            f"In {failed} of {request.n_boot} resamples a coefficient did not exist; they are "
            "left out, and above a tenth there is no interval."
        )
        found.append(Caution("failed_resamples", message))
    return found
