"""Between which visits a climber returned: bounds, never a midpoint."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from cohortkit import checks

ENDS = ("surgery", "gave_up")


def return_bounds(
    tables: Mapping[str, pd.DataFrame], competing: Sequence[str] = ENDS
) -> pd.DataFrame:
    """Interval of the return to full climbing for each episode, in days from its onset.

    ``right_day`` is the first attended visit with ``returned = full``, or infinite;
    ``left_day`` the last attended visit before it with another answer, or 0. The
    return lies in (left, right]. A visit that was missed, or that did not ask,
    tells nothing: the interval stays as wide as it is.

    Surgery and giving up end the wait for a return. Where such an end is known
    before the first full return, ``competing`` names the first one,
    ``competing_day`` its day (for giving up: the visit at which it was told),
    ``right_day`` is infinite and ``left_day`` does not lie beyond the end.

    Parameters
    ----------
    tables
        Typed ``episodes``, ``visits`` and ``treatments``.
    competing
        Which ends count: ``surgery``, ``gave_up``, both, or neither.

    Returns
    -------
    pandas.DataFrame
        One row per episode, in the order of the episodes: ``episode_id, left_day,
        right_day, last_day`` (last attended visit that answered; NaN without one),
        ``n_visits, missed_visits, competing, competing_day``. Days are NaN where
        the onset is not recorded.
    """
    for name in competing:
        checks.one_of("competing", name, ENDS)
    episodes = tables["episodes"][["episode_id", "onset_day"]]
    visits = _days(tables["visits"], episodes, "actual_day")
    answered = visits[visits["day"].ge(0) & visits["returned"].notna()]
    bounds = pd.DataFrame({"episode_id": episodes["episode_id"].astype(object)})
    known = episodes["onset_day"].notna().to_numpy(dtype=bool)

    def per_episode(values: pd.Series) -> pd.Series:
        return bounds["episode_id"].map(values).astype("float64")

    full = per_episode(_first(answered[answered["returned"] == "full"]))
    ends = {
        "surgery": per_episode(_first(_surgery(tables["treatments"], episodes))),
        "gave_up": per_episode(_first(answered[answered["returned"] == "gave_up"])),
    }
    end_days = pd.DataFrame({name: ends[name] for name in ENDS if name in competing})
    end = end_days.min(axis=1) if len(end_days.columns) else pd.Series(np.nan, index=bounds.index)
    ended = end.notna() & ~(full <= end)
    named = pd.Series("", index=bounds.index, dtype=object)
    for name in reversed(list(end_days.columns)):
        named[ended & (end_days[name] == end)] = name
    limit = full.where(~ended, end).fillna(np.inf)
    last_not_full = _last_not_full(answered, bounds["episode_id"], limit, ended)
    bounds["left_day"] = per_episode(last_not_full).fillna(0.0).where(known)
    bounds["right_day"] = full.where(~ended).fillna(np.inf).where(known)
    bounds["last_day"] = per_episode(answered.groupby("episode_id")["day"].max())
    counts = visits.groupby("episode_id").size(), answered.groupby("episode_id").size()
    n_all, n_answered = (bounds["episode_id"].map(c).fillna(0).astype("Int64") for c in counts)
    bounds["n_visits"] = n_answered
    bounds["missed_visits"] = n_all - n_answered
    bounds["competing"] = named.astype("string")
    bounds["competing_day"] = end.where(ended)
    return bounds.astype({"episode_id": "string"})


def _days(frame: pd.DataFrame, episodes: pd.DataFrame, column: str) -> pd.DataFrame:
    joined = frame.merge(episodes, on="episode_id", how="inner", validate="many_to_one")
    day = joined[column].astype("float64") - joined["onset_day"].astype("float64")
    return joined.assign(day=day, episode_id=joined["episode_id"].astype(object))


def _surgery(treatments: pd.DataFrame, episodes: pd.DataFrame) -> pd.DataFrame:
    days = _days(treatments[treatments["kind"] == "surgery"], episodes, "start_day")
    return days[days["day"].ge(0)]


def _first(rows: pd.DataFrame) -> pd.Series:
    return rows.groupby("episode_id")["day"].min()


def _last_not_full(
    answered: pd.DataFrame, ids: pd.Series, limit: pd.Series, ended: pd.Series
) -> pd.Series:
    """Last visit without a full return before the return, or up to the competing end."""
    upto = dict(zip(ids, limit, strict=True))
    closed = dict(zip(ids, ended, strict=True))
    bound = answered["episode_id"].map(upto)
    within = (answered["day"] < bound) | (
        answered["episode_id"].map(closed).astype(bool) & (answered["day"] == bound)
    )
    rows = answered[within & (answered["returned"] != "full")]
    return rows.groupby("episode_id")["day"].max()
