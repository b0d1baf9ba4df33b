"""What a rule says about each row, and the few operations that rules share.

A row is kept, broken, or not judged because a value the rule needs is missing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortkit.tables.conversion import empty

Tables: TypeAlias = Mapping[str, pd.DataFrame]
"""Typed tables of the format by name; a table may be absent."""

Flags: TypeAlias = NDArray[np.bool_]
Positions: TypeAlias = NDArray[np.intp]
Message: TypeAlias = Callable[[Positions], list[str]]


@dataclass(frozen=True)
class Verdict:
    """A rule's answer for one table of n rows.

    Parameters
    ----------
    table
        Name of the table.
    broken, judged
        One flag per row, shape (n,). A broken row is a judged row.
    columns
        Columns a reader should look at, comma separated.
    messages
        One sentence per broken row, in row order.
    """

    table: str
    broken: Flags
    judged: Flags
    columns: str
    messages: list[str]


def verdict(
    table: str, judged: Flags, broken: Flags, columns: tuple[str, ...], message: Message
) -> Verdict:
    """A verdict in which rows that cannot be judged are not broken."""
    broken = broken & judged
    return Verdict(table, broken, judged, ",".join(columns), message(np.flatnonzero(broken)))


def said(frame: pd.DataFrame, template: str, *columns: str) -> Message:
    """Sentences with the row's own values in the places ``{}`` of `template`."""

    def sentences(rows: Positions) -> list[str]:
        values = [frame[c].iloc[rows].tolist() for c in columns]
        if not values:
            return [template] * len(rows)
        return [template.format(*row) for row in zip(*values, strict=True)]

    return sentences


def get(tables: Tables, name: str) -> pd.DataFrame:
    """Table `name`, or the table without rows if it is absent."""
    return tables[name] if name in tables else empty(name)


def known(frame: pd.DataFrame, *columns: str) -> Flags:
    """True where none of `columns` is missing."""
    flags = np.ones(len(frame), dtype=bool)
    for column in columns:
        flags &= frame[column].notna().to_numpy(dtype=bool)
    return flags


def equal(column: pd.Series, *values: str | bool | int) -> Flags:
    """True where the value is one of `values`; false where it is missing."""
    return column.isin(list(values)).to_numpy(dtype=bool)


def differ(left: pd.Series, right: pd.Series) -> Flags:
    """True where both values are there and are not the same."""
    both = left.notna() & right.notna()
    flags = np.zeros(len(left), dtype=bool)
    where = both.to_numpy(dtype=bool)
    pair = left[where].astype(object).to_numpy(), right[where].astype(object).to_numpy()
    flags[where] = pair[0] != pair[1]
    return flags


def numbers(column: pd.Series) -> NDArray[np.float64]:
    """Values as float64; NaN where missing."""
    return column.to_numpy(dtype="float64", na_value=np.nan)


def positions(keys: pd.Series, wanted: pd.Series) -> Positions:
    """Row of `wanted` that holds each key, the first if there are several, else -1."""
    first = (wanted.notna() & ~wanted.duplicated()).to_numpy(dtype=bool)
    rows = np.append(np.flatnonzero(first), -1)
    index = pd.Index(wanted[first].astype(object))
    at = index.get_indexer(pd.Index(keys.astype(object)))
    return rows[np.where(keys.isna().to_numpy(dtype=bool), -1, at)]


def taken(column: pd.Series, at: Positions) -> pd.Series:
    """Values of `column` at these rows; missing where the row is -1."""
    return pd.Series(column.array.take(at, allow_fill=True))


def beside(frame: pd.DataFrame, key: str, other: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """Columns of `other` for each row of `frame`, found by the shared key column."""
    at = positions(frame[key], other[key])
    return pd.DataFrame({column: taken(other[column], at) for column in columns})


def site_of_scans(tables: Tables) -> pd.DataFrame:
    """Columns scan_id and site_id (of the participant; missing where it cannot be found)."""
    scans = get(tables, "scans")
    site = beside(scans, "participant_id", get(tables, "participants"), "site_id")
    return site.assign(scan_id=scans["scan_id"])
