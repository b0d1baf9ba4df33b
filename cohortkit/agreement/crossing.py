"""Lay readings out as a complete subject-by-rater table, or say why they cannot be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.agreement.reading_kinds import (
    KINDS,
    averaged_caution,
    one_kind,
    scanning_caution,
    stored_count,
)
from cohortkit.agreement.shared_rows import (
    asked,
    groups,
    one_a_cell,
    one_participant_each,
    stop_at_unseen,
    unseen,
)
from cohortkit.display import counted
from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution

# Used where the table has them; they make messages and cautions specific.
_EXTRAS = (
    "finger_id",
    "site_id",
    "rater_site_id",
    "read_no",
    *KINDS,
    "below_resolution",
    "injured",
)


@dataclass(frozen=True)
class Roles:
    """Which column plays which part; None says that the table has no such column."""

    subject: str
    rater: str | None
    value: str
    participant: str | None


@dataclass(frozen=True)
class Crossed:
    """A complete table of n independent subjects by k raters.

    `values` has shape (n, k); `participants` is None if the caller stated that
    subjects are independent.
    """

    values: np.ndarray
    subjects: list[Any]
    raters: list[Any]
    participants: list[Any] | None
    n_fingers: int | None
    cautions: tuple[Caution, ...]


def crossed(data: Any, roles: Roles, missing: str, raters: Sequence[Any] | None = None) -> Crossed:
    """Check the design of a reliability table and lay it out.

    Parameters
    ----------
    data
        One row per read.
    roles
        Column names. With ``rater=None`` the reads of a subject are
        exchangeable, and the k columns have no meaning of their own.
    missing
        ``"stop"``, or ``"drop"`` to leave out missing reads and with them every
        subject that is then incomplete; both are counted in a caution.
    raters
        Raters to keep, in this order. None keeps all, in sorted order.

    Raises
    ------
    TableError
        Missing or unusable values, a subject with two participants.
    EstimateError
        Several quantities mixed, several subjects of one participant, several
        reads in a cell, raters that do not cross, an incomplete table, fewer
        than two subjects or two raters, means of several reads among single ones.
    """
    frame = checks.as_frame(data)
    checks.one_quantity(frame)
    reads = _reads(frame, roles)
    if raters is not None:
        checks.present(frame[roles.rater], raters, "rater")
        reads = asked(reads, "rater", raters)
    stop_at_unseen(reads, missing)
    named = [role for role in ("subject", "rater", "value", "participant") if role in reads]
    _, n_missing = checks.without_missing(reads[named], missing)
    kept = reads[reads[named].notna().all(axis=1)].reset_index(drop=True)
    if kept.empty:
        raise EstimateError(
            "There is no read to compare",
            found=f"{counted(len(reads), 'row')}, {n_missing} with a missing value",
            next_step="check the filters that made this table",
        )
    one_kind(kept)
    _one_subject_each(kept)
    if "rater" not in kept:
        kept = kept.assign(rater=kept.groupby("subject").cumcount())
    _one_read_a_cell(kept)
    _raters_cross(kept)
    whole, n_incomplete = _complete(kept, missing, exchangeable=roles.rater is None)
    dropped = count_caution(n_missing, n_incomplete)
    return _laid_out(whole, raters, dropped + reading_cautions(reads, whole))


def _reads(frame: pd.DataFrame, roles: Roles) -> pd.DataFrame:
    reads = checks.columns(
        frame,
        {
            "subject": roles.subject,
            "rater": roles.rater,
            "value": roles.value,
            "participant": roles.participant,
        },
    )
    reads["value"] = checks.numeric(reads, "value", roles.value)
    for name in _EXTRAS:
        if list(frame.columns).count(name) == 1 and name != roles.rater:
            reads[name] = frame[name].reset_index(drop=True)
    return reads


def _one_subject_each(reads: pd.DataFrame) -> None:
    if "participant" not in reads:
        return
    links = one_participant_each(reads)
    each = links.groupby("participant").size()
    if (each <= 1).all():
        return
    fingers = reads.groupby("participant")["finger_id"].nunique() if "finger_id" in reads else each
    rescanned = bool((fingers <= 1).all())
    raise EstimateError(
        "Several subjects come from one participant, and scans of one person are not "
        "independent, so the interval would not hold",
        found=f"{int((each > 1).sum())} of {len(each)} participants have up to {each.max()} "
        f"subjects, the first {each[each > 1].index.tolist()[0]!r}"
        + (", one finger scanned several times" if rescanned else ""),
        next_step=(
            "keep one scan of each finger, such as the first by scan_day"
            if rescanned
            else "use one finger per participant, "
            "release.readings(one_finger_per_participant=True), and one scan of it"
        )
        + "; or keep them all with limits_clustered (two raters) or reliability, whose intervals "
        "are made over participants; participant=None states that the subjects are independent",
    )


def _one_read_a_cell(reads: pd.DataFrame) -> None:
    one_a_cell(
        reads,
        ("rater", "subject"),
        "A rater has more than one read of a subject",
        noun="read",
        next_step="keep one read a rater, as with read_no == 1, to compare raters; or use all "
        "reads with limits_replicates (two raters), reliability (all raters) or repeatability "
        "(each rater with itself), or icc with rater=None on the rows of one rater",
    )


def _raters_cross(reads: pd.DataFrame) -> None:
    label = groups(*(pd.factorize(reads[role], sort=True)[0] for role in ("subject", "rater")))
    count = int(label.max()) + 1
    if count == 1:
        return
    parts = [_group_words(reads[label == g]) for g in range(count)]
    nested = "rater_site_id" in reads or "site_id" in reads
    raise EstimateError(
        "The raters do not cross: no subject was read by raters of two groups, so a difference "
        f"between raters cannot be told from one between {'sites' if nested else 'the groups'}",
        found="; ".join(parts[:6]) + (" and more" if count > 6 else ""),
        next_step="ask within one group, where icc holds; or limits_of_agreement for two raters of "
        "a group; or rater=None for the one-way ICC(1,1) within a group that counts every "
        "difference as error. To compare across sites let the raters read the same stored clips",
    )


def _group_words(reads: pd.DataFrame) -> str:
    raters, n_subjects = checks.in_order(reads["rater"]), reads["subject"].nunique()
    column = next((c for c in ("rater_site_id", "site_id") if c in reads), None)
    sites = sorted(map(str, reads[column].dropna().unique())) if column else []
    place = f"{'site' if len(sites) == 1 else 'sites'} {', '.join(sites)}: " if sites else ""
    names = ", ".join(map(str, raters[:4])) + (", ..." if len(raters) > 4 else "")
    return f"{place}raters {names} ({counted(n_subjects, 'subject')})"


def _complete(reads: pd.DataFrame, missing: str, *, exchangeable: bool) -> tuple[pd.DataFrame, int]:
    """Rows of the subjects that have every read, and how many subjects had not."""
    k = reads["rater"].nunique()
    size = reads.groupby("subject")["rater"].transform("size")
    incomplete = int(reads.loc[size < k, "subject"].nunique())
    whole = reads[size == k].reset_index(drop=True)
    if incomplete and missing == "stop":
        raise EstimateError(
            "The subjects have different numbers of reads"
            if exchangeable
            else "Not every subject was read by every rater",
            found=f"incomplete: {incomplete} of {counted(reads['subject'].nunique(), 'subject')}; "
            + _reads_per_rater(reads),
            next_step="keep a balanced part such as read_no <= 2"
            if exchangeable
            else "keep raters who read the same subjects, use limits_of_agreement for one pair, "
            "or pass missing='drop' to leave those subjects out and count them",
        )
    n = whole["subject"].nunique()
    if n < 2 or k < 2:
        short = "reads a subject" if exchangeable else "raters"
        raise EstimateError(
            f"Agreement needs at least two subjects and two {short}",
            found=f"{counted(n, 'subject')} with every read, "
            + (counted(k, "read") + " a subject" if exchangeable else counted(k, "rater")),
            next_step="add readings"
            if exchangeable or k > 1
            else "add readings of a second rater; icc takes one rater's repeats with rater=None",
        )
    return whole, incomplete


def _reads_per_rater(reads: pd.DataFrame) -> str:
    counts = reads.groupby("rater").size()
    shown = ", ".join(f"{rater}: {count}" for rater, count in counts.iloc[:6].items())
    return f"reads by rater {shown}" + (", ..." if len(counts) > 6 else "")


def _laid_out(
    whole: pd.DataFrame, raters: Sequence[Any] | None, cautions: tuple[Caution, ...]
) -> Crossed:
    rows, subjects = pd.factorize(whole["subject"], sort=True)
    found = pd.factorize(whole["rater"], sort=True)[1]
    order = list(found) if raters is None else list(raters)
    values = np.empty((len(subjects), len(order)))
    values[rows, pd.Index(order).get_indexer(whole["rater"])] = whole["value"].to_numpy()
    participants = None
    if "participant" in whole:
        by_row = pd.Series(whole["participant"].to_numpy(), index=rows)
        participants = by_row[~by_row.index.duplicated()].sort_index().tolist()
    fingers = int(whole["finger_id"].nunique()) if "finger_id" in whole else None
    return Crossed(values, list(subjects), order, participants, fingers, cautions)


def count_caution(n_missing: int, n_incomplete: int) -> tuple[Caution, ...]:
    """How many reads and subjects were left out; none if nothing was."""
    if not (n_missing or n_incomplete):
        return ()
    message = (
        f"Reads with a missing value, left out: {n_missing}; subjects left out because they "
        f"lacked a read: {n_incomplete}. If what was measured decides what is missing, the result "
        "is biased."
    )
    return (Caution("left_out", message),)


def reading_cautions(reads: pd.DataFrame, whole: pd.DataFrame) -> tuple[Caution, ...]:
    """What columns of the format say about all reads given, and about those kept."""
    found = []
    hidden = unseen(reads)
    if hidden:
        found.append(
            Caution(
                "below_resolution",
                f"Reads below resolution, left out: {hidden}. The result is about visible gaps only.",
            )
        )
    found += averaged_caution(whole)
    found += scanning_caution(stored_count(whole), len(whole))
    if "injured" in whole and whole["injured"].nunique() > 1:
        found.append(
            Caution(
                "injured_and_intact_mixed",
                "Injured and uninjured fingers are mixed: their different gaps raise an ICC "
                "without lowering the error in mm. Report them apart.",
            )
        )
    return tuple(found)
