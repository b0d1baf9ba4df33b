"""Checks that every estimator uses, so that every message reads alike."""

from __future__ import annotations

import numbers
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from cohortkit.errors import ArgumentError, EstimateError, TableError

_NUMBERS = ("value", "error", "order", "resolution")  # roles that `numeric` looks at
_LARGEST = 1e70  # its fourth power, summed over 1e28 rows, is a float still


def as_frame(data: Any) -> pd.DataFrame:
    """The rows of an analysis set, or the table itself.

    Raises
    ------
    TableError
        If `data` is neither a pandas table nor something with ``.rows``.
    """
    rows = getattr(data, "rows", data)
    if isinstance(rows, pd.DataFrame):
        return rows
    raise TableError(
        "An estimator takes a pandas table or an analysis set",
        found=type(data).__name__,
        next_step="pass a DataFrame, or a set from open_release(...)",
    )


def one_of(name: str, value: Any, allowed: Sequence[Any]) -> Any:
    """Return `value` if it is one of `allowed`, else say which values are."""
    if value in allowed:
        return value
    listed = [repr(a) for a in allowed]
    words = listed[0] if len(listed) == 1 else ", ".join(listed[:-1]) + " or " + listed[-1]
    raise ArgumentError(
        f"Argument '{name}' takes {words}", found=repr(value), next_step="use a value listed here"
    )


def proportion(name: str, value: float) -> float:
    """Return `value` if it lies strictly between 0 and 1."""
    if isinstance(value, (int, float)) and 0 < value < 1:
        return float(value)
    raise ArgumentError(
        f"Argument '{name}' lies strictly between 0 and 1",
        found=repr(value),
        next_step="give a fraction such as 0.95",
    )


def count(name: str, value: int, minimum: int = 1) -> int:
    """Return `value` if it is a whole number of at least `minimum`."""
    if isinstance(value, (int, np.integer)) and not isinstance(value, bool) and value >= minimum:
        return int(value)
    raise ArgumentError(
        f"Argument '{name}' is a whole number of at least {minimum}",
        found=repr(value),
        next_step=f"give {minimum} or more",
    )


def columns(frame: pd.DataFrame, wanted: dict[str, str | None]) -> pd.DataFrame:
    """The named columns, renamed to their roles.

    Parameters
    ----------
    frame
        Any table.
    wanted
        Role to column name, as ``{"subject": "scan_id"}``. A role whose name is
        None is left out.

    Returns
    -------
    pandas.DataFrame
        A new table with one column per role and a fresh 0..n-1 index. A Categorical
        comes as its plain values.

    Raises
    ------
    TableError
        If a named column is absent or stands twice in the table; or if a column other than
        a number's mixes ids that read alike, or that have no order: see `distinct`.
    """
    for role, name in wanted.items():
        if name is None:
            continue
        found = list(frame.columns).count(name)
        if found != 1:
            raise TableError(
                f"The table has no column '{name}' for the {role}"
                if not found
                else f"The table has {found} columns called '{name}'",
                found="columns " + ", ".join(map(str, frame.columns)),
                next_step=f"name the column with {role}=..., or rename it",
            )
    kept = {role: name for role, name in wanted.items() if name is not None}
    plain = {role: _plain(frame[name]).reset_index(drop=True) for role, name in kept.items()}
    for role, column in plain.items():
        if role not in _NUMBERS:
            distinct(column)
    return pd.DataFrame(plain)


def distinct(column: pd.Series) -> None:
    """Stop if a column of text and something else has two ids that may be one.

    Raises
    ------
    TableError
        The number 1 and the text "1", as spreadsheets give them; or ids that have no order
        together, such as numbers and dates.
    """
    mixed = column.dtype == object and pd.api.types.infer_dtype(column, skipna=True)
    if not str(mixed).startswith("mixed"):
        return
    known = list(column.dropna().unique())
    reads: dict[str, Any] = {}
    for one in known:
        other = reads.setdefault(_text(one), one)
        if other is not one:
            raise TableError(
                f"Column '{column.name}' holds ids that read alike, of different types",
                found=f"{other!r} ({_kinds([other])}) and {one!r} ({_kinds([one])})",
                next_step="write all ids of the column in one way, so that none counts twice",
            )
    try:
        pd.factorize(column, sort=True)
    except TypeError:
        types = sorted({type(one).__name__ for one in known})
        raise TableError(
            f"Column '{column.name}' mixes types of ids that have no order together",
            found=f"{', '.join(types)}; such as {', '.join(map(repr, known[:3]))}",
            next_step="write all ids of the column as text; a spreadsheet may have made dates of "
            "ids such as 1-2",
        ) from None


def codes(column: pd.Series) -> np.ndarray:
    """Codes 0..k-1 of ids in the order of their text, -1 where missing.

    What is drawn by code is then the same for ids 1, 2, 10 as numbers and as text, and for
    any order of the rows.
    """
    code, known = pd.factorize(column, sort=True)
    text = np.array([_text(one) for one in known], dtype=object)
    place = np.empty(len(known) + 1, dtype=np.intp)
    place[np.argsort(text, kind="stable")] = np.arange(len(known))
    place[-1] = -1
    return place[code]


def _text(one: Any) -> str:
    whole = isinstance(one, (float, np.floating)) and float(one).is_integer()
    return str(int(one) if whole else one)


