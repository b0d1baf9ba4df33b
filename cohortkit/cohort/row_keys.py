"""One text per row that names it: its primary key's values joined by a bar."""

from __future__ import annotations

import pandas as pd

from cohortkit.tables.schema import table


def row_keys(frame: pd.DataFrame, name: str) -> pd.Series:
    """Key of each row of table `name`, such as ``E12|A2``; same index as `frame`."""
    columns = [frame[column].astype("string") for column in table(name).primary_key]
    keys = columns[0]
    for column in columns[1:]:
        keys = keys + "|" + column
    return keys
