"""Rules on persons, their injuries, and what belongs to whom."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortkit.tables.verdicts import (
    Tables,
    Verdict,
    beside,
    differ,
    equal,
    get,
    known,
    numbers,
    said,
    site_of_scans,
    verdict,
)

_YOUNGEST_CLIMBER = 3
_FINGER = ["participant_id", "side", "digit"]


def climbing_years_fit_age(tables: Tables) -> list[Verdict]:
    """Nobody has climbed for longer than since the third birthday."""
    frame = get(tables, "participants")
    columns = ("climbing_years", "age_years")
    years, age = numbers(frame["climbing_years"]), numbers(frame["age_years"])
    # completed years of age leave almost a year unsaid
    broken = (years > 0) & (years >= age + 1 - _YOUNGEST_CLIMBER)
    message = said(frame, "climbing_years {} at age_years {}", *columns)
    return [verdict("participants", known(frame, *columns), broken, columns, message)]


def scan_finger_is_episode_finger(tables: Tables) -> list[Verdict]:
    """A scan that belongs to an episode is of that person and finger."""
    frame = get(tables, "scans")
    other = beside(frame, "episode_id", get(tables, "episodes"), *_FINGER)
    wrong = np.zeros(len(frame), dtype=bool)
    for column in _FINGER:
        wrong |= differ(frame[column], other[column])
    told = frame[_FINGER].join(other.add_prefix("episode_"))
    message = said(
        told, "scan of {} {} {}, episode of {} {} {}", *_FINGER, *(f"episode_{c}" for c in _FINGER)
    )
    judged = known(frame, *_FINGER) & known(other, *_FINGER)
    return [verdict("scans", judged, wrong, ("episode_id", *_FINGER), message)]


def injured_finger_names_its_episode(tables: Tables) -> list[Verdict]:
    """A scan without episode is not of a finger that was injured by then.

    An episode whose day of onset is missing counts as one that was before. Not
    judged if the episodes were not given.
    """
    frame, episodes = get(tables, "scans"), get(tables, "episodes")
    onset = episodes[_FINGER].assign(onset=episodes["onset_day"].fillna(-(10**6)))
    first = onset.groupby(_FINGER, sort=False)["onset"].min().reset_index()
    joined = frame[[*_FINGER, "scan_day"]].merge(first, on=_FINGER, how="left")
    injured = numbers(joined["onset"]) <= numbers(joined["scan_day"])
    broken = ~known(frame, "episode_id") & injured
    message = said(
        frame, "{} {} of {} had an episode before this scan", "side", "digit", _FINGER[0]
    )
    named = known(frame, "episode_id")
    judged = named | (known(frame, *_FINGER, "scan_day") & ("episodes" in tables))
    return [verdict("scans", judged, broken, ("episode_id",), message)]


def episode_not_entered_twice(tables: Tables) -> list[Verdict]:
    """A finger is not injured twice on one day."""
    frame = get(tables, "episodes")
    columns = (*_FINGER, "onset_day")
    twice = frame.duplicated(list(columns), keep=False).to_numpy(dtype=bool)
    message = said(frame, "{} {} of {}: another episode with onset_day {}", *_order(columns))
    return [verdict("episodes", known(frame, *columns), twice, columns, message)]


def _order(columns: tuple[str, ...]) -> tuple[str, ...]:
    person, side, digit, day = columns
    return side, digit, person, day


def device_at_own_site(tables: Tables) -> list[Verdict]:
    """A scan is made with a device of the participant's site."""
    frame = get(tables, "scans")
    home = beside(frame, "device_id", get(tables, "devices"), "site_id")["site_id"]
    told = site_of_scans(tables).assign(home=home)
    message = said(told, "device of site {} used at site {}", "home", "site_id")
    judged = known(told, "home", "site_id")
    broken = differ(told["home"], told["site_id"])
    return [verdict("scans", judged, broken, ("device_id",), message)]


def tear_basis_present(tables: Tables) -> list[Verdict]:
    """A tear status says on what evidence it rests."""
    frame = get(tables, "tears")
    message = said(frame, "{} is '{}' without a basis", "pulley", "status")
    judged = known(frame, "status")
    return [verdict("tears", judged, ~known(frame, "basis"), ("basis",), message)]


def tear_status_single(tables: Tables) -> list[Verdict]:
    """A pulley has one status in one episode."""
    frame = get(tables, "tears")
    key = ["episode_id", "pulley"]
    several = numbers(frame.groupby(key, sort=False)["status"].transform("nunique")) > 1
    message = said(frame, "{} of episode {} has several statuses", "pulley", "episode_id")
    judged = known(frame, *key, "status")
    return [verdict("tears", judged, several, (*key, "status"), message)]


def operation_recorded(tables: Tables) -> list[Verdict]:
    """A tear seen at operation has that operation among the treatments.

    Not judged if the treatments were not given.
    """
    frame, treatments = get(tables, "tears"), get(tables, "treatments")
    operated = treatments["episode_id"][equal(treatments["kind"], "surgery")]
    seen = equal(frame["basis"], "surgery")
    broken = seen & ~equal(frame["episode_id"], *operated.dropna().unique())
    message = said(frame, "{} was seen at operation, episode {} has none", "pulley", "episode_id")
    judged = known(frame, "episode_id", "basis") & ("treatments" in tables)
    return [verdict("tears", judged, broken, ("basis", "episode_id"), message)]


def injury_has_tears(tables: Tables) -> list[Verdict]:
    """An episode says what state its pulleys are in.

    Not judged if the tears were not given.
    """
    frame, tears = get(tables, "episodes"), get(tables, "tears")
    recorded = pd.Index(tears["episode_id"].dropna().astype(object))
    broken = ~frame["episode_id"].astype(object).isin(recorded).to_numpy(dtype=bool)
    message = said(frame, "episode {} has no row in table 'tears'", "episode_id")
    judged = known(frame, "episode_id") & ("tears" in tables)
    return [verdict("episodes", judged, broken, ("episode_id",), message)]
