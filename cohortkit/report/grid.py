"""Tables of text for the page."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pandas as pd

from cohortkit.figures import words

_NUMBER = re.compile(r"-?[\d,.]+( (mm|d|%))?")


@dataclass(frozen=True)
class Table:
    """A table of text, and what to know to read it."""

    caption: str
    headings: list[str]
    rows: list[list[str]]
    note: str = ""

    @property
    def numeric(self) -> list[bool]:
        """For each column, whether all its cells are single numbers; those align right."""
        return [
            i > 0 and all(_NUMBER.fullmatch(row[i]) for row in self.rows)
            for i in range(len(self.headings))
        ]


def text_table(caption: str, frame: pd.DataFrame) -> Table:
    """A table as text; missing cells are empty, headings are said in words."""
    cells = frame.astype("string").fillna("")
    headings = [words.heading(str(name)) for name in frame.columns]
    return Table(caption, headings, cells.to_numpy().tolist())
