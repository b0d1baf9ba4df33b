"""From clean values to the four column types of the format."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortkit.errors import TableError
from cohortkit.tables.fields import TableSchema, table

DTYPES = {"string": "string", "integer": "Int64", "number": "float64", "boolean": "boolean"}
"""Type word of the format to the pandas type of a typed column."""

_WHOLE = re.compile(r"[+-]?[0-9]+")
_DECIMAL = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_LARGEST_WHOLE = 2**53
_YES_NO = {"true": True, "false": False}


def _text(value: Any) -> str:
    if isinstance(value, str):
        return value
    raise ValueError


def _integer(value: Any) -> int:
    if isinstance(value, str):
        if not _WHOLE.fullmatch(value):
            raise ValueError
        whole = int(value)
    else:
        whole = int(_number(value))
        if whole != value:
            raise ValueError
    if abs(whole) > _LARGEST_WHOLE:
        raise ValueError
    return whole


def _number(value: Any) -> float:
    if isinstance(value, (bool, np.bool_)):
        raise ValueError
    if isinstance(value, str) and not _DECIMAL.fullmatch(value):
        raise ValueError
    number = float(value)
    if not math.isfinite(number):
        raise ValueError
    return number


def _boolean(value: Any) -> bool:
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, str) and value in _YES_NO:
        return _YES_NO[value]
    raise ValueError


_CONVERTERS: dict[str, Callable[[Any], Any]] = {
    "string": _text,
    "integer": _integer,
    "number": _number,
    "boolean": _boolean,
}


def _distinct(values: NDArray[np.object_], where: str) -> tuple[NDArray[np.intp], Any]:
    """Code of each value and the values that the codes stand for."""
    try:
        return pd.factorize(values)
    except TypeError as error:
        raise TableError(
            "A cell holds something that is neither text nor a number nor yes/no",
            where=where,
            found=str(error),
            next_step="put one value into each cell",
        ) from error


def _convert(column: pd.Series, type_word: str, where: str) -> pd.Series:
    """One column; each distinct value is read once, so long columns stay quick."""
    if str(column.dtype) == DTYPES[type_word] and type_word in ("integer", "boolean"):
        return column.reset_index(drop=True)
    values = column.astype(object).to_numpy(copy=True)
    missing = pd.isna(values)
    missing[~missing] = values[~missing] == ""
    codes, distinct = _distinct(values[~missing], where)
    convert = _CONVERTERS[type_word]
    clean = np.empty(len(distinct), dtype=object)
    for i, value in enumerate(distinct):
        try:
            clean[i] = convert(value)
        except (TypeError, ValueError, OverflowError) as error:
            raise TableError(
                f"A value is not a {type_word} of the table format",
                where=where,
                found=repr(value)[:80],
                next_step="correct the value, or import the file with its mapping",
            ) from error
    result = np.full(len(values), np.nan if type_word == "number" else pd.NA, dtype=object)
    result[~missing] = clean[codes] if len(distinct) else []
    return pd.Series(result, dtype=object).astype(pd.api.types.pandas_dtype(DTYPES[type_word]))


def _check_columns(frame: pd.DataFrame, schema: TableSchema) -> None:
    names = list(frame.columns)
    unknown = [str(n) for n in names if n not in schema.column_names]
    twice = sorted({str(n) for n in names if names.count(n) > 1})
    absent = [f.name for f in schema.fields if f.required and f.name not in names]
    found = [
        f"{words} {', '.join(which)}"
        for words, which in (("unknown", unknown), ("twice", twice), ("absent", absent))
        if which
    ]
    if found:
        raise TableError(
            "The columns are not those of the table format",
            where=f"table '{schema.name}'",
            found="; ".join(found),
            next_step="use the column names of the codebook; optional columns may be left out",
        )


def typed(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """A table of the format with its canonical column types.

    Takes clean values: text as in the canonical CSV form, or Python and pandas
    values. Missing is None, NaN, NA or empty text. It takes no decimal comma,
    no unit, no spelling of yes other than ``true``: those are the mapping's job.
    Ranges and codes are not looked at; `pandera_schema` and `judge` do that.

    Parameters
    ----------
    frame
        Rows with columns of table `name` in any order. Optional columns may be
        absent; they come back as missing.
    name
        Name of the table.

    Returns
    -------
    pandas.DataFrame
        A new frame: all columns in the format's order, text as ``string``,
        whole numbers as ``Int64``, numbers as ``float64``, yes/no as
        ``boolean``, and an index from 0.

    Raises
    ------
    TableError
        If a column is unknown, stands twice, or is required and absent, or if a
        value does not have its column's type (infinite numbers included).
    """
    schema = table(name)
    _check_columns(frame, schema)
    columns = {}
    for field in schema.fields:
        if field.name in frame.columns:
            where = f"table '{name}', column '{field.name}'"
            columns[field.name] = _convert(frame[field.name], field.type, where)
        else:
            gap = [np.nan if field.type == "number" else pd.NA] * len(frame)
            columns[field.name] = pd.Series(gap, dtype=DTYPES[field.type])
    return pd.DataFrame(columns)


def empty(name: str) -> pd.DataFrame:
    """Table `name` with its canonical columns and no rows."""
    return pd.DataFrame({f.name: pd.Series([], dtype=DTYPES[f.type]) for f in table(name).fields})
