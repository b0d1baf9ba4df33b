"""From a row of the pool back to the clinic's own line, for people to look up."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from cohortkit.cohort.row_keys import row_keys

_LISTED = 3


def record_place(record: Mapping[Any, Any]) -> str:
    """Site, file, sheet and line of a line of provenance, as far as it names them."""
    names = {"site_id": "site {}", "file": "file '{}'", "sheet": "sheet '{}'", "line": "line {}"}
    held = {name: record.get(name) for name in names}
    return ", ".join(
        names[name].format(value)
        for name, value in held.items()
        if value is not None and not pd.isna(value) and value != ""
    )


def row_origin(frame: pd.DataFrame, name: str, provenance: pd.DataFrame, row: int) -> str:
    """Where row `row` (from 0) of table `name` comes from; empty if provenance does not know it.

    Never the row's key, which may be what must not be shown. Of many records that
    made one row, the first three are named.
    """
    key = row_keys(frame.iloc[[row]], name).iloc[0]
    own = provenance[(provenance["table"] == name) & (provenance["key"] == key)]
    places = [record_place(record) for record in own.to_dict("records")]
    more = len(places) - _LISTED
    return " and ".join(places[:_LISTED]) + (f" and {more} more" if more > 0 else "")
