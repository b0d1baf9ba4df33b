"""The parts of a clinic's mapping, as read and checked."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

INLINE_SOURCE = "mapping"
"""Name of the source whose records are typed in the mapping file itself."""

KeyPath = tuple[str | int, ...]


@dataclass(frozen=True)
class Selector:
    """Records whose cell in `column` is one of the texts in `equals`."""

    column: str
    equals: tuple[str, ...]


@dataclass(frozen=True)
class SourceSpec:
    """How one file of a clinic is written."""

    name: str
    file: str
    format: str
    encoding: str = "utf-8"
    delimiter: str = ","
    quote: str = '"'
    decimal: str = "."
    header_line: int = 1
    missing: tuple[str, ...] = ("",)
    ignore: tuple[str, ...] = ()
    sheet: str = ""
    accept_hidden: bool = False
    accept_merged_header: bool = False
    ignore_when: Selector | None = None


@dataclass(frozen=True)
class Fill:
    """How one column of one table is filled.

    Exactly one of a constant (`columns` empty), one cell (`columns` of length 1,
    `join` False) or several joined cells.
    """

    columns: tuple[str, ...] = ()
    join: bool = False
    separator: str = ""
    prefix: str = ""
    value: Any = None
    unit: str = ""
    codes: dict[str, Any] | None = None
    date_format: str = ""
    participant: str = ""
    text_is: tuple[str, ...] | None = None
    missing: tuple[str, ...] = ()

    @property
    def cells_read(self) -> tuple[str, ...]:
        """Every source column this needs."""
        return (*self.columns, self.participant) if self.participant else self.columns


@dataclass(frozen=True)
class Block:
    """One kind of row made from the records of one source; variants are blocks of their own."""

    table: str
    source: str
    columns: dict[str, Fill]
    repeats: bool = False
    blank_when: tuple[str, ...] = ()
    only_when: Selector | None = None
    place: KeyPath = ()

    @property
    def cells_read(self) -> set[str]:
        """Every source column this block needs."""
        names = {name for fill in self.columns.values() for name in fill.cells_read}
        names |= set(self.blank_when)
        return names | ({self.only_when.column} if self.only_when else set())


@dataclass(frozen=True)
class Enrolment:
    """Where each participant's day 0 stands."""

    source: str
    participant: str
    date: str
    date_format: str


@dataclass(frozen=True)
class InlineRow:
    """A row typed in the mapping file, and its line there."""

    table: str
    values: dict[str, Any]
    line: int


@dataclass(frozen=True)
class Mapping:
    """A clinic's mapping file.

    Parameters
    ----------
    path, sha256
        The file and the hash of its bytes.
    site_id
        The clinic's code.
    sources
        Source name to how its file is written.
    blocks
        What makes rows of which table, variants applied.
    rows
        Rows typed in the file.
    enrolment
        Where day 0 stands, or None if no date is converted.
    lines
        Key path to line of the file.
    notice
        A sentence that has to stand on everything made from these data, or empty.
    """

    path: Path
    sha256: str
    site_id: str
    sources: dict[str, SourceSpec]
    blocks: tuple[Block, ...]
    rows: tuple[InlineRow, ...] = ()
    enrolment: Enrolment | None = None
    lines: dict[KeyPath, int] = field(default_factory=dict, repr=False)
    notice: str = ""

    @property
    def folder(self) -> Path:
        """The folder that every source lies in."""
        return self.path.parent

    def blocks_of(self, source: str) -> tuple[Block, ...]:
        """The blocks that read `source`."""
        return tuple(b for b in self.blocks if b.source == source)

    def cells_read(self, source: str) -> set[str]:
        """Every column of `source` that something reads."""
        names: set[str] = set()
        for block in self.blocks_of(source):
            names |= block.cells_read
        if self.enrolment and self.enrolment.source == source:
            names |= {self.enrolment.participant, self.enrolment.date}
        selector = self.sources[source].ignore_when
        return names | ({selector.column} if selector else set())
