"""A clinic's way of writing: from typed rows to the cells of its files."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from cohortkit.synthetic.generator import Cohort
from cohortkit.synthetic.readings import STORED
from cohortkit.tables.schema import TABLE_NAMES

FIRST_DAY = dt.date(2022, 1, 3)


@dataclass
class Sheet:
    """A table in a clinic's file: lines above the header, header, rows of text cells.

    `source` is its name in the clinic's mapping; `sheet` its name in a workbook.
    """

    source: str
    file: str
    header: list[str]
    rows: list[list[str]]
    above: list[list[str]] = field(default_factory=list)
    sheet: str = ""

    @property
    def header_line(self) -> int:
        """Physical line of the header, from 1."""
        return len(self.above) + 1

    def add(self, header: str, cells: Iterable[str]) -> None:
        """One more column on the right."""
        self.header.append(header)
        for row, cell in zip(self.rows, cells, strict=True):
            row.append(cell)


@dataclass(frozen=True)
class Words:
    """How a clinic writes numbers, dates, yes and no, what is missing, what was not seen."""

    decimal: str = "."
    date_format: str = "%Y-%m-%d"
    yes: str = "yes"
    no: str = "no"
    missing: str = ""
    unseen: tuple[str, ...] = ("n.d.",)
    cut: str = ""  # site prefix that the clinic leaves out of its codes


@dataclass(frozen=True)
class Column:
    """One column of a clinic's file: its header, the format's column, the clinic's code words."""

    header: str
    column: str
    codes: Mapping[str, str] | None = None
    date: bool = False  # written as a calendar date
    centi: bool = False  # millimetres written in centimetres


@dataclass(frozen=True)
class SiteRows:
    """One site's part of a cohort, and each participant's date of enrolment."""

    site_id: str
    tables: dict[str, pd.DataFrame]
    stored: pd.DataFrame
    enrolled: dict[str, dt.date]


def site_rows(cohort: Cohort, site_id: str) -> SiteRows:
    """The rows of one site; stored readings stand apart from the live ones."""
    tables = cohort.tables
    people = tables["participants"]
    mine = people[people["site_id"] == site_id]
    hidden = cohort.hidden["people"]
    days = hidden.loc[hidden["site_id"] == site_id, ["participant_id", "enrolled"]]
    enrolled = {
        name: FIRST_DAY + dt.timedelta(days=int(day))
        for name, day in zip(days["participant_id"], days["enrolled"], strict=True)
    }
    kept = {"participants": mine}
    for name in ("episodes", "scans"):
        own = tables[name]["participant_id"].isin(mine["participant_id"])
        kept[name] = tables[name][own]
    person = kept["episodes"].set_index("episode_id")["participant_id"]
    for name in ("tears", "treatments", "visits"):
        rows = tables[name][tables[name]["episode_id"].isin(person.index)]
        kept[name] = rows.assign(participant_id=person.loc[rows["episode_id"]].to_numpy())
    readings = tables["readings"]
    readings = readings[readings["scan_id"].isin(kept["scans"]["scan_id"])]
    stored = readings["read_mode"] == STORED
    kept["readings"] = readings[~stored]
    frames = {n: f.reset_index(drop=True) for n, f in kept.items() if n in TABLE_NAMES}
    return SiteRows(site_id, frames, readings[stored].reset_index(drop=True), enrolled)


def sheet_of(
    source: str,
    file: str,
    frame: pd.DataFrame,
    columns: Sequence[Column],
    words: Words,
    site: SiteRows,
) -> Sheet:
    """A clinic's table with one column per entry of `columns`."""
    filled = [cells(frame, column, words, site) for column in columns]
    rows = [list(row) for row in zip(*filled, strict=True)]
    return Sheet(source, file, [column.header for column in columns], rows)


def cells(frame: pd.DataFrame, column: Column, words: Words, site: SiteRows) -> list[str]:
    """The cells of one column, as the clinic types them."""
    values = frame[column.column]
    if column.column == "gap_mm":
        return _gaps(frame, column, words)
    if column.date:
        people = frame["participant_id"]
        return [_date(v, site.enrolled[p], words) for v, p in zip(values, people, strict=True)]
    return [_cell(value, column, words) for value in values]


def _cell(value: Any, column: Column, words: Words) -> str:
    if pd.isna(value):
        return words.missing
    if column.codes is not None:
        return column.codes[str(value)]
    if isinstance(value, bool | np.bool_):
        return words.yes if value else words.no
    if isinstance(value, str):
        return value.removeprefix(words.cut)
    return number(float(value), words.decimal, column.centi)


def number(value: float, decimal: str, centi: bool = False) -> str:
    """The shortest text of a number; a tenth of it where mm are written in cm."""
    exact = Decimal(repr(value)) / (10 if centi else 1)
    text = format(exact.normalize(), "f")
    return text.replace(".", decimal)


def _gaps(frame: pd.DataFrame, column: Column, words: Words) -> list[str]:
    """Gaps; an unseen one is written in one of the clinic's words, in turn."""
    out = []
    for place, (gap, below) in enumerate(
        zip(frame["gap_mm"], frame["below_resolution"], strict=True)
    ):
        unseen = words.unseen[place % len(words.unseen)]
        out.append(unseen if below else number(float(gap), words.decimal, column.centi))
    return out


def _date(day: Any, enrolled: dt.date, words: Words) -> str:
    if pd.isna(day):
        return words.missing
    return (enrolled + dt.timedelta(days=int(day))).strftime(words.date_format)


def central_sheet(site: SiteRows) -> Sheet:
    """The stored clips of this site, as the readers of all sites returned them in one form."""
    columns = [
        Column("scan", "scan_id"),
        Column("reader", "rater_id"),
        Column("pulley", "pulley"),
        Column("load", "load"),
        Column("place", "caliper_site"),
        Column("load_method", "load_method"),
        Column("load_n", "load_n"),
        Column("gap_mm", "gap_mm"),
        Column("limit_mm", "resolution_mm"),
    ]
    words = replace(Words(), unseen=("below limit",))
    return sheet_of("central", "central_reading.csv", site.stored, columns, words, site)


def remarks(n: int, every: int) -> list[str]:
    """A free-text column as clinics keep one, with an invented address in some cells."""
    texts = ("INVENTED, phoned", "INVENTED, wrote from invented-{0}@example.invalid", "INVENTED")
    return [texts[(k // every) % 3].format(k) if k % every == 0 else "" for k in range(n)]
