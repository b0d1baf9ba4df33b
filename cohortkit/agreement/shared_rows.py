"""What every layout of readings or ratings asks of its rows."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import sparse

from cohortkit import checks
from cohortkit.display import counted
from cohortkit.errors import ArgumentError, EstimateError, TableError

# What the format counts a rater's readings by, beside scan, rater and number.
_OF_A_READING = (
    "finger_id",
    "scan_id",
    "rater_id",
    "pulley",
    "reference_structure",
    "caliper_site",
    "load",
    "load_method",
    "read_mode",
    "reads_averaged",
)

RATERS_SITE = "A rater's code stands for one person, who works at one site"
WAY_OUT_OF_SITES = (
    "give raters of different sites codes of their own, such as the site's code before the "
    "rater's; or pass {option}=None if one person reads at several sites"
)


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
            found=f"{count} of {counted(len(rows), 'reading')} below resolution",
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
        Says `what`, how many further rows there are, by their `noun`, and which is the first.
    """
    extra = rows.duplicated(list(by))
    if not extra.any():
        return
    first = ", ".join(f"{name} {rows.loc[extra, name].tolist()[0]!r}" for name in by)
    raise EstimateError(
        what,
        found=f"{counted(int(extra.sum()), f'further {noun}')}, the first: {first}",
        next_step=next_step,
    )


def each_reading_once(
    frame: pd.DataFrame,
    subject: str,
    rater: str | None,
    value: str | None = None,
    within: Collection[str] = (),
) -> None:
    """Stop if a reading stands in the table twice: its copy would pass for a second reading.

    Parameters
    ----------
    frame
        The caller's table, with its own column names.
    subject, rater
        Column names. ``rater=None``: the format's ``rater_id``, if the table has it.
    value
        Rows without a value are not looked at. None looks at all rows.
    within
        Columns of what the subjects lie in, where their ids need only be unique there.

    Raises
    ------
    EstimateError
        The same ``reading_id`` twice; or the same subject, rater and ``read_no``, and the
        same of what else the format counts by (scan, pulley, caliper site, load, mode). A
        table without these columns is not checked.
    """
    present = {name for name in frame.columns if list(frame.columns).count(name) == 1}
    rows = frame if value is None else frame[frame[value].notna()]
    who = [name for name in (rater, "rater_id") if name in present][:1]
    named = [[subject, *who, "read_no"]] if who and "read_no" in present else []
    for key in [["reading_id"], *named] if "reading_id" in present else named:
        known = rows.dropna(subset=key)
        beside = [c for c in _OF_A_READING if c in present and c not in key and len(key) > 1]
        beside += [c for c in within if c not in (*key, *beside) and len(key) > 1]
        extra = known.duplicated([*key, *beside])
        if extra.any():
            first = ", ".join(f"{name} {known.loc[extra, name].tolist()[0]!r}" for name in key)
            raise EstimateError(
                "A reading stands in the table more than once, and a copy shows no error",
                found=f"{counted(int(extra.sum()), 'further row')}, the first: {first}",
                next_step="take the copies out; number different readings by one rater 1, 2, 3 in "
                "read_no; or leave the column out if it numbers something else",
            )


def one_site_each(
    rows: pd.DataFrame,
    role: str,
    site: str,
    what: str,
    next_step: str,
    within: Sequence[str] = (),
) -> None:
    """Stop at a rater, or a scan, that has several sites; `within` are columns it lies in.

    Rows that lack one of the columns are not checked.

    Raises
    ------
    EstimateError
        Says `what`, how many there are, and the first.
    """
    if role not in rows or site not in rows:
        return
    names = [*(n for n in within if n in rows), role]
    sites = rows.groupby(names, sort=False, observed=True)[site].nunique()
    several = sites[sites > 1]
    if several.empty:
        return
    first = several.index[0]
    code = first[-1] if isinstance(first, tuple) else first
    raise EstimateError(
        what,
        found=f"{role}s with several sites: {len(several)}; the first is {code!r}, with "
        f"{int(several.iloc[0])} sites",
        next_step=next_step,
    )


def groups(subject: np.ndarray, rater: np.ndarray) -> np.ndarray:
    """Group of each row, 0..g-1: raters in one group share subjects, directly or through others.

    Takes codes 0..n-1 and 0..k-1, shape (rows,) each.
    """
    n, k = int(subject.max()) + 1, int(rater.max()) + 1
    links = sparse.coo_matrix((np.ones(len(subject)), (subject, n + rater)), shape=(n + k, n + k))
    label = sparse.csgraph.connected_components(links, directed=False)[1]
    return np.unique(label[subject], return_inverse=True)[1]
