"""Lay out readings by raters who all read several fingers of each participant."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.agreement.crossing import Crossed, Roles, crossed
from cohortkit.agreement.limit_levels import has_levels
from cohortkit.agreement.shared_rows import one_participant_each
from cohortkit.errors import EstimateError

_FINGER = "finger_id"


@dataclass(frozen=True)
class Nested:
    """A complete table of subjects by raters, subjects of one participant side by side.

    `size` (n,) is the number of subjects of each participant, in the order of the rows;
    `fingers_known` whether the table names their fingers.
    """

    table: Crossed
    size: np.ndarray
    fingers_known: bool

    @property
    def first(self) -> np.ndarray:
        """Row of the first subject of each participant."""
        return np.concatenate([[0], np.cumsum(self.size)[:-1]]).astype(int)


def nested(data: Any, roles: Roles, missing: str, raters: Sequence[Any] | None) -> Nested:
    """Check and lay out as `crossed` does, but take several fingers of a participant.

    Raises
    ------
    TableError, EstimateError
        As `crossed`, save for several subjects of a participant; some participants with
        several fingers, and a finger scanned several times; fewer than two participants.
    """
    frame = checks.as_frame(data)
    links = _links(frame, roles)
    if roles.participant is None or not links["participant"].duplicated().any():
        table = crossed(data, roles, missing, raters)
        return Nested(table, np.ones(len(table.subjects)), True)
    one_participant_each(links)
    # Every subject passes for a participant of its own, so that crossed checks all else.
    named = frame[roles.participant].notna()
    alone = frame.assign(**{roles.participant: frame[roles.subject].where(named)})
    table = crossed(alone, roles, missing, raters)
    by_subject = dict(zip(links["subject"], links["participant"], strict=True))
    owners = [by_subject[subject] for subject in table.subjects]
    codes = pd.factorize(pd.Series(owners, dtype=object), sort=False)[0]
    if codes.max() < 1:
        raise EstimateError(
            "Agreement needs at least two participants",
            found=f"{len(owners)} subjects of 1 participant",
            next_step="add readings of other participants",
        )
    _one_scan_of_a_finger(frame, roles.subject, table.subjects, codes)
    order = np.argsort(codes, kind="stable")
    table = replace(
        table,
        values=table.values[order],
        subjects=[table.subjects[i] for i in order],
        participants=[owners[i] for i in order],
    )
    return Nested(table, np.bincount(codes).astype(float), _FINGER in frame.columns)


def _links(frame: pd.DataFrame, roles: Roles) -> pd.DataFrame:
    """Subjects with their participants, one row each; empty where a column is not there once."""
    wanted = {"subject": roles.subject, "participant": roles.participant}
    if any(name is None or list(frame.columns).count(name) != 1 for name in wanted.values()):
        return pd.DataFrame(columns=list(wanted))
    return checks.columns(frame, wanted).dropna().drop_duplicates(ignore_index=True)


def _one_scan_of_a_finger(
    frame: pd.DataFrame, subject: str, subjects: Sequence[Any], codes: np.ndarray
) -> None:
    """Stop where some fingers were scanned several times and others are of the same person."""
    if list(frame.columns).count(_FINGER) != 1:
        return
    pairs = checks.columns(frame, {"subject": subject, "finger": _FINGER}).dropna()
    of = dict(zip(pairs["subject"], pairs["finger"], strict=True))
    named = [(code, of.get(one, one)) for code, one in zip(codes.tolist(), subjects, strict=True)]
    finger = pd.factorize(pd.Series(named, dtype=object), sort=False)[0]
    if not has_levels(codes, finger):
        return
    again = int((np.bincount(finger) > 1).sum())
    raise EstimateError(
        "Some fingers were scanned several times and some participants gave several fingers, and "
        "these limits know one level of scans within a participant",
        found=f"{len(subjects)} scans of {int(finger.max()) + 1} fingers of "
        f"{int(codes.max()) + 1} participants; {again} fingers with several scans",
        next_step="keep one scan of each finger, such as the first by scan_day; or use "
        "reliability, or limits_clustered for two raters, which know both levels",
    )
