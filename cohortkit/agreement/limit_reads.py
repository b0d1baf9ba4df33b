"""Reads of two raters laid out for limits of agreement: by pair, replicate and participant."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypedDict

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.agreement.crossing import count_caution, reading_cautions
from cohortkit.agreement.reading_kinds import KINDS, one_kind
from cohortkit.agreement.rounding import apart, grain
from cohortkit.agreement.shared_rows import (
    asked,
    each_reading_once,
    filled,
    one_a_cell,
    one_participant_each,
    stop_at_unseen,
)
from cohortkit.display import counted
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.estimate import Caution, Estimate

_EXTRAS = ("finger_id", *KINDS, "below_resolution", "injured")


class ReadOptions(TypedDict, total=False):
    """Arguments that all limits of agreement take by keyword.

    Attributes
    ----------
    subject
        What both raters read: one scan.
    rater
        Who read it.
    value
        The measurement, a number in `unit`.
    participant
        Who the subject belongs to; intervals are made over participants. None
        states that subjects are independent.
    unit
        UCUM code of `value`.
    missing
        ``"stop"``, or ``"drop"`` to leave out missing reads and reads without a
        partner, and count them.
    n_boot, seed
        Resamples of participants, and the seed they are drawn with, where an
        interval is bootstrapped.
    """

    subject: str
    rater: str | None
    value: str
    participant: str | None
    unit: str
    missing: str
    n_boot: int
    seed: int


_DEFAULTS: dict[str, Any] = {
    "subject": "scan_id",
    "rater": "rater_id",
    "value": "gap_mm",
    "participant": "participant_id",
    "unit": "mm",
    "missing": "stop",
    "n_boot": 2000,
    "seed": 0,
}


class Counts(TypedDict):
    """The n of an `Estimate`."""

    n_participants: int
    n_fingers: int | None
    n_readings: int


@dataclass(frozen=True)
class Reads:
    """Rows subject, rater, value, cluster (codes) and what the table has beside them."""

    rows: pd.DataFrame
    settings: dict[str, Any]
    cautions: tuple[Caution, ...]

    @property
    def n_clusters(self) -> int:
        """Number of participants, or of subjects where they are independent."""
        return int(self.rows["cluster"].nunique())

    def counts(self) -> Counts:
        """The n of an `Estimate`."""
        fingers = int(self.rows["finger_id"].nunique()) if "finger_id" in self.rows else None
        return {
            "n_participants": self.n_clusters,
            "n_fingers": fingers,
            "n_readings": len(self.rows),
        }


@dataclass(frozen=True)
class Linked:
    """n pairs of reads: `first` and `second` of shape (n,), `cluster` codes 0..k-1.

    `table` has one row per pair: subject, participant, mean, difference. `finger` has the
    codes of fingers, None if the table does not tell all of them.
    """

    first: np.ndarray
    second: np.ndarray
    cluster: np.ndarray
    table: pd.DataFrame
    reads: Reads
    finger: np.ndarray | None = None
    logarithms: bool = False

    @property
    def difference(self) -> np.ndarray:
        """First rater minus second."""
        return self.first - self.second

    def apart(self) -> tuple[float, np.ndarray]:
        """The differences as a level and the rest, see `rounding.apart`."""
        size = (self.first, self.second, np.full(1, float(self.logarithms)))  # log(1 + e) is e
        return apart(self.difference, grain(*size))


def spec(options: ReadOptions) -> dict[str, Any]:
    """The options with their defaults; an unknown one is an error."""
    return filled(_DEFAULTS, options, "These limits do")


def two_raters(data: Any, rater: str, raters: Sequence[Any] | None) -> list[Any]:
    """The raters named, or the two that the table holds, in sorted order."""
    if raters is not None:
        if isinstance(raters, str) or len(set(raters)) != 2 or len(raters) != 2:
            raise ArgumentError(
                "Argument 'raters' takes two different raters",
                found=repr(raters),
                next_step="give two, as raters=('R1', 'R2'); differences are first minus second",
            )
        return list(raters)
    frame = checks.as_frame(data)
    checks.columns(frame, {"rater": rater})
    known = checks.in_order(frame[rater])
    if len(known) != 2:
        raise EstimateError(
            "Limits of agreement compare two raters",
            found=counted(len(known), "rater")
            + (f": {', '.join(map(str, known[:12]))}" if known else ""),
            next_step="name two of them with raters=(first, second), or use limits_with_mean for all"
            if len(known) > 2
            else "check the filters that made this table; a second rater is needed",
        )
    return known


def between(estimates: Iterable[Estimate], two: Sequence[Any]) -> tuple[Estimate, ...]:
    """The estimates, whose method now names the two raters compared, first minus second."""
    named = f"rater {two[0]} minus rater {two[1]}"
    return tuple(replace(e, method=f"{e.method}; {named}") for e in estimates)


def clean(
    data: Any,
    options: ReadOptions,
    raters: Sequence[Any] | None = None,
    replicate: str | None = None,
) -> Reads:
    """Rows with a value, of the raters named, with codes of the participant they belong to.

    Raises
    ------
    TableError
        Missing or unusable values, absent columns, a subject of two participants.
    EstimateError
        Several quantities mixed, means of several reads among single reads, the same
        reading twice.
    """
    settings = spec(options)
    frame = checks.as_frame(data)
    checks.one_quantity(frame)
    wanted = {name: settings[name] for name in ("subject", "rater", "value", "participant")}
    reads = checks.columns(frame, {**wanted, "replicate": replicate})
    reads["value"] = checks.numeric(reads, "value", settings["value"])
    named = list(reads.columns)
    for name in _EXTRAS:
        if list(frame.columns).count(name) == 1 and name != settings["rater"]:
            reads[name] = frame[name].reset_index(drop=True)
    if raters is not None:
        checks.present(frame[settings["rater"]], raters, "rater")
        reads = asked(reads, "rater", raters)
    stop_at_unseen(reads, settings["missing"])
    _, n_missing = checks.without_missing(reads[named], settings["missing"])
    kept = reads[reads[named].notna().all(axis=1)].reset_index(drop=True)
    one_kind(kept)
    whose = frame if raters is None else asked(frame, settings["rater"], raters)
    each_reading_once(whose, settings["subject"], settings["rater"], settings["value"])
    one_participant_each(kept)
    owner = "participant" if "participant" in kept else "subject"
    kept = kept.assign(cluster=checks.codes(kept[owner]))
    cautions = count_caution(n_missing, 0) + reading_cautions(reads, kept)
    return Reads(kept, settings, cautions)


def linked(
    data: Any,
    raters: Sequence[Any] | None,
    options: ReadOptions,
    replicate: str | None = None,
) -> Linked:
    """Pair the reads of two raters by subject, and by replicate if that is named.

    Raises
    ------
    EstimateError
        Several reads in a cell, reads without a partner, fewer than two pairs or
        two participants; and what `clean` raises.
    """
    two = two_raters(data, spec(options)["rater"], raters)
    reads = clean(data, options, two, replicate)
    key = ["subject"] if replicate is None else ["subject", "replicate"]
    rows = reads.rows
    one_a_cell(
        rows,
        ("rater", *key),
        "A rater has more than one read of a subject"
        + ("" if replicate is None else " and number"),
        noun="read",
        next_step="use limits_replicates, which takes repeated reads; or keep one of each",
    )
    both = rows.groupby(key)["rater"].transform("size") == 2
    alone = int((~both).sum())
    if alone and reads.settings["missing"] == "stop":
        raise EstimateError(
            "Not every read has its partner by the other rater",
            found=f"without a partner: {alone} of {counted(len(rows), 'read')}",
            next_step="pass missing='drop' to leave them out and count them",
        )
    whole = rows[both].sort_values([*key, "rater"], kind="stable").reset_index(drop=True)
    sides = [whole[whole["rater"] == r].reset_index(drop=True) for r in two]
    cluster = pd.factorize(sides[0]["cluster"], sort=True)[0]
    if len(np.unique(cluster)) < 2:
        raise EstimateError(
            "Limits of agreement need at least two participants read by both raters",
            found=f"{counted(len(sides[0]), 'pair')} of "
            + counted(len(np.unique(cluster)), "participant"),
            next_step="check the filters that made this table, or add readings",
        )
    settings = {**reads.settings, "raters": [str(r) for r in two]}
    cautions = (*_unpaired(alone), *reads.cautions)
    first, second = (side["value"].to_numpy() for side in sides)
    table = pd.DataFrame(
        {
            "subject": sides[0]["subject"],
            "participant": sides[0].get("participant", sides[0]["subject"]),
            "mean": second + (first - second) / 2,
            "difference": first - second,
        }
    )
    finger = _fingers(sides[0])
    return Linked(first, second, cluster, table, Reads(whole, settings, cautions), finger)


def _fingers(rows: pd.DataFrame) -> np.ndarray | None:
    """Codes of fingers within participants."""
    if "finger_id" not in rows or rows["finger_id"].isna().any():
        return None
    both = rows.groupby(["cluster", "finger_id"], sort=False, observed=True)
    return np.asarray(both.ngroup().to_numpy(), dtype=np.intp)


def _unpaired(alone: int) -> tuple[Caution, ...]:
    if not alone:
        return ()
    message = (
        f"Reads without a partner by the other rater, left out: {alone}. If what was measured "
        "decides who reads twice, the result is biased."
    )
    return (Caution("reads_without_partner", message),)
