"""Tables of text for the page."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from cohortkit.figures import words


@dataclass(frozen=True)
class Table:
    """A table of text, and what to know to read it."""

    caption: str
    headings: list[str]
    rows: list[list[str]]
    note: str = ""


def text_table(caption: str, frame: pd.DataFrame) -> Table:
    """A table as text; missing cells are empty, headings are said in words."""
    cells = frame.astype("string").fillna("")
    headings = [words.heading(str(name)) for name in frame.columns]
    return Table(caption, headings, cells.to_numpy().tolist())
