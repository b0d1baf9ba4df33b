"""Who may be in an analysis set: joined rows, and a sieve that counts what it holds back."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any, Protocol

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.errors import ArgumentError
from cohortkit.tables.schema import TABLE_NAMES, table

ADULTS = (18.0, np.inf)
"""Ages from 18, completed years. Adults and adolescents are not pooled unasked."""
ADOLESCENTS = (0.0, 18.0)

FLOW = ("step", "reason", "participants", "fingers", "readings", "episodes")
_COUNTED = {
    "participants": "participant_id",
    "fingers": "finger_id",
    "readings": "reading_id",
    "episodes": "episode_id",
}
_STRUCTURE = {"A2": "phalanx", "A3": "volar_plate", "A4": "phalanx"}


class Frozen(Protocol):
    """What an analysis set is drawn from: a release."""

    @property
    def tables(self) -> Mapping[str, pd.DataFrame]:
        """Table name to typed rows."""

    @property
    def release_hash(self) -> str:
        """Name of the data."""


class Sieve:
    """Rows that are left, and how many participants, fingers and readings went at each step.

    A participant, finger or episode counts as left out at the step at which its
    last row goes, so that the counts of all steps add up to the start.
    """

    def __init__(self, rows: pd.DataFrame, units: tuple[str, ...]) -> None:
        self.rows = rows.reset_index(drop=True)
        self._units = units
        self._lines = [("eligible at start", "", *self._counts())]

    def _counts(self) -> list[int | None]:
        return [
            int(self.rows[column].nunique()) if unit in self._units else None
            for unit, column in _COUNTED.items()
        ]

    def leave_out(self, flags: Any, reason: str) -> None:
        """Take out the rows that `flags` marks; missing flags mark nothing."""
        marked = pd.Series(flags, index=self.rows.index).fillna(False).astype(bool)
        before = self._counts()
        self.rows = self.rows[~marked].reset_index(drop=True)
        after = self._counts()
        lost = [
            None if b is None or a is None else b - a for b, a in zip(before, after, strict=True)
        ]
        self._lines.append(("left out", reason, *lost))

    def flow(self) -> pd.DataFrame:
        """Counts from the start to the set, one row per step."""
        lines = [*self._lines, ("in the set", "", *self._counts())]
        frame = pd.DataFrame(lines, columns=list(FLOW), dtype=object)
        words = {"step": "string", "reason": "string"}
        return frame.astype(words | dict.fromkeys(FLOW[2:], "Int64"))


def finger_id(frame: pd.DataFrame) -> pd.Series:
    """``participant|side|digit``: one finger of one person."""
    return frame["participant_id"] + "|" + frame["side"] + "|" + frame["digit"]


def joined_readings(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Readings with the columns of their scan and participant, and five more.

    The five: ``finger_id``; ``rater_site_id``, the rater's own site, beside
    ``site_id``, the participant's; ``injured``, true if the scan belongs to an
    episode; ``tear_status`` of the pulley read, ``uninjured`` without an episode,
    missing where it was not recorded; ``finger_hurt``, true if the finger has an
    episode at any time.
    """
    raters = tables["raters"][["rater_id", "site_id"]].rename(columns={"site_id": "rater_site_id"})
    tears = tables["tears"][["episode_id", "pulley", "status"]]
    frame = (
        tables["readings"]
        .merge(tables["scans"], on="scan_id", how="left", validate="many_to_one")
        .merge(tables["participants"], on="participant_id", how="left", validate="many_to_one")
        .merge(raters, on="rater_id", how="left", validate="many_to_one")
        .merge(
            tears.rename(columns={"status": "tear_status"}),
            on=["episode_id", "pulley"],
            how="left",
            validate="many_to_one",
        )
    )
    frame["finger_id"] = finger_id(frame)
    frame["injured"] = frame["episode_id"].notna()
    frame["tear_status"] = frame["tear_status"].mask(~frame["injured"], "uninjured")
    frame["finger_hurt"] = frame["finger_id"].isin(finger_id(tables["episodes"]))
    return frame


