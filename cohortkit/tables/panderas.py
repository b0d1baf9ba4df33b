"""pandera checks generated from the table format."""

from __future__ import annotations

import re
from functools import cache
from typing import Any

import pandas as pd
import pandera.pandas as pa

from cohortkit.tables.conversion import DTYPES
from cohortkit.tables.fields import Field, table


def _is_text(column: pd.Series) -> bool:
    return bool(pd.api.types.is_string_dtype(column))


def _matches(pattern: str) -> Any:
    compiled = re.compile(pattern)

    def whole_text_matches(column: pd.Series) -> pd.Series:
        codes, distinct = pd.factorize(column)
        good = pd.Series([compiled.fullmatch(v) is not None for v in distinct], dtype=bool)
        return pd.Series(good.to_numpy()[codes], index=column.index)

    return whole_text_matches


def _checks(field: Field) -> list[pa.Check]:
    found = []
    if field.minimum is not None:
        found.append(pa.Check.ge(field.minimum, name="minimum"))
    if field.maximum is not None:
        found.append(pa.Check.le(field.maximum, name="maximum"))
    if field.codes:
        found.append(pa.Check.isin(list(field.codes), name="enum"))
    if field.pattern:
        found.append(pa.Check(_matches(field.pattern), name="pattern"))
    return found


def _column(field: Field) -> pa.Column:
    checks = _checks(field)
    dtype: str | None = DTYPES[field.type]
    if field.type == "string":
        # pandera compares the storage behind a text column, which differs between machines
        dtype = None
        checks = [pa.Check(_is_text, name="type"), *checks]
    return pa.Column(
        dtype, checks=checks, nullable=not field.required, title=field.title, name=field.name
    )


@cache
def pandera_schema(name: str) -> pa.DataFrameSchema:
    """The pandera schema of table `name`, for typed frames.

    Checks type, presence, range, codes and pattern of each column, and that the
    columns are exactly those of the format, in order. Nothing is coerced or
    dropped. Keys are rules (`primary_key_unique`, `foreign_key_found`), so that
    a clash is reported once.
    """
    schema = table(name)
    return pa.DataFrameSchema(
        {f.name: _column(f) for f in schema.fields},
        strict=True,
        ordered=True,
        coerce=False,
        name=name,
        title=schema.title,
    )
