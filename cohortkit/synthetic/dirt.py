"""Planted untidiness, and the list of what an import should find of it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import pandas as pd

from cohortkit.errors import ArgumentError
from cohortkit.synthetic.sheets import Sheet

REFUSE, WARNING, BLANK, ACCEPTED = "refuse", "warning", "blank", "accepted"
COLUMNS = ("site_id", "source", "file", "line", "column", "code", "severity", "note")


@dataclass(frozen=True)
class Planted:
    """One planted problem; `row` is the very list that stands in the sheet."""

    sheet: Sheet
    row: list[str]
    column: str
    code: str
    severity: str
    note: str

    @property
    def finding(self) -> tuple[str, str, str, str]:
        """What should be found: column, code, severity, note."""
        return self.column, self.code, self.severity, self.note


class Dirt:
    """Spoils sheets and remembers where.

    Lines are counted only when the list is asked for, so that rows put in later
    do not shift what was noted before. Rows that hold a code in `spared` are not
    spoiled, so that the stored-clip set stays complete.
    """

    def __init__(self, site_id: str, spared: Collection[str] = ()) -> None:
        self.site_id = site_id
        self.spared = frozenset(spared)
        self._planted: list[Planted] = []

    def pick(self, sheet: Sheet, nth: int, **where: str) -> list[str]:
        """The `nth` still clean row, from 0, whose cells hold the given texts.

        Headers are written with underscores for spaces.
        """
        places = {sheet.header.index(name.replace("_", " ")): text for name, text in where.items()}
        spoiled = {id(p.row) for p in self._planted}
        fit = [
            row
            for row in sheet.rows
            if id(row) not in spoiled
            and len(row) == len(sheet.header)
            and self.spared.isdisjoint(row)
            and all(row[at] == text for at, text in places.items())
        ]
        if nth < len(fit):
            return fit[nth]
        raise ArgumentError(
            "The invented cohort has too few rows to plant a problem in",
            where=f"{self.site_id} {sheet.source}",
            found=f"{len(fit)} rows with {where}",
            next_step="generate clinics at scale 1 or above",
        )

    def note(self, sheet: Sheet, row: list[str], code: str, column: str = "", **more: str) -> None:
        """Remember a row as spoiled."""
        severity, note = more.get("severity", REFUSE), more.get("note", "")
        self._planted.append(Planted(sheet, row, column, code, severity, note))

    def cell(
        self, sheet: Sheet, row: list[str], column: str, text: str, code: str, **more: str
    ) -> None:
        """Write another text into one cell."""
        row[sheet.header.index(column)] = text
        self.note(sheet, row, code, column, **more)

    def repeat(self, sheet: Sheet, row: list[str]) -> None:
        """Write a row once more, at the end."""
        again = list(row)
        sheet.rows.append(again)
        self.note(sheet, again, "duplicate_record", note="the same record again")
        self.note(sheet, row, "", severity=ACCEPTED, note="first of the two")

    def extra_field(self, sheet: Sheet, row: list[str], text: str) -> None:
        """One cell too many."""
        row.append(text)
        self.note(sheet, row, "extra_field")

    def short_row(self, sheet: Sheet, row: list[str]) -> None:
        """One cell too few."""
        row.pop()
        self.note(sheet, row, "short_row")

    def blank(self, sheet: Sheet, at: int) -> None:
        """An empty line before row `at`."""
        empty = [""]
        sheet.rows.insert(at, empty)
        self.note(sheet, empty, "", severity=BLANK, note="an empty line")

    def put_in(
        self, sheet: Sheet, like: list[str], changes: dict[str, str], code: str, **more: str
    ) -> None:
        """A further row that copies `like` but for `changes`."""
        row = list(like)
        for column, text in changes.items():
            row[sheet.header.index(column)] = text
        sheet.rows.append(row)
        self.note(sheet, row, code, more.pop("column", ""), **more)

    def listed(self) -> pd.DataFrame:
        """All planted problems with their physical lines."""
        lines = {
            id(row): sheet.header_line + 1 + at
            for sheet in {id(p.sheet): p.sheet for p in self._planted}.values()
            for at, row in enumerate(sheet.rows)
        }
        rows = [
            [self.site_id, p.sheet.source, p.sheet.file, lines[id(p.row)], *p.finding]
            for p in self._planted
            if p.severity != ACCEPTED
        ]
        return pd.DataFrame(rows, columns=list(COLUMNS))