def present(column: pd.Series, wanted: Sequence[Any], what: str) -> None:
    """Stop if a rater or method that the caller names does not stand in the column.

    Raises
    ------
    EstimateError
        Names what is absent, and what stands there and of which type, since ``"1"`` is
        not ``1``.
    """
    known = in_order(column)
    absent = [name for name in wanted if not (column == name).any()]
    if not absent or not known:
        return
    shown = ", ".join(map(repr, known[:12])) + (", ..." if len(known) > 12 else "")
    raise EstimateError(
        f"The table has no such {what}",
        found=f"{', '.join(map(repr, absent))} ({_kinds(absent)}) was "
        f"asked for; column '{column.name}' holds {shown} ({_kinds(known)})",
        next_step="name them as they stand in the column, with quotation marks only if they are "
        "text; or check the filters that made this table",
    )


def _kinds(values: Sequence[Any]) -> str:
    def one(value: Any) -> str:
        whole = isinstance(value, (int, np.integer)) and not isinstance(value, bool)
        return "text" if isinstance(value, str) else "whole numbers" if whole else "other"

    return " and ".join(sorted({one(value) for value in values}))


def in_order(column: pd.Series) -> list[Any]:
    """The different values: of a Categorical in the order of its categories, else sorted."""
    return list(pd.factorize(column, sort=True)[1])


def _plain(column: pd.Series) -> pd.Series:
    """The values of a Categorical without its list of categories, which rows may not use."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.astype(column.cat.categories.dtype if column.notna().all() else object)
    return column


def numeric(frame: pd.DataFrame, role: str, name: str | None = None) -> pd.Series:
    """Column `role` as float64; NaN stays NaN.

    Parameters
    ----------
    frame
        Any table.
    role
        Column that is to hold numbers, or text that reads as numbers.
    name
        The caller's name of that column, for messages.

    Raises
    ------
    TableError
        Yes/no values, dates, durations or complex numbers, which have a value as floats
        but not one that was measured; text, or infinite values: names how many and the
        first. Values whose fourth powers leave the range of floats, since squares and
        products of squares are summed: largest value from 1e70, or below 1e-70.
    """
    column = _plain(frame[role])
    where = "" if name is None else f"column '{name}'"
    if not _holds_numbers(column):
        raise TableError(
            f"The {role} must be a number in every row",
            where=where,
            found=f"type {column.dtype}, the first {_first_other(column)!r}",
            next_step="name the column of the measurement, or convert it: a yes or no is no "
            "measurement, and a date is one only as days since another",
        )
    values = pd.to_numeric(column, errors="coerce").astype("float64")
    bad = (values.isna() & column.notna()) | np.isinf(values)
    if bad.any():
        raise TableError(
            f"The {role} must be a finite number in every row",
            where=where,
            found=f"{int(bad.sum())} other values, the first {column[bad].tolist()[0]!r}",
            next_step="correct or leave out those rows",
        )
    size = float(np.abs(values).max()) if values.notna().any() else 0.0
    if size >= _LARGEST or 0 < size < 1 / _LARGEST:
        raise TableError(
            f"The {role} is too {'large' if size > 1 else 'small'} to compute with: products of "
            "its squares leave the range of numbers",
            where=where,
            found=f"largest size {size:.3g}; sizes from {1 / _LARGEST:g} to {_LARGEST:g} are taken",
            next_step="take another unit; or correct a number that stands for something else, such "
            "as a missing value",
        )
    return values


def _holds_numbers(column: pd.Series) -> bool:
    if column.dtype == object:
        return not any(map(_no_number, column))
    kinds = pd.api.types
    number = kinds.is_numeric_dtype(column) and not kinds.is_bool_dtype(column)
    return (number and not kinds.is_complex_dtype(column)) or kinds.is_string_dtype(column)


def _no_number(cell: Any) -> bool:
    """Whether a cell is neither text nor a number nor missing."""
    if isinstance(cell, (bool, np.bool_)):
        return True
    return not isinstance(cell, (str, numbers.Real, Decimal)) and not pd.isna(cell)


def _first_other(column: pd.Series) -> Any:
    cells = column.dropna().tolist()
    return next(filter(_no_number, cells), cells[0] if cells else None)


def without_missing(frame: pd.DataFrame, missing: str) -> tuple[pd.DataFrame, int]:
    """Stop at missing values, or drop their rows because the caller said so.

    Returns
    -------
    tuple
        The rows without missing values and the number dropped.

    Raises
    ------
    TableError
        If ``missing="stop"`` and a value is missing: names column and count.
    """
    one_of("missing", missing, ("stop", "drop"))
    gaps = frame.isna()
    rows = gaps.any(axis=1)
    if missing == "stop" and rows.any():
        counts = ", ".join(f"{name} ({n})" for name, n in gaps.sum().items() if n)
        raise TableError(
            "Values are missing",
            found=counts,
            next_step="find out why, then pass missing='drop' to leave those rows out and count them",
        )
    return frame[~rows].reset_index(drop=True), int(rows.sum())


def one_quantity(
    frame: pd.DataFrame, names: Sequence[str] = ("pulley", "load", "reference_structure")
) -> None:
    """Stop if the table mixes readings of different quantities.

    A gap at A2, at A3 (read to the volar plate) and under load are different
    quantities. A column of `names` that the table lacks is not checked: leaving
    it out is how a caller says that pooling is meant.

    Raises
    ------
    EstimateError
        If one of the columns holds more than one value.
    """
    for name in names:
        if list(frame.columns).count(name) != 1:
            continue
        kinds = sorted(map(str, frame[name].dropna().unique()))
        if len(kinds) > 1:
            raise EstimateError(
                f"The rows mix different quantities in column '{name}'",
                found=", ".join(kinds),
                next_step=f"keep the rows of one {name}, or leave the column out to pool knowingly",
            )


def marked(column: pd.Series) -> pd.Series:
    """Where a yes/no column says yes; a missing mark counts as no."""
    return column.eq(True).astype("boolean").fillna(False).astype(bool)
