"""The canonical CSV form: the same table always gives the same bytes.

UTF-8, line feeds, every field quoted, missing as an empty field, numbers by
their shortest exact text, yes/no as ``true`` and ``false``. The bytes do not
depend on the versions of pandas or of the Parquet writer, so that a hash of
them can stand in a release for years.
"""

from __future__ import annotations

import csv
import hashlib
import io
from typing import Any

import numpy as np
import pandas as pd

from cohortkit.errors import TableError
from cohortkit.tables.conversion import typed
from cohortkit.tables.fields import TableSchema, table


def _cell(value: Any) -> str:
    if isinstance(value, (bool, np.bool_)):
        return "true" if value else "false"
    if isinstance(value, (float, np.floating)):
        return repr(float(value) + 0.0)  # minus zero is written as zero
    if isinstance(value, (int, np.integer)):
        return str(int(value))
    if isinstance(value, str):
        return value.replace('"', '""')
    raise TableError(
        "The canonical form holds text, whole numbers, numbers and yes/no",
        found=f"{type(value).__name__} {value!r}",
        next_step="convert the column first",
    )


def _rendered(column: pd.Series) -> np.ndarray:
    """Each cell as quoted text; each distinct value is written once."""
    values = column.astype(object).to_numpy()
    missing = pd.isna(values)
    codes, distinct = pd.factorize(values[~missing])
    cells = np.full(len(values), '""', dtype=object)
    if len(distinct):
        texts = np.array([f'"{_cell(value)}"' for value in distinct], dtype=object)
        cells[~missing] = texts[codes]
    return cells


def _sorted_rows(frame: pd.DataFrame, schema: TableSchema, lines: list[str]) -> list[str]:
    def parts(name: str) -> list[Any]:
        values = frame[name].astype(object)
        number = schema.field(name).type in ("integer", "number")
        return [(1, 0 if number else "") if pd.isna(v) else (0, v) for v in values]

    keys = [parts(name) for name in schema.primary_key]
    return [line for *_, line in sorted(zip(*keys, lines, strict=True))]


def to_csv_bytes(frame: pd.DataFrame, name: str | None = None) -> bytes:
    """Canonical bytes of a table.

    Parameters
    ----------
    frame
        Any frame of text, whole numbers, numbers and yes/no.
    name
        Table of the format. Then the frame is brought to the format's types and
        column order first, and rows are sorted by primary key (ties by the whole
        line). Without it, types are taken as they are and rows keep their order.

    Returns
    -------
    bytes
        Header line and one line per row. The same for any order of rows of a
        named table.

    Raises
    ------
    TableError
        If the columns are not those of table `name`, or a value has another type.
    """
    if name is not None:
        frame = typed(frame, name)
    header = ",".join('"' + _cell(str(column)) + '"' for column in frame.columns)
    cells = [_rendered(frame.iloc[:, i]) for i in range(frame.shape[1])]
    lines = [",".join(row) for row in zip(*cells, strict=True)]
    if name is not None:
        lines = _sorted_rows(frame, table(name), lines)
    return ("\n".join([header, *lines]) + "\n").encode("utf-8")


def from_csv_bytes(data: bytes, name: str) -> pd.DataFrame:
    """The typed table that canonical bytes hold.

    Raises
    ------
    TableError
        If the bytes are not UTF-8, the header is not that of table `name`, a
        line has too few or too many fields, or a value has another type.
    """
    where = f"table '{name}'"
    next_step = "write the file again with to_csv_bytes, or import it with a mapping"
    columns = table(name).column_names
    try:
        reader = csv.reader(io.StringIO(data.decode("utf-8"), newline=""), strict=True)
        header, *rows = list(reader) or [[]]
    except (UnicodeDecodeError, csv.Error) as error:
        raise TableError(
            "The bytes are not a table in canonical form",
            where=where,
            found=str(error),
            next_step=next_step,
        ) from error
    if tuple(header) != columns:
        raise TableError(
            "The header is not that of the table format",
            where=where,
            found=", ".join(header),
            next_step=next_step,
        )
    for line, row in enumerate(rows, start=2):
        if len(row) != len(columns):
            raise TableError(
                f"A record has {len(row)} fields instead of {len(columns)}",
                where=f"{where}, record {line}",
                next_step=next_step,
            )
    return typed(pd.DataFrame(rows, columns=list(columns), dtype=object), name)


def sha256(data: bytes) -> str:
    """SHA-256 of bytes as 64 lower-case hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()
