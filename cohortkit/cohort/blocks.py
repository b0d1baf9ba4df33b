"""From the records of the sources to candidate rows of the ten tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortkit.cohort.enrolment import DayZero
from cohortkit.cohort.filling import Work, fill_column, special_texts
from cohortkit.cohort.mapping_parts import Block, InlineRow, Selector
from cohortkit.cohort.parsing import Read, constant
from cohortkit.cohort.problems import Problems
from cohortkit.cohort.source_files import SourceData
from cohortkit.cohort.spelling import normal
from cohortkit.tables.schema import DTYPES, TABLE_NAMES, empty, table


@dataclass
class Candidates:
    """Rows that want to be part of one table, n of them.

    Parameters
    ----------
    frame
        Typed columns of the table; a cell that could not be read is missing. A
        number above its range stays, for the rules that look at a whole clinic.
    bad
        Column to flags of the cells that could not be read, shape (n,) each.
    record
        Number of the record each row was made from.
    repeats
        True where the row may stand in many records by design.
    cells
        Per row, the number of its entry in `read_from`.
    read_from
        What made the rows: table column to source columns.
    """

    frame: pd.DataFrame
    bad: dict[str, NDArray[np.bool_]]
    record: NDArray[np.intp]
    repeats: NDArray[np.bool_]
    cells: NDArray[np.intp]
    read_from: list[dict[str, tuple[str, ...]]]

    @property
    def any_bad(self) -> NDArray[np.bool_]:
        """True for rows with a cell that could not be read, shape (n,)."""
        flags = np.zeros(len(self.frame), dtype=bool)
        for bad in self.bad.values():
            flags |= bad
        return flags


@dataclass
class _Parts:
    frames: list[pd.DataFrame] = field(default_factory=list)
    bad: list[pd.DataFrame] = field(default_factory=list)
    record: list[NDArray[np.intp]] = field(default_factory=list)
    repeats: list[NDArray[np.bool_]] = field(default_factory=list)
    read_from: list[dict[str, tuple[str, ...]]] = field(default_factory=list)

    def add(
        self,
        columns: dict[str, pd.Series],
        bad: dict[str, NDArray[np.bool_]],
        record: NDArray[np.intp],
        repeats: bool,
        read_from: dict[str, tuple[str, ...]],
    ) -> None:
        self.frames.append(pd.DataFrame(columns))
        self.bad.append(pd.DataFrame(bad))
        self.record.append(record)
        self.repeats.append(np.full(len(record), repeats))
        self.read_from.append(read_from)

    def joined(self, name: str) -> Candidates:
        if not self.frames:
            nothing = np.zeros(0, dtype=np.intp)
            return Candidates(empty(name), {}, nothing, nothing.astype(bool), nothing, [])
        bad = pd.concat(self.bad, ignore_index=True)
        sizes = [len(record) for record in self.record]
        return Candidates(
            frame=pd.concat(self.frames, ignore_index=True),
            bad={str(column): bad[column].to_numpy(dtype=bool) for column in bad},
            record=np.concatenate(self.record),
            repeats=np.concatenate(self.repeats),
            cells=np.repeat(np.arange(len(sizes)), sizes),
            read_from=self.read_from,
        )


def typed_column(values: Sequence[object] | NDArray[np.object_], type_word: str) -> pd.Series:
    """Clean values (None: missing) as a column of the format's type."""
    held = np.empty(len(values), dtype=object)
    held[:] = values
    return pd.Series(held, dtype=object).astype(pd.api.types.pandas_dtype(DTYPES[type_word]))


