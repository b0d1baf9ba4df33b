"""Rules on the order of days and on visits."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortkit.tables.fields import table
from cohortkit.tables.verdicts import (
    Tables,
    Verdict,
    beside,
    equal,
    get,
    known,
    numbers,
    said,
    verdict,
)

_OBSERVATIONS = tuple(
    name
    for name in table("visits").column_names
    if name not in ("episode_id", "visit", "planned_day", "actual_day")
)


def _not_before_onset(tables: Tables, name: str, day: str) -> list[Verdict]:
    frame = get(tables, name)
    onset = beside(frame, "episode_id", get(tables, "episodes"), "onset_day")
    told = onset.assign(day=frame[day])
    broken = numbers(told["day"]) < numbers(told["onset_day"])
    message = said(told, f"{day} {{}} lies before the injury on day {{}}", "day", "onset_day")
    judged = known(told, "day", "onset_day")
    return [verdict(name, judged, broken, (day, "episode_id"), message)]


def scan_not_before_onset(tables: Tables) -> list[Verdict]:
    """A scan that belongs to an episode was not made before the injury."""
    return _not_before_onset(tables, "scans", "scan_day")


def verification_not_before_onset(tables: Tables) -> list[Verdict]:
    """A tear was not verified before the injury."""
    return _not_before_onset(tables, "tears", "verified_day")


def treatment_not_before_onset(tables: Tables) -> list[Verdict]:
    """A treatment did not start before the injury."""
    return _not_before_onset(tables, "treatments", "start_day")


def visit_not_before_onset(tables: Tables) -> list[Verdict]:
    """A follow-up did not take place before the injury."""
    return _not_before_onset(tables, "visits", "actual_day")


def treatment_ends_after_start(tables: Tables) -> list[Verdict]:
    """A treatment does not end before it starts."""
    frame = get(tables, "treatments")
    columns = ("start_day", "end_day")
    broken = numbers(frame["end_day"]) < numbers(frame["start_day"])
    message = said(frame, "starts on day {} and ends on day {}", *columns)
    return [verdict("treatments", known(frame, *columns), broken, columns, message)]


def visit_days_rise(tables: Tables) -> list[Verdict]:
    """A later visit number has a later day.

    Broken is the visit whose day is not after that of every earlier visit number
    of its episode that took place.
    """
    frame = get(tables, "visits")
    days = frame[["episode_id", "visit"]].assign(day=numbers(frame["actual_day"]))
    days = days.sort_values(["episode_id", "visit"], kind="stable")
    latest = days.groupby("episode_id", sort=False)["day"].cummax()
    earlier = latest.groupby(days["episode_id"], sort=False).shift()
    # a visit that did not happen must not hide the day before it
    earlier = earlier.groupby(days["episode_id"], sort=False).ffill().sort_index()
    told = pd.DataFrame({"day": frame["actual_day"], "earlier": earlier.to_numpy()})
    broken = numbers(told["day"]) <= told["earlier"].to_numpy()
    message = said(told, "actual_day {} is not after day {:g} of an earlier visit", *told.columns)
    judged = known(frame, "episode_id", "visit", "actual_day")
    return [verdict("visits", judged, broken, ("visit", "actual_day"), message)]


def attended_visit_has_day(tables: Tables) -> list[Verdict]:
    """A visit with observations has the day on which they were made."""
    frame = get(tables, "visits")
    observed = frame[list(_OBSERVATIONS)].notna().any(axis=1).to_numpy(dtype=bool)
    message = said(frame, "visit {} has observations and no actual_day", "visit")
    judged = np.ones(len(frame), dtype=bool)
    broken = observed & ~known(frame, "actual_day")
    return [verdict("visits", judged, broken, ("actual_day",), message)]


def no_return_after_giving_up(tables: Tables) -> list[Verdict]:
    """A person who gave up climbing for good does not climb at a later visit."""
    frame = get(tables, "visits")
    state = frame[["episode_id", "visit"]].assign(
        gave_up=equal(frame["returned"], "gave_up").astype(int)
    )
    state = state.sort_values(["episode_id", "visit"], kind="stable")
    before = state.groupby("episode_id", sort=False)["gave_up"].cumsum() - state["gave_up"]
    earlier = before.sort_index().to_numpy() > 0
    broken = equal(frame["returned"], "full", "restricted") & earlier
    message = said(frame, "returned is '{}' after 'gave_up' at an earlier visit", "returned")
    judged = known(frame, "episode_id", "visit", "returned")
    return [verdict("visits", judged, broken, ("returned",), message)]
