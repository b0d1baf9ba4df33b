"""Rules on keys: every table, whatever it holds."""

from __future__ import annotations

import numpy as np

from cohortkit.tables.fields import TABLE_NAMES, table
from cohortkit.tables.verdicts import Tables, Verdict, get, known, positions, said, verdict


def primary_key_unique(tables: Tables) -> list[Verdict]:
    """No two rows of a table share their key; all rows that do are broken."""
    found = []
    for name in TABLE_NAMES:
        frame, key = get(tables, name), table(name).primary_key
        shared = frame.duplicated(list(key), keep=False).to_numpy(dtype=bool)
        places = ", ".join(["{}"] * len(key))
        message = said(frame, f"the key {places} stands in more than one row", *key)
        found.append(verdict(name, known(frame, *key), shared, key, message))
    return found


def foreign_key_found(tables: Tables) -> list[Verdict]:
    """Every code that points to another table is a key of that table.

    Not judged where the code is missing, or where the other table was not given.
    """
    found = []
    for name in TABLE_NAMES:
        frame = get(tables, name)
        for key in table(name).foreign_keys:
            (column,), (target,) = key.columns, key.reference_columns
            given = known(frame, column) & (key.table in tables)
            lost = positions(frame[column], get(tables, key.table)[target]) < 0
            message = said(frame, f"table '{key.table}' has no {target} {{}}", column)
            found.append(verdict(name, given, np.asarray(lost), (column,), message))
    return found
