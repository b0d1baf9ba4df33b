"""The rows of an outcome question: columns by role, groups, and what has to be said of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypedDict

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.errors import ArgumentError, EstimateError, TableError
from cohortkit.estimate import Caution, Estimate

FEW_PARTICIPANTS = 10
AT_RISK_DAYS = (0.0, 42.0, 90.0, 180.0, 270.0, 365.0)


class Columns(TypedDict, total=False):
    """Column names that the outcome estimators take by keyword.

    Attributes
    ----------
    left, right
        Last day known without, first day known with the event; see `Outcome`.
    time, event
        Day, and whether the event happened on it (else follow-up ended). Only for
        `kaplan_meier` and `log_rank`; if left out, they are made from `left` and
        `right`.
    group
        Column to split by. None for all rows together.
    participant
        Who the row belongs to; intervals are clustered by it. None declares that
        all rows are independent.
    finger
        Finger (counted only).
    competing
        What else ended the episode: empty, `surgery` or `gave_up`.
    visits, missed
        Number of visits attended and missed.
    """

    left: str
    right: str
    time: str
    event: str
    group: str | None
    participant: str | None
    finger: str | None
    competing: str | None
    visits: str | None
    missed: str | None


DEFAULTS: dict[str, str] = {
    "left": "left_day",
    "right": "right_day",
    "group": "grade",
    "participant": "participant_id",
    "finger": "finger_id",
    "competing": "competing",
    "visits": "n_visits",
    "missed": "missed_visits",
}
_OPTIONAL = ("group", "finger", "competing", "visits", "missed")


@dataclass(frozen=True)
class Group:
    """One group's rows as arrays: two day columns, participant codes, fingers if known.

    `first` and `second` are left and right, or time and event, as the caller asked.
    """

    label: str
    first: np.ndarray
    second: np.ndarray
    cluster: np.ndarray
    fingers: int | None
    has_participants: bool

    @property
    def participants(self) -> int:
        """Number of participants."""
        return len(np.unique(self.cluster))

    @property
    def repeats(self) -> bool:
        """Whether some participant has more than one row."""
        return self.participants < len(self.cluster)

    def estimate(
        self,
        name: str,
        limits: tuple[float, float, float],
        level: float,
        method: str,
        unit: str,
    ) -> Estimate:
        """Name a value with its lower and upper limit, and count what it rests on."""
        value, lower, upper = (float(x) for x in limits)
        bare = np.isnan(lower) and np.isnan(upper)
        return Estimate(
            name,
            value,
            lower,
            upper,
            float("nan") if bare else level,
            unit,
            method,
            self.label,
            self.participants if self.has_participants else None,
            self.fingers,
            n_episodes=len(self.cluster),
        )


def read_rows(
    data: Any, roles: tuple[str, str], columns: Columns, missing: str
) -> tuple[pd.DataFrame, int, str | None]:
    """Columns by role, complete in what the estimate needs.

    Returns
    -------
    tuple
        The rows, the number dropped for missing values, and the name of the group
        column.

    Raises
    ------
    ArgumentError
        If a keyword is unknown.
    TableError
        If a column is absent, or a value missing and `missing` is "stop".
    EstimateError
        If no row is left.
    """
    unknown = sorted(set(columns) - set(Columns.__annotations__))
    if unknown:
        raise ArgumentError(
            "An outcome estimator does not take that argument",
            found=", ".join(unknown),
            next_step="use one of " + ", ".join(Columns.__annotations__),
        )
    frame = checks.as_frame(data)
    names: dict[str, Any] = {**DEFAULTS, **columns}
    wanted: dict[str, str | None] = {}
    for role in (*roles, "participant", *_OPTIONAL):
        name = names.get(role)
        if role in _OPTIONAL and role not in columns and name not in frame.columns:
            continue
        wanted[role] = name
    rows = checks.columns(frame, wanted)
    needed = [r for r in (*roles, "participant", "group") if r in rows]
    _, dropped = checks.without_missing(rows[needed], missing)
    rows = rows[rows[needed].notna().all(axis=1)].reset_index(drop=True)
    if rows.empty:
        raise EstimateError(
            "No row is left to estimate from",
            found=f"{len(frame)} rows given, {dropped} dropped for missing values",
            next_step="check the table and its missing values",
        )
    return rows, dropped, wanted.get("group")


def split(rows: pd.DataFrame, roles: tuple[str, str], column: str | None) -> Iterator[Group]:
    """Each group in sorted order; one group without a label if no column is named."""
    keys = rows["group"].astype("string") if "group" in rows else pd.Series("", index=rows.index)
    for key in sorted(keys.unique()):
        part = rows[(keys == key).to_numpy()]
        has = "participant" in part
        yield Group(
            label=f"{column}={key}" if column else "",
            first=part[roles[0]].to_numpy(dtype=float),
            second=part[roles[1]].to_numpy(dtype=float),
            cluster=pd.factorize(part["participant"])[0] if has else np.arange(len(part)),
            fingers=int(part["finger"].nunique(dropna=False)) if "finger" in part else None,
            has_participants=has,
        )


def days_argument(days: Sequence[float]) -> tuple[float, ...]:
    """The days asked for, each finite and not before day 0, in order.

    Raises
    ------
    ArgumentError
        If one is not.
    """
    values = sorted({float(d) for d in days})
    if any(not np.isfinite(d) or d < 0 for d in values):
        raise ArgumentError(
            "Argument 'days' takes days from 0 on",
            found=repr(tuple(days)),
            next_step="give days such as (180, 365)",
        )
    return tuple(values)


def day_column(rows: pd.DataFrame, role: str, *, infinite: bool) -> np.ndarray:
    """A column of days as float; `infinite` says whether inf is allowed.

    Raises
    ------
    TableError
        If a value is text, or infinite where it may not be.
    """
    values = pd.to_numeric(rows[role], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    bad = np.isnan(values) | (np.isinf(values) & (not infinite))
    if bad.any():
        raise TableError(
            f"The {role} column must hold days as numbers",
            found=f"{int(bad.sum())} other values, the first {rows[role][bad].tolist()[0]!r}",
            next_step="turn dates into whole days from the onset first",
        )
    return values


def row_notes(rows: pd.DataFrame, dropped: int) -> list[Caution]:
    """Cautions on competing ends, missed visits and dropped rows."""
    notes = []
    if dropped:
        text = f"{dropped} rows with a missing day, participant or group were dropped."
        notes.append(Caution("missing_dropped", text))
    if "competing" in rows:
        ends = rows["competing"].astype("string").fillna("")
        counts = ends[ends != ""].value_counts().sort_index()
        if len(counts):
            words = ", ".join(f"{str(name).replace('_', ' ')} {n}" for name, n in counts.items())
            notes.append(
                Caution(
                    "competing_ends",
                    f"{int(counts.sum())} of {len(rows)} episodes ended otherwise "
                    f"({words}{_ends_by_group(rows, ends)}). They count as followed until then, "
                    "which assumes that those fingers would have fared like the rest; they are "
                    "hardly a random part. Medians and shares tell what would be if nobody had "
                    "ended so.",
                )
            )
    if "missed" in rows:
        missed = pd.to_numeric(rows["missed"], errors="coerce").fillna(0)
        if (missed > 0).any():
            notes.append(
                Caution(
                    "missed_visits",
                    f"{int((missed > 0).sum())} of {len(rows)} episodes missed at least one visit "
                    f"({int(missed.sum())} visits in all). Whoever does well or badly may stay "
                    "away, and no estimate here can undo that.",
                )
            )
    return notes


def _ends_by_group(rows: pd.DataFrame, ends: pd.Series) -> str:
    """Which groups the competing ends belong to; empty where there is one group only."""
    if "group" not in rows or rows["group"].nunique() < 2:
        return ""
    parts = (ends != "").groupby(rows["group"].astype("string"))
    told = [f"{name} {int(part.sum())} of {len(part)}" for name, part in parts]
    return "; by group " + ", ".join(told)


def group_notes(group: Group, events: int) -> list[Caution]:
    """Cautions on a group with few participants or without events."""
    where = f" ({group.label})" if group.label else ""
    notes = []
    if group.participants < FEW_PARTICIPANTS:
        n = group.participants
        word = "participant" if n == 1 else "participants"
        notes.append(Caution("few_participants", f"Only {n} {word}{where}: an unstable estimate."))
    if not events:
        notes.append(
            Caution(
                "no_returner",
                f"Nobody was seen to return{where}; the data only say how long they had not.",
            )
        )
    return notes
