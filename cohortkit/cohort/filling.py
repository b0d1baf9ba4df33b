"""One column of the format from the cells of a source, for many records at once."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortkit.cohort.enrolment import DayZero, read_dates
from cohortkit.cohort.mapping_parts import Block, Fill
from cohortkit.cohort.parsing import CellReader, Read, checked_text, constant, sized_day
from cohortkit.cohort.problems import Problems
from cohortkit.cohort.source_files import Coded, SourceData
from cohortkit.cohort.spelling import normal
from cohortkit.tables.schema import Field


@dataclass(frozen=True)
class Filled:
    """Values of one column (None: missing) and which cells could not be read, shape (n,)."""

    values: NDArray[np.object_]
    bad: NDArray[np.bool_]


@dataclass(frozen=True)
class Work:
    """What filling needs: the block, its source, the records it takes, and where problems go.

    `rows` are positions in the source; `records` the same records' numbers in the
    whole import.
    """

    block: Block
    source: SourceData
    rows: NDArray[np.intp]
    records: NDArray[np.intp]
    problems: Problems
    day_zero: DayZero

    def missing(self, column: str, fill: Fill) -> frozenset[str]:
        """Texts that mean missing in one source column of this block."""
        texts = {normal(t) for t in self.source.spec.missing}
        if fill.text_is is None:
            texts |= special_texts(self.block, column)
        return frozenset(texts)


def special_texts(block: Block, column: str) -> frozenset[str]:
    """Texts of a source column that a yes/no column of the block stands for."""
    return frozenset(
        normal(text)
        for fill in block.columns.values()
        if fill.text_is is not None and column in fill.columns
        for text in fill.text_is
    )


def fill_column(work: Work, name: str, about: Field) -> Filled:
    """Values of column `name` for all records the block takes.

    Problems of single cells are added to the work's problems; among them a value
    that the format requires and that is missing.
    """
    fill = work.block.columns.get(name, Fill())
    n = len(work.rows)
    if not fill.columns:
        value = None if fill.value is None else constant(fill.value, about).value
        return Filled(np.full(n, value, dtype=object), np.zeros(n, dtype=bool))
    if fill.date_format:
        filled = _days(work, fill, about)
    elif fill.join:
        filled = _joined(work, fill, about)
    else:
        filled = _one_cell(work, fill, about)
    if about.required:
        filled = _required(work, fill, about, filled)
    return filled


def _required(work: Work, fill: Fill, about: Field, filled: Filled) -> Filled:
    absent = pd.isna(filled.values) & ~filled.bad
    if not absent.any():
        return filled
    coded = work.source.column(fill.columns[0])
    gap = Read(code="required_missing", facts={"field": f"'{about.name}'"})
    column = ", ".join(fill.columns)
    rows, records = work.rows[absent], work.records[absent]
    work.problems.add_cells(records, column, coded, [gap] * len(coded.texts), rows)
    return Filled(filled.values, filled.bad | absent)


def _read_all(work: Work, fill: Fill, about: Field, column: str) -> tuple[Coded, list[Read]]:
    coded = work.source.column(column)
    decimal = work.source.spec.decimal
    reader = CellReader(fill, about, decimal, work.missing(column, fill))
    return coded, [reader.read(t, k) for t, k in zip(coded.texts, coded.kinds, strict=True)]


def _one_cell(work: Work, fill: Fill, about: Field) -> Filled:
    (column,) = fill.columns
    coded, reads = _read_all(work, fill, about, column)
    bad = work.problems.add_cells(work.records, column, coded, reads, work.rows)
    return Filled(coded.taken([read.value for read in reads], work.rows), bad)


def _joined(work: Work, fill: Fill, about: Field) -> Filled:
    """Cells put together to a code. All missing: missing. Some missing: a problem."""
    n = len(work.rows)
    plain = Fill(columns=fill.columns)
    any_text = replace(about, codes={}, pattern=None)
    parts, bad = [], np.zeros(n, dtype=bool)
    for column in fill.columns:
        coded, reads = _read_all(work, plain, any_text, column)
        reads = [_fits_inside(read, about) for read in reads]
        bad |= work.problems.add_cells(work.records, column, coded, reads, work.rows)
        parts.append(coded.taken([read.value for read in reads], work.rows))
    gaps = np.array([pd.isna(part) for part in parts])
    some = gaps.any(axis=0) & ~gaps.all(axis=0) & ~bad
    read = Read(code="id_part_missing", facts={"field": f"'{about.name}'"})
    for column, gap in zip(fill.columns, gaps, strict=True):
        here = gap & some
        coded = work.source.column(column)
        told = [read] * len(coded.texts)
        work.problems.add_cells(work.records[here], column, coded, told, work.rows[here])
    bad |= some
    values = np.full(n, None, dtype=object)
    whole = ~gaps.any(axis=0) & ~bad
    separator = fill.separator
    values[whole] = [
        fill.prefix + separator.join(cells)
        for cells in zip(*(part[whole] for part in parts), strict=True)
    ]
    return _checked(work, fill, about, Filled(values, bad))


def _fits_inside(read: Read, about: Field) -> Read:
    """A part as it was read, or what is wrong with it whatever it is joined to."""
    if not isinstance(read.value, str):
        return read
    found = checked_text("A" + read.value, about)
    return found if found.code else read


def _checked(work: Work, fill: Fill, about: Field, filled: Filled) -> Filled:
    known = ~pd.isna(filled.values)
    codes, distinct = pd.factorize(filled.values[known])
    joined = Coded(codes, list(distinct), [""] * len(distinct))
    reads = [checked_text(text, about) for text in distinct]
    at = np.flatnonzero(known)
    everything = np.arange(len(at))
    column = ", ".join(fill.columns)
    wrong = work.problems.add_cells(work.records[at], column, joined, reads, everything)
    bad = filled.bad.copy()
    bad[at[wrong]] = True
    values = filled.values.copy()
    values[at[wrong]] = None
    return Filled(values, bad)


def _days(work: Work, fill: Fill, about: Field) -> Filled:
    """Whole days from the participant's enrolment."""
    (column,) = fill.columns
    found = read_dates(work.source, column, fill.date_format, fill.missing)
    bad = work.problems.add_cells(work.records, column, found.coded, found.reads, work.rows)
    found.note_exchanged(work.problems, work.source, column, work.rows, work.records)
    dates = found.coded.taken([read.value for read in found.reads], work.rows)
    people = work.source.column(fill.participant)
    starts = [work.day_zero.start(text, work.source) for text in people.texts]
    at = np.flatnonzero(~pd.isna(dates) | bad)
    lost = work.problems.add_cells(
        work.records[at], fill.participant, people, starts, work.rows[at]
    )
    bad[at[lost]] = True
    at = np.flatnonzero(~pd.isna(dates) & ~bad)
    begun = people.taken([start.value for start in starts], work.rows[at])
    days = dates[at].astype(np.int64) - begun.astype(np.int64)
    values = np.full(len(work.rows), None, dtype=object)
    values[at] = days
    for place, day in zip(at, days, strict=True):
        read = sized_day(int(day), about)
        if read.code:
            raw = work.source.cell(int(work.rows[place]), column)
            work.problems.add(int(work.records[place]), column, raw, read)
            bad[place], values[place] = True, None
    return Filled(values, bad)
