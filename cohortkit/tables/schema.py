"""The table format: its folder, its tables and fields, typed frames and pandera checks."""

from __future__ import annotations

from cohortkit.tables.conversion import DTYPES, empty, typed
from cohortkit.tables.fields import (
    SCHEMA_VERSION,
    TABLE_NAMES,
    Field,
    ForeignKey,
    TableSchema,
    read_json,
    schema_folder,
    shipped_folder,
    table,
)
from cohortkit.tables.panderas import pandera_schema

__all__ = [
    "DTYPES",
    "SCHEMA_VERSION",
    "TABLE_NAMES",
    "Field",
    "ForeignKey",
    "TableSchema",
    "empty",
    "pandera_schema",
    "read_json",
    "schema_folder",
    "shipped_folder",
    "table",
    "typed",
]