class RowMaker:
    """Applies blocks to records and keeps account of what became of each record.

    Parameters
    ----------
    sources
        The clinic's files.
    first
        Number in the whole import of each source's first record.
    open_records
        Per source, True for records that can be taken apart and have content.
    problems, day_zero
        Where problems go, and where dates count from.
    """

    def __init__(
        self,
        sources: list[SourceData],
        first: list[int],
        open_records: list[NDArray[np.bool_]],
        problems: Problems,
        day_zero: DayZero,
    ) -> None:
        self._sources = sources
        self._first = first
        self._open = open_records
        self._problems = problems
        self._day_zero = day_zero
        self._parts = {name: _Parts() for name in TABLE_NAMES}

    def inline(self, rows: Sequence[InlineRow], first: int) -> None:
        """Rows typed in the mapping file; each is a record of its own."""
        for number, row in enumerate(rows):
            record = first + number
            columns, bad = {}, {}
            for about in table(row.table).fields:
                given = row.values.get(about.name)
                read = None if given is None else constant(given, about)
                wrong = bool(read and read.code)
                if read and read.code:
                    raw = str(given)
                    self._problems.add(record, about.name, raw, read)
                elif read is None and about.required:
                    wrong = True
                    gap = Read(code="required_missing", facts={"field": f"'{about.name}'"})
                    self._problems.add(record, about.name, "", gap)
                value = read.value if read and not wrong else None
                columns[about.name] = typed_column([value], about.type)
                bad[about.name] = np.array([wrong])
            read_from: dict[str, tuple[str, ...]] = {name: (name,) for name in row.values}
            self._parts[row.table].add(columns, bad, np.array([record]), False, read_from)

    def source(self, position: int, blocks: Sequence[Block]) -> NDArray[np.bool_]:
        """Rows of all blocks of one source.

        Returns
        -------
        numpy.ndarray
            True for records that the mapping declares blank, shape (n,): every
            block that takes them finds its blank_when columns empty.
        """
        source = self._sources[position]
        open_here = self._open[position]
        chosen = np.zeros(len(source), dtype=np.intp)
        blank = np.zeros(len(source), dtype=np.intp)
        for block in blocks:
            takes = open_here & selected(source, block.only_when)
            empty = takes & _blank(source, block)
            chosen += takes
            blank += empty
            self._block(position, block, np.flatnonzero(takes & ~empty))
        if blocks:
            self._untaken(position, blocks, np.flatnonzero(open_here & (chosen == 0)))
        return (chosen > 0) & (chosen == blank)

    def _block(self, position: int, block: Block, rows: NDArray[np.intp]) -> None:
        records = rows + self._first[position]
        source = self._sources[position]
        work = Work(block, source, rows, records, self._problems, self._day_zero)
        columns, bad = {}, {}
        for about in table(block.table).fields:
            filled = fill_column(work, about.name, about)
            values = filled.values
            columns[about.name] = typed_column(values, about.type)
            bad[about.name] = filled.bad
        read_from = {name: fill.columns for name, fill in block.columns.items() if fill.columns}
        self._parts[block.table].add(columns, bad, records, block.repeats, read_from)

    def _untaken(self, position: int, blocks: Sequence[Block], rows: NDArray[np.intp]) -> None:
        source = self._sources[position]
        names = sorted({b.only_when.column for b in blocks if b.only_when})
        for row in rows:
            cells = [source.cell(int(row), name) for name in names]
            found = ", ".join(f"{n} = '{c}'" for n, c in zip(names, cells, strict=True))
            record = self._first[position] + int(row)
            column, raw = ", ".join(names), " | ".join(cells)
            self._problems.add(
                record, column, raw, Read(code="no_block_applies", facts={"found": found})
            )

    def candidates(self) -> dict[str, Candidates]:
        """Candidate rows of every table, in the order of mapping and file."""
        return {name: parts.joined(name) for name, parts in self._parts.items()}


def selected(source: SourceData, selector: Selector | None) -> NDArray[np.bool_]:
    """True for the records a selector names, shape (n,); for all if there is none."""
    if selector is None:
        return np.ones(len(source), dtype=bool)
    coded = source.column(selector.column)
    wanted = {normal(text) for text in selector.equals}
    return np.array([normal(t) in wanted for t in coded.texts], dtype=bool)[coded.codes]


def _blank(source: SourceData, block: Block) -> NDArray[np.bool_]:
    """True where every blank_when cell is missing; a text with a meaning of its own is not."""
    if not block.blank_when:
        return np.zeros(len(source), dtype=bool)
    empty = np.ones(len(source), dtype=bool)
    for column in block.blank_when:
        coded = source.column(column)
        gaps = {"", *(normal(t) for t in source.spec.missing)} - special_texts(block, column)
        per_cell = [
            normal(t) in gaps and not kind for t, kind in zip(coded.texts, coded.kinds, strict=True)
        ]
        empty &= np.array(per_cell, dtype=bool)[coded.codes]
    return empty
