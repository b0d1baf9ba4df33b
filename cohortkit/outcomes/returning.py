"""Return to climbing: when, given that it is known only between two visits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Unpack

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit import checks
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.outcomes.outcome import Outcome
from cohortkit.outcomes.rows import (
    AT_RISK_DAYS,
    Columns,
    Group,
    day_column,
    days_argument,
    group_notes,
    read_rows,
    row_notes,
    split,
)
from cohortkit.outcomes.turnbull import Npmle, npmle
from cohortkit.resampling import participant_bootstrap, percentile_interval

WIDE_RANGE = 0.1
_ENDED = {"gave up": "giving up"}
_ROLES = ("left", "right")
_FIT = (
    "non-parametric maximum likelihood for interval-censored days (Turnbull 1976), mass spread "
    "evenly within its interval"
)
_MEDIAN = f"{_FIT}; percentile bootstrap over participants of the earliest and the latest median"
_SHARE = (
    f"{_FIT}; percentile bootstrap over participants of the smallest and the largest share, and "
    "no narrower than Wilson's interval for the participants"
)


@dataclass(frozen=True, repr=False)
class ReturnToClimbing(Result):
    """Return to climbing by group.

    `intervals`: group, after_day, by_day, mass, returned_before, returned_after; the
    only intervals of days in which the curve moves, and where in them is unknown.
    `curve`: group, day, returned_min, returned_max, lower, upper; share returned by
    the day, as a range where the data leave it open, with pointwise limits.
    `at_risk`: group, day, known_not_returned, possibly_returned, follow_up_ended,
    known_returned; they add up to the group.
    `ranges`: group, name, lowest, highest; what the data leave open about each
    estimate, however many participants there were.
    `informative`: group, episodes, informative; of the episodes, those that say
    anything about the return (not ended, and not unseen, from the onset on).
    `convergence`: group, log_likelihood, gradient_gap, steps.
    """

    intervals: pd.DataFrame = field(default_factory=pd.DataFrame)
    curve: pd.DataFrame = field(default_factory=pd.DataFrame)
    at_risk: pd.DataFrame = field(default_factory=pd.DataFrame)
    ranges: pd.DataFrame = field(default_factory=pd.DataFrame)
    informative: pd.DataFrame = field(default_factory=pd.DataFrame)
    convergence: pd.DataFrame = field(default_factory=pd.DataFrame)


def return_to_climbing(
    data: Any,
    *,
    days: Sequence[float] = (180, 365),
    level: float = 0.95,
    missing: str = "stop",
    n_boot: int = 1000,
    seed: int = 0,
    workers: int | None = 1,
    **columns: Unpack[Columns],
) -> ReturnToClimbing:
    """Share returned to full climbing over time, and the median day, by group.

    Takes intervals (left, right] of days since onset; right infinite if the return
    had not been seen. Takes no midpoints, no dates, and no 'time of those who
    returned'. Surgery and giving up end the follow-up (see the caution).

    Parameters
    ----------
    data
        Analysis set or table, one row per episode.
    days
        Days by which to give the share returned.
    level
        Coverage of the intervals.
    missing
        "stop", or "drop" to leave out and count rows with a missing value.
    n_boot, seed, workers
        Resamples of participants within each group, seed, and processes.
    **columns
        Column names, see `Columns`.

    Returns
    -------
    ReturnToClimbing
        `median_day` and `returned_by_<day>` per group, and the tables.

    Raises
    ------
    TableError
        If an interval is no interval (see `Outcome`), or a value is missing.
    EstimateError
        If no row is left.
    """
    wanted = days_argument(days)
    checks.proportion("level", level)
    checks.count("n_boot", n_boot)
    rows, dropped, column = read_rows(data, _ROLES, columns, missing)
    outcome = Outcome.from_columns(
        day_column(rows, "left", infinite=True), day_column(rows, "right", infinite=True)
    )
    rows = rows.assign(left=outcome.left, right=outcome.right)
    groups = list(split(rows, _ROLES, column))
    seeds = np.random.SeedSequence(seed).spawn(len(groups))
    resample = (level, n_boot, workers)
    informative = _informative(groups)
    parts = [_one_group(g, wanted, resample, s) for g, s in zip(groups, seeds, strict=True)]
    return ReturnToClimbing(
        question="When do climbers return to full climbing?",
        estimates=tuple(e for p in parts for e in p.estimates),
        cautions=(
            *row_notes(rows, dropped),
            *_nothing_known(rows, informative),
            *(note for p in parts for note in p.notes),
        ),
        settings={
            "days": wanted,
            "level": level,
            "missing": missing,
            "n_boot": n_boot,
            "seed": seed,
            **columns,
            "dropped_missing": dropped,
        },
        intervals=_stacked([p.intervals for p in parts]),
        curve=_stacked([p.curve for p in parts]),
        at_risk=_stacked([at_risk(g, wanted) for g in groups]),
        ranges=_stacked([p.ranges for p in parts]),
        informative=informative,
        convergence=_stacked([p.convergence for p in parts]),
    )


@dataclass(frozen=True)
class _Part:
    """What one group adds to the result."""

    estimates: list[Estimate]
    notes: list[Caution]
    intervals: pd.DataFrame
    curve: pd.DataFrame
    ranges: pd.DataFrame
    convergence: pd.DataFrame


def _one_group(
    group: Group,
    days: tuple[float, ...],
    resample: tuple[float, int, int | None],
    seed: np.random.SeedSequence,
) -> _Part:
    fit = npmle(group.first, group.second)
    ends = np.concatenate([fit.after, fit.by])
    grid = np.unique(np.concatenate([[0.0], ends[np.isfinite(ends)], days]))
    (early, late), band = _limits(group, fit, grid, resample, seed)
    smallest, largest = fit.happened(grid)
    level = resample[0]
    earliest, median, latest = fit.quantile(0.5)
    found = [group.estimate("median_day", (median, early, late), level, _MEDIAN, "d")]
    ranges = [("median_day", earliest, latest)]
    notes = group_notes(group, int(np.isfinite(group.second).sum()))
    if group.participants < 2:
        where = f" ({group.label})" if group.label else ""
        notes.append(Caution("no_interval", f"One participant alone has no interval{where}."))
    for day in days:
        at = int(np.searchsorted(grid, day))
        name = f"returned_by_{day:g}"
        share = float("nan") if _beyond(fit, day) else fit.happened_evenly(day)
        limits = (share, band[0][at], band[1][at])
        found.append(group.estimate(name, limits, level, _SHARE, "1"))
        ranges.append((name, smallest[at], largest[at]))
        notes += _range_notes(group.label, day, (smallest[at], largest[at]), _beyond(fit, day))
    share_before = np.concatenate([[0.0], np.cumsum(fit.mass)])
    intervals = pd.DataFrame(
        {
            "after_day": fit.after,
            "by_day": fit.by,
            "mass": fit.mass,
            "returned_before": share_before[:-1],
            "returned_after": np.where(np.isinf(fit.by), np.nan, share_before[1:]),
        }
    )
    curve = pd.DataFrame(
        {
            "day": grid,
            "returned_min": smallest,
            "returned_max": largest,
            "lower": band[0],
            "upper": band[1],
        }
    )
    proof = pd.DataFrame(
        {
            "log_likelihood": [fit.log_likelihood],
            "gradient_gap": [fit.gradient_gap],
            "steps": [fit.steps],
        }
    )
    spread = pd.DataFrame(ranges, columns=["name", "lowest", "highest"])
    tables = [_labelled(group.label, t) for t in (intervals, curve, spread, proof)]
    return _Part(found, notes, *tables)


def _limits(
    group: Group,
    fit: Npmle,
    grid: np.ndarray,
    resample: tuple[float, int, int | None],
    seed: np.random.SeedSequence,
) -> tuple[tuple[float, float], tuple[np.ndarray, np.ndarray]]:
    """Limits of the median, and pointwise limits of the share returned on the grid."""
    level, n_boot, workers = resample
    if group.participants < 2:
        nothing = np.full(len(grid), np.nan)
        return (float("nan"), float("nan")), (nothing, nothing)
    draws = participant_bootstrap(
        group.cluster,
        _statistic(group.first, group.second, grid),
        n_boot=n_boot,
        seed=seed,
        workers=workers,
    )
    lower, upper = percentile_interval(draws, level)
    k = len(grid)
    smallest, largest = fit.happened(grid)
    floor, ceiling = wilson_band(smallest, largest, group.participants, level)
    band = (np.minimum(lower[2 : 2 + k], floor), np.maximum(upper[2 + k :], ceiling))
    return (float(lower[0]), float(upper[1])), band


def _statistic(
    left: np.ndarray, right: np.ndarray, grid: np.ndarray
) -> Callable[[np.ndarray], np.ndarray]:
    """Earliest and latest median, then smallest and largest shares on the grid."""

    def statistic(index: np.ndarray) -> np.ndarray:
        fit = npmle(left[index], right[index])
        earliest, _, latest = fit.quantile(0.5)
        smallest, largest = fit.happened(grid)
        return np.concatenate([[earliest, latest], smallest, largest])

    return statistic


def wilson_band(
    smallest: np.ndarray, largest: np.ndarray, n: int, level: float
) -> tuple[np.ndarray, np.ndarray]:
    """Wilson limits below the smallest and above the largest share, for n participants.

    Interval censoring can only lose information, so no honest interval is narrower
    than this one; a bootstrap is where everybody, or nobody, has returned.
    """
    z2 = stats.norm.ppf(0.5 + level / 2) ** 2

    def limit(share: np.ndarray, sign: int) -> np.ndarray:
        root = np.sqrt(z2 * (share * (1 - share) / n + z2 / (4 * n**2)))
        return (share + z2 / (2 * n) + sign * root) / (1 + z2 / n)

    return (
        np.where(smallest <= 0, 0.0, limit(np.clip(smallest, 0, 1), -1)),
        np.where(largest >= 1, 1.0, limit(np.clip(largest, 0, 1), 1)),
    )


def at_risk(group: Group, days: Sequence[float]) -> pd.DataFrame:
    """How many were known not to have returned by each day, perhaps had, or had.

    Known not returned: seen without return on or after the day. Possibly returned:
    the day lies between two visits. Follow-up ended: last seen, not returned,
    before the day.
    """
    left, right = group.first, group.second
    points = np.unique(np.concatenate([AT_RISK_DAYS, days]))
    returned = right[None, :] <= points[:, None]
    known_not = ~returned & (left[None, :] >= points[:, None])
    ended = ~returned & ~known_not & np.isinf(right)[None, :]
    table = pd.DataFrame(
        {
            "day": points,
            "known_not_returned": known_not.sum(axis=1),
            "possibly_returned": (~returned & ~known_not & ~ended).sum(axis=1),
            "follow_up_ended": ended.sum(axis=1),
            "known_returned": returned.sum(axis=1),
        }
    )
    return _labelled(group.label, table)


def _labelled(label: str, table: pd.DataFrame) -> pd.DataFrame:
    table.insert(0, "group", label)
    return table


def _stacked(tables: list[pd.DataFrame]) -> pd.DataFrame:
    return pd.concat(tables, ignore_index=True)


def _beyond(fit: Npmle, day: float) -> bool:
    """Whether nobody was still followed on that day and some had not returned."""
    return bool(np.isinf(fit.by[-1]) and day > fit.after[-1])


def _informative(groups: Sequence[Group]) -> pd.DataFrame:
    """Episodes of each group, and those whose interval is not all days from the onset on."""
    rows = [
        (g.label, len(g.first), int(((g.first > 0) | np.isfinite(g.second)).sum())) for g in groups
    ]
    return pd.DataFrame(rows, columns=["group", "episodes", "informative"])


def _nothing_known(rows: pd.DataFrame, informative: pd.DataFrame) -> list[Caution]:
    """Episodes that say nothing about the return, why, and what each group is left with."""
    silent = rows[(rows["left"] == 0) & np.isinf(rows["right"])]
    if silent.empty:
        return []
    ends = pd.Series("", index=silent.index)
    if "competing" in silent:
        ends = silent["competing"].astype("string").fillna("").str.replace("_", " ")
    told = [
        f"{int((ends == end).sum())} ended by {_ENDED.get(end, end)} before any visit without return"
        for end in sorted(set(ends) - {""})
    ]
    if (ends == "").any():
        told.append(f"{int((ends == '').sum())} had no later visit that asked about it")
    left = "; ".join(
        f"{str(g.group).replace('=', ' ') or 'all'} {g.informative} of {g.episodes}"
        for g in informative.itertuples()
    )
    return [
        Caution(
            "no_follow_up",
            f"{len(silent)} of {len(rows)} episodes say nothing about the return: "
            f"{', '.join(told)}. Episodes that do say something: {left}.",
        )
    ]


def _range_notes(label: str, day: float, span: tuple[float, float], beyond: bool) -> list[Caution]:
    where = f" ({label})" if label else ""
    if beyond:
        return [
            Caution(
                "beyond_follow_up",
                f"Nobody without return was followed as far as day {day:g}{where}; the share "
                "returned by then is not known.",
            )
        ]
    if span[1] - span[0] <= WIDE_RANGE:
        return []
    return [
        Caution(
            "between_visits",
            f"The share returned by day {day:g}{where} could be anything from "
            f"{span[0]:.2f} to {span[1]:.2f} in these data, because that day lies between visits.",
        )
    ]
