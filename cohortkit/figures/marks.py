"""The numbers behind a figure: one tidy row per mark.

Each figure has two functions. ``source`` turns results into this table;
``draw`` sees nothing but the table. So the CSV beside a figure holds all that
the figure shows, and the figure can be drawn again from it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pandas as pd

from cohortkit.checks import columns
from cohortkit.display import LEVELS
from cohortkit.estimate import Estimate

TEXT = ("panel", "series", "mark", "label")
NUMBERS = ("x", "y", "lower", "upper", "level")
COUNTS = tuple(f"n_{level}" for level in LEVELS)
COLUMNS = (*TEXT, *NUMBERS, "unit", *COUNTS)


Row = dict[str, Any]


def mark(panel: str, series: str, name: str, label: str = "", **numbers: Any) -> Row:
    """One row of a source table.

    Parameters
    ----------
    panel
        Which panel of the figure.
    series
        Which part of the data, as "A4 loaded, uninjured".
    name
        What kind of mark: "point", "limit", "step".
    label
        Words written beside the mark.
    **numbers
        Any of x, y, lower, upper, level, unit and every n.
    """
    return {"panel": panel, "series": series, "mark": name, "label": label, **numbers}


def estimate_mark(panel: str, series: str, name: str, estimate: Estimate) -> Row:
    """An estimate as a mark: its name as label, its value as x."""
    return mark(
        panel,
        series,
        name,
        estimate.name,
        x=estimate.value,
        lower=estimate.lower,
        upper=estimate.upper,
        level=estimate.level,
        unit=estimate.unit,
        n_participants=estimate.n_participants,
        n_fingers=estimate.n_fingers,
        n_readings=estimate.n_readings,
        n_episodes=estimate.n_episodes,
    )


def frame(rows: Iterable[Row]) -> pd.DataFrame:
    """Rows as a source table with fixed columns and types, in drawing order."""
    table = pd.DataFrame(list(rows), columns=list(COLUMNS))
    for name in (*TEXT, "unit"):
        table[name] = table[name].astype("string").fillna("")
    for name in NUMBERS:
        table[name] = pd.to_numeric(table[name]).astype("float64")
    for name in COUNTS:
        table[name] = pd.to_numeric(table[name]).astype("Int64")
    return table


def checked(source: pd.DataFrame) -> pd.DataFrame:
    """`source`, or an error if it is no source table.

    Raises
    ------
    TableError
        If a column of the source table is absent.
    """
    columns(source, dict(zip(COLUMNS, COLUMNS, strict=True)))
    return source


def pick(source: pd.DataFrame, **equal: str) -> pd.DataFrame:
    """Rows whose named text columns have the given values."""
    rows = source
    for name, value in equal.items():
        rows = rows[rows[name] == value]
    return rows


def records(rows: pd.DataFrame) -> list[Row]:
    """The rows one by one, each as column name to value."""
    return [{str(k): v for k, v in row.items()} for row in rows.to_dict("records")]


def reasons(rows: pd.DataFrame) -> str:
    """Why nothing was estimated, from the marks that say so."""
    texts = [str(text) for text in pick(rows, mark="none")["label"]]
    return "; ".join(dict.fromkeys(texts)) or "nothing to show"


def series_of(source: pd.DataFrame) -> list[str]:
    """The series in the order in which they first stand in the table."""
    return [str(s) for s in source["series"].drop_duplicates()]


def n_text(row: Any) -> str:
    """The n of one mark in short: "60 participants, 62 fingers, 240 readings"."""
    parts = []
    for name in COUNTS:
        value = row.get(name)
        if not pd.isna(value):
            word = name.removeprefix("n_")
            parts.append(f"{int(value):,} {word[:-1] if int(value) == 1 else word}")
    return ", ".join(parts)
