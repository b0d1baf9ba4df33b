"""Tables as Parquet bytes: the same values as the canonical CSV, quicker to read."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from cohortkit.errors import IntegrityError
from cohortkit.tables.schema import typed

_ARROW = {
    "string": pa.string(),
    "Int64": pa.int64(),
    "int64": pa.int64(),
    "float64": pa.float64(),
    "boolean": pa.bool_(),
}


def to_parquet_bytes(frame: pd.DataFrame) -> bytes:
    """Parquet bytes of a typed frame. Column types do not depend on the pandas version."""
    arrays, fields = [], []
    for name in frame.columns:
        kind = _ARROW[str(frame[name].dtype).partition("[")[0]]
        values = frame[name].astype(object).to_numpy()
        arrays.append(pa.array(values, type=kind, from_pandas=True))
        fields.append(pa.field(str(name), kind))
    sink = io.BytesIO()
    pq.write_table(pa.Table.from_arrays(arrays, schema=pa.schema(fields)), sink, compression="zstd")
    return sink.getvalue()


def from_parquet_bytes(data: bytes, where: str) -> pd.DataFrame:
    """The frame that `to_parquet_bytes` wrote, with the same types.

    Raises
    ------
    IntegrityError
        If the bytes are no Parquet file.
    """
    try:
        # `read_table` reads through thread pools even with use_threads=False. A pool thread may
        # still hold `data` afterwards and want the GIL to let go: at exit, that aborts the process.
        table = pq.ParquetFile(pa.BufferReader(data), pre_buffer=False).read(use_threads=False)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise IntegrityError(
            "A Parquet file cannot be read",
            where=where,
            found=str(error)[:200],
            next_step="restore the release from its archive",
        ) from error
    return pd.DataFrame({name: _column(table.column(name)) for name in table.column_names})


def table_from_parquet(data: bytes, name: str) -> pd.DataFrame:
    """Typed rows of table `name` of the format."""
    return typed(from_parquet_bytes(data, f"table '{name}'"), name)


def _column(column: pa.ChunkedArray) -> pd.Series:
    missing = column.is_null().to_numpy()
    if pa.types.is_string(column.type):
        return pd.Series(pd.array(column.to_pylist(), dtype="string"))
    if pa.types.is_floating(column.type):
        return pd.Series(column.cast(pa.float64()).to_numpy())
    if pa.types.is_boolean(column.type):
        whole = column.fill_null(False).to_numpy().astype(bool)
        return pd.Series(pd.arrays.BooleanArray(whole, missing))
    whole = column.cast(pa.int64()).fill_null(0).to_numpy().astype(np.int64)
    return pd.Series(pd.arrays.IntegerArray(whole, missing))