def apply_ages(sieve: Sieve, ages: tuple[float, float] | None) -> None:
    """Keep completed ages from the first limit up to, not including, the second."""
    if ages is None:
        return
    low, high = ages
    if not low < high:
        raise ArgumentError(
            "Argument 'ages' is a lower and a higher age",
            found=repr(ages),
            next_step="give ADULTS, ADOLESCENTS, a pair such as (18, 40), or None for all ages",
        )
    sieve.leave_out(sieve.rows["age_years"].isna(), "age not recorded")
    age = sieve.rows["age_years"]
    outside = [f"younger than {low:g}"] if low > 0 else []
    outside += [] if np.isinf(high) else [f"{high:g} or older"]
    sieve.leave_out((age < low) | (age >= high), ", or ".join(outside) or "age below 0")


def apply_conditions(sieve: Sieve, unknown: str) -> None:
    """Leave out readings under conditions that move the gap, or that hide its spread."""
    checks.one_of("unknown", unknown, ("keep", "leave_out"))
    for column, wanted, why in (
        ("support_worn", "none", "support worn during the scan"),
        ("warm_up", False, "fingers warmed up before the scan"),
    ):
        if unknown == "leave_out":
            sieve.leave_out(sieve.rows[column].isna(), f"{column} not recorded")
        sieve.leave_out(sieve.rows[column].ne(wanted) & sieve.rows[column].notna(), why)
    sieve.leave_out(sieve.rows["reads_averaged"] > 1, "mean of several readings")
    sieve.leave_out(sieve.rows["read_mode"] != "live", "not read live")


def apply_structure(sieve: Sieve, pulley: str) -> None:
    """Leave out readings to another structure than the pulley's own."""
    wanted = _STRUCTURE[pulley]
    sieve.leave_out(
        sieve.rows["reference_structure"] != wanted, f"not read to the {wanted.replace('_', ' ')}"
    )


def apply_equal(sieve: Sieve, equal: Mapping[str, Any]) -> None:
    """Keep rows whose column holds the value, or one of the values, asked for.

    Raises
    ------
    ArgumentError
        If there is no such column, or a value is no code of it.
    """
    for column, wanted in equal.items():
        if column not in sieve.rows.columns:
            raise ArgumentError(
                f"The set has no column '{column}' to filter by",
                found="columns " + ", ".join(sieve.rows.columns),
                next_step="use one of the columns listed",
            )
        values = list(wanted) if isinstance(wanted, (list, tuple, set)) else [wanted]
        for value in values:
            check_code(column, value)
        told = " or ".join(map(str, values))
        sieve.leave_out(~sieve.rows[column].isin(values), f"{column} is not {told}")


def check_code(column: str, value: Any) -> None:
    """Stop if `column` is coded and `value` is none of its codes."""
    for name in TABLE_NAMES:
        if column in table(name).column_names and table(name).field(column).codes:
            checks.one_of(column, value, tuple(table(name).field(column).codes))
            return


def first_readings(rows: pd.DataFrame, by: str) -> pd.Series:
    """True for all but the first reading of each `by`.

    First is the earliest scan, in it the first rater (in the order of their codes,
    which says nothing about the rater), and that rater's lowest repeat number.
    """
    order = rows.sort_values(
        ["scan_day", "scan_id", "rater_id", "read_no", "reading_id"], kind="stable"
    )
    return order.duplicated(by).reindex(rows.index)


def fingers_not_chosen(rows: pd.DataFrame, seed: int) -> pd.Series:
    """True for the fingers that are not the one chosen of their participant.

    The finger with the smallest SHA-256 of seed and finger id is chosen, so the
    choice depends on neither the order of rows nor on other participants.
    """
    fingers = rows[["participant_id", "finger_id"]].drop_duplicates()
    ranks = [
        hashlib.sha256(f"{seed}\x1f{name}".encode()).hexdigest()
        for name in fingers["finger_id"].astype(object)
    ]
    ranked = fingers.assign(rank=ranks).sort_values("rank", kind="stable")
    chosen = ranked.drop_duplicates("participant_id")["finger_id"]
    return ~rows["finger_id"].isin(chosen)
