"""Kaplan-Meier: share returned on the days that are known, with clustered intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Unpack

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit import checks
from cohortkit.errors import TableError
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

INTERVALS = ("log_log", "log", "plain")
_EQUAL = 1e-9
_VARIANCE = {
    False: "Greenwood variance",
    True: "variance over participants (infinitesimal jackknife, Williams 1995)",
}


@dataclass(frozen=True)
class ProductLimit:
    """Product-limit curve at the k days with an event or an end of follow-up.

    At each day: number at risk just before, events, ends of follow-up, share without
    the event after it, and the standard error of that share.
    """

    day: np.ndarray
    at_risk: np.ndarray
    events: np.ndarray
    censored: np.ndarray
    survival: np.ndarray
    standard_error: np.ndarray


@dataclass(frozen=True, repr=False)
class KaplanMeier(Result):
    """Kaplan-Meier estimates by group.

    `curve`: group, day, at_risk, events, censored, survival (not returned), returned,
    standard_error, lower, upper (limits of `survival`). `at_risk`: group, day,
    at_risk, returned, follow_up_ended, the last two counted up to that day.
    """

    curve: pd.DataFrame = field(default_factory=pd.DataFrame)
    at_risk: pd.DataFrame = field(default_factory=pd.DataFrame)


def kaplan_meier(
    data: Any,
    *,
    days: Sequence[float] = (180, 365),
    interval: str = "log_log",
    level: float = 0.95,
    missing: str = "stop",
    **columns: Unpack[Columns],
) -> KaplanMeier:
    """Share returned over time, from days that are taken as exact.

    With `time` and `event` it is the estimator for right-censored days. Without
    them the day of the visit that found the return is taken for the day of return,
    which is always too late: a comparison beside `return_to_climbing`, and the
    result says so.

    Parameters
    ----------
    data
        Analysis set or table, one row per episode. An end of follow-up on the day of
        an event counts as still at risk on that day.
    days
        Days by which to give the share returned.
    interval
        "log_log" (default), "log" or "plain": the scale of the limits.
    level
        Coverage of the intervals.
    missing
        "stop", or "drop" to leave out and count rows with a missing value.
    **columns
        Column names, see `Columns`.

    Returns
    -------
    KaplanMeier
        `median_day` and `returned_by_<day>` per group, the curve and the numbers at
        risk.

    Raises
    ------
    TableError
        If a day is missing or negative, or an event is neither true nor false.
    EstimateError
        If no row is left.
    """
    wanted = days_argument(days)
    checks.one_of("interval", interval, INTERVALS)
    checks.proportion("level", level)
    rows, dropped, column, late = timed_rows(data, columns, missing)
    groups = list(split(rows, ("time", "event"), column))
    estimates: list[Estimate] = []
    notes: list[Caution] = []
    curves, risk = [], []
    for group in groups:
        fit = product_limit(group.first, group.second.astype(bool), _clusters(group))
        limits = survival_limits(fit, interval, level)
        estimates += _estimates(group, fit, limits, wanted, (interval, level))
        notes += group_notes(group, int(group.second.sum()))
        notes += _last_notes(group, fit, wanted)
        curves.append(_curve(group.label, fit, limits))
        risk.append(_at_risk(group.label, fit, len(group.first), wanted))
    return KaplanMeier(
        question="When were climbers seen back at full climbing?"
        if late
        else "When do climbers return to full climbing?",
        estimates=tuple(estimates),
        cautions=(*_late_note(late), *row_notes(rows, dropped), *notes),
        settings={
            "days": wanted,
            "interval": interval,
            "level": level,
            "missing": missing,
            **columns,
            "dropped_missing": dropped,
            "day_of_return": "visit that found it" if late else "as given",
        },
        curve=pd.concat(curves, ignore_index=True),
        at_risk=pd.concat(risk, ignore_index=True),
    )


def timed_rows(
    data: Any, columns: Columns, missing: str
) -> tuple[pd.DataFrame, int, str | None, bool]:
    """Rows with `time` and `event`, given or made from the visits that found the return.

    Returns
    -------
    tuple
        Rows, number dropped, group column, and whether the days are those of visits.

    Raises
    ------
    TableError
        If only one of `time` and `event` is named, or their values are not days and
        true or false.
    """
    given = [role for role in ("time", "event") if role in columns]
    if len(given) == 1:
        raise TableError(
            "A day needs its event, and an event its day",
            found=f"only {given[0]} is named",
            next_step="name both, time=... and event=..., or neither",
        )
    if not given:
        rows, dropped, group = read_rows(data, ("left", "right"), columns, missing)
        outcome = Outcome.from_columns(
            day_column(rows, "left", infinite=True), day_column(rows, "right", infinite=True)
        )
        time, event = outcome.seen()
        return rows.assign(time=time, event=event), dropped, group, not outcome.exact.all()
    rows, dropped, group = read_rows(data, ("time", "event"), columns, missing)
    time = day_column(rows, "time", infinite=False)
    if (time < 0).any() or not rows["event"].isin([True, False]).all():
        raise TableError(
            "Times must be days from 0 on, and events true or false",
            found=f"{int((time < 0).sum())} negative days",
            next_step="correct those rows",
        )
    return rows.assign(time=time, event=rows["event"].isin([True])), dropped, group, False


def product_limit(
    time: np.ndarray, event: np.ndarray, cluster: np.ndarray | None = None
) -> ProductLimit:
    """Kaplan-Meier curve with its standard error.

    Parameters
    ----------
    time, event
        (n,) days, and whether the event happened (else follow-up ended).
    cluster
        (n,) participant codes if rows belong together, else None.

    Notes
    -----
    With y at risk and d events at a day, S = prod(1 - d/y). The variance of log S is
    the sum of d / (y (y - d)) (Greenwood 1926). Clustered, it is I/(I-1) times the
    sum over participants of the squares of their summed influences
    sum_t (dN_i - Y_i d/y) / (y - d) (Williams 1995), which for independent rows is
    Greenwood's sum.
    """
    day, where = np.unique(time, return_inverse=True)
    events = np.bincount(where, weights=event, minlength=len(day))
    leaving = np.bincount(where, minlength=len(day))
    at_risk = len(time) - np.concatenate([[0], np.cumsum(leaving)[:-1]])
    left_over = at_risk - events
    survival = np.cumprod(left_over / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        if cluster is None:
            variance = np.cumsum(events / (at_risk * left_over))
        else:
            variance = _clustered_variance((where, event), (events, at_risk), cluster)
        error = np.where(survival > 0, survival * np.sqrt(variance), np.nan)
    censored = leaving - events
    return ProductLimit(day, at_risk, events.astype(int), censored.astype(int), survival, error)


def _clustered_variance(
    rows: tuple[np.ndarray, np.ndarray], totals: tuple[np.ndarray, np.ndarray], cluster: np.ndarray
) -> np.ndarray:
    """Variance of log S at each day from influences summed within participants."""
    where, event = rows
    events, at_risk = totals
    step = np.arange(len(events))
    jump = event[:, None] * (where[:, None] == step)
    present = where[:, None] >= step
    influence = np.cumsum((jump - present * (events / at_risk)) / (at_risk - events), axis=1)
    size = int(cluster.max()) + 1
    summed = np.zeros((size, len(step)))
    np.add.at(summed, cluster, influence)
    factor = size / (size - 1) if size > 1 else np.nan
    return factor * (summed**2).sum(axis=0)


def survival_limits(
    fit: ProductLimit, interval: str, level: float
) -> tuple[np.ndarray, np.ndarray]:
    """Pointwise limits of the share without the event; NaN where that share is 0."""
    z = stats.norm.ppf(0.5 + level / 2)
    s = fit.survival
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = fit.standard_error / s
        if interval == "plain":
            lower, upper = s - z * fit.standard_error, s + z * fit.standard_error
        elif interval == "log":
            lower, upper = s * np.exp(-z * relative), s * np.exp(z * relative)
        else:
            spread = np.exp(z * relative / np.log(s))
            lower, upper = s ** (1 / spread), s**spread
    certain = s == 1
    lower, upper = np.where(certain, 1.0, lower), np.where(certain, 1.0, upper)
    return np.clip(lower, 0, 1), np.clip(upper, 0, 1)


def crossing(day: np.ndarray, curve: np.ndarray, share: float) -> float:
    """First day on which a falling curve is at or below `share`; infinite if never.

    On a step that lies exactly at `share`, the middle of the step.
    """
    with np.errstate(invalid="ignore"):
        below = np.flatnonzero(curve <= share + _EQUAL)
    if not len(below):
        return float("inf")
    first = below[0]
    later = np.flatnonzero(curve < share - _EQUAL)
    if abs(curve[first] - share) <= _EQUAL and len(later):
        return float((day[first] + day[later[0]]) / 2)
    return float(day[first])


def _clusters(group: Group) -> np.ndarray | None:
    return group.cluster if group.repeats else None


def _estimates(
    group: Group,
    fit: ProductLimit,
    limits: tuple[np.ndarray, np.ndarray],
    days: tuple[float, ...],
    how: tuple[str, float],
) -> list[Estimate]:
    interval, level = how
    method = f"Kaplan-Meier; {_VARIANCE[group.repeats]}; {interval} limits"
    median = crossing(fit.day, fit.survival, 0.5)
    span = (crossing(fit.day, limits[0], 0.5), crossing(fit.day, limits[1], 0.5))
    if np.isnan(fit.standard_error).all():
        span = (float("nan"), float("nan"))
    median = median if np.isfinite(median) else float("nan")
    found = [group.estimate("median_day", (median, *span), level, method, "d")]
    for day in days:
        at = int(np.searchsorted(fit.day, day, side="right")) - 1
        share = lower = upper = float("nan")
        if at < 0:
            share = lower = upper = 0.0
        elif not _past_the_end(fit, day):
            share = 1 - fit.survival[at]
            lower, upper = 1 - limits[1][at], 1 - limits[0][at]
        name = f"returned_by_{day:g}"
        found.append(group.estimate(name, (share, lower, upper), level, method, "1"))
    return found


def _past_the_end(fit: ProductLimit, day: float) -> bool:
    return bool(day > fit.day[-1] and fit.survival[-1] > 0)


def _last_notes(group: Group, fit: ProductLimit, days: tuple[float, ...]) -> list[Caution]:
    where = f" ({group.label})" if group.label else ""
    notes = [
        Caution(
            "beyond_follow_up",
            f"Nobody without return was followed as far as day {day:g}{where}; the share "
            "returned by then is not known.",
        )
        for day in days
        if _past_the_end(fit, day)
    ]
    if group.participants < 2:
        notes.append(Caution("no_interval", f"One participant alone has no interval{where}."))
    return notes


def _curve(label: str, fit: ProductLimit, limits: tuple[np.ndarray, np.ndarray]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "group": label,
            "day": fit.day,
            "at_risk": fit.at_risk,
            "events": fit.events,
            "censored": fit.censored,
            "survival": fit.survival,
            "returned": 1 - fit.survival,
            "standard_error": fit.standard_error,
            "lower": limits[0],
            "upper": limits[1],
        }
    )


def _at_risk(label: str, fit: ProductLimit, n: int, days: tuple[float, ...]) -> pd.DataFrame:
    points = np.unique(np.concatenate([AT_RISK_DAYS, days]))
    before = np.searchsorted(fit.day, points, side="left")
    up_to = np.searchsorted(fit.day, points, side="right")
    events = np.concatenate([[0], np.cumsum(fit.events)])
    ended = np.concatenate([[0], np.cumsum(fit.censored)])
    return pd.DataFrame(
        {
            "group": label,
            "day": points,
            "at_risk": n - events[before] - ended[before],
            "returned": events[up_to],
            "follow_up_ended": ended[up_to],
        }
    )


def _late_note(late: bool) -> list[Caution]:
    if not late:
        return []
    return [
        Caution(
            "biased_late",
            "The day of the visit that found the return stands for the day of return, which lay "
            "somewhere before it: every return comes too late here. Read it only beside the "
            "estimate that takes the return as known between two visits.",
        )
    ]
