"""What every layout of readings or ratings asks of its rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import sparse

from cohortkit import checks
from cohortkit.errors import ArgumentError, EstimateError, TableError


def filled(defaults: Mapping[str, Any], options: Mapping[str, Any], who: str) -> dict[str, Any]:
    """The options with their defaults.

    Raises
    ------
    ArgumentError
        One that `defaults` does not know; `who` takes options, as "These limits do".
    """
    unknown = sorted(set(options) - set(defaults))
    if unknown:
        raise ArgumentError(
            f"{who} not take that argument",
            found=", ".join(unknown),
            next_step="use one of " + ", ".join(defaults),
        )
    return {**defaults, **options}


def asked(rows: pd.DataFrame, role: str, names: Sequence[Any]) -> pd.DataFrame:
    """Rows of the raters or methods named, and those that name none: a missing value.

    Rows of others are left out, since nobody asked about them. A row that does not say
    whose it is may be one of those asked about, and is not to vanish without a word.
    """
    column = rows[role]
    return rows[column.isin(list(names)) | column.isna()].reset_index(drop=True)


def unseen(rows: pd.DataFrame) -> int:
    """How many rows hold no value because the gap was below resolution."""
    if "below_resolution" not in rows:
        return 0
    return int((checks.marked(rows["below_resolution"]) & rows["value"].isna()).sum())


def stop_at_unseen(rows: pd.DataFrame, missing: str) -> None:
    """Stop at gaps below resolution, unless rows with missing values may be dropped."""
    count = unseen(rows)
    if count and missing == "stop":
        raise TableError(
            "Some gaps were too small to be seen, so their value is unknown, not zero",
            found=f"{count} of {len(rows)} readings below resolution",
            next_step="pass missing='drop' to ask about visible gaps only; the result counts them",
        )


def one_participant_each(rows: pd.DataFrame) -> pd.DataFrame:
    """Subjects and their participants, one row each; empty if the rows name no participant.

    Raises
    ------
    TableError
        A subject of two participants.
    """
    if "participant" not in rows:
        return pd.DataFrame(columns=["subject", "participant"])
    links = rows[["subject", "participant"]].drop_duplicates()
    double = links["subject"].duplicated()
    if double.any():
        raise TableError(
            "A subject belongs to more than one participant",
            found=f"subject {links.loc[double, 'subject'].tolist()[0]!r}",
            next_step="give every subject, such as each scan of a finger, an id of its own",
        )
    return links


def one_a_cell(
    rows: pd.DataFrame, by: Sequence[str], what: str, *, noun: str, next_step: str
) -> None:
    """Stop if several rows have the same subject, rater and so on: the columns `by`.

    Raises
    ------
    EstimateError
        Says `what`, how many further rows (`noun`), and which is the first.
    """
    extra = rows.duplicated(list(by))
    if not extra.any():
        return
    first = ", ".join(f"{name} {rows.loc[extra, name].tolist()[0]!r}" for name in by)
    raise EstimateError(
        what, found=f"{int(extra.sum())} further {noun}, the first: {first}", next_step=next_step
    )


def groups(subject: np.ndarray, rater: np.ndarray) -> np.ndarray:
    """Group of each row, 0..g-1: raters in one group share subjects, directly or through others.

    Takes codes 0..n-1 and 0..k-1, shape (rows,) each.
    """
    n, k = int(subject.max()) + 1, int(rater.max()) + 1
    links = sparse.coo_matrix((np.ones(len(subject)), (subject, n + rater)), shape=(n + k, n + k))
    label = sparse.csgraph.connected_components(links, directed=False)[1]
    return np.unique(label[subject], return_inverse=True)[1]
