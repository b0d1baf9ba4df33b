"""Day 0 of each participant, and dates of cells."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from cohortkit.cohort.dates import DateRead, DateReader
from cohortkit.cohort.mapping_parts import Enrolment
from cohortkit.cohort.parsing import MISSING, Read, not_a_value
from cohortkit.cohort.problems import Problems
from cohortkit.cohort.source_files import Coded, SourceData
from cohortkit.cohort.spelling import normal


def _missing_texts(source: SourceData, more: Iterable[str] = ()) -> frozenset[str]:
    return frozenset({"", *(normal(t) for t in (*source.spec.missing, *more))})


@dataclass(frozen=True)
class DateColumn:
    """Dates of the distinct cells of a column: day number, missing, or a code."""

    coded: Coded
    reads: list[Read]
    exchanged: list[bool]
    """Whether a cell can be read, or only be read, with day and month exchanged."""

    def note_exchanged(
        self,
        problems: Problems,
        source: SourceData,
        column: str,
        rows: NDArray[np.intp],
        records: NDArray[np.intp],
    ) -> None:
        """Warn, at the first cell that only fits the other order, of all that fit both."""
        only = [bool(r.code) and x for r, x in zip(self.reads, self.exchanged, strict=True)]
        either = [not r.code and x for r, x in zip(self.reads, self.exchanged, strict=True)]
        if not any(only) or not any(either):
            return
        odd = np.flatnonzero(self.coded.taken(only, rows).astype(bool))
        doubtful = rows[self.coded.taken(either, rows).astype(bool)]
        if not len(odd) or not len(doubtful):
            return
        lines = ", ".join(str(line) for line in sorted(source.lines[doubtful].tolist()))
        found = Read(code="date_order_doubtful", facts={"n": len(doubtful), "lines": lines})
        raw = source.cell(int(rows[odd[0]]), column)
        problems.add(int(records[odd[0]]), column, raw, found, "warning")


def read_dates(
    source: SourceData, column: str, date_format: str, missing: Iterable[str] = ()
) -> DateColumn:
    """The distinct cells of a column as day numbers."""
    reader = DateReader(date_format, from_sheet=source.spec.format == "xlsx")
    gaps = _missing_texts(source, missing)
    coded = source.column(column)
    reads, exchanged = [], []
    for raw, kind in zip(coded.texts, coded.kinds, strict=True):
        read = not_a_value(raw, kind, gaps)
        found = DateRead(None)
        if read is None:
            found = reader.read(normal(raw), kind)
            read = Read(found.ordinal, found.code, {"date_format": date_format})
        reads.append(read)
        exchanged.append(found.fits_exchanged)
    return DateColumn(coded, reads, exchanged)


@dataclass(frozen=True)
class DayZero:
    """Enrolment day of each participant, by the clinic's own code in plain spelling.

    `faults` holds, for participants without a usable date, why there is none.
    """

    days: dict[str, int] = field(default_factory=dict)
    faults: dict[str, Read] = field(default_factory=dict)

    def start(self, raw: str, source: SourceData) -> Read:
        """Day number of a participant's enrolment, or why it is not known."""
        person = normal(raw)
        if person in _missing_texts(source):
            return Read(code="required_missing", facts={"field": "the participant"})
        if person in self.faults:
            return self.faults[person]
        if person in self.days:
            return Read(self.days[person])
        return Read(code="no_enrolment_date")


def read_day_zero(
    enrolment: Enrolment | None,
    source: SourceData | None,
    rows: NDArray[np.intp],
    records: NDArray[np.intp],
    problems: Problems,
) -> DayZero:
    """Enrolment days from the source that holds them.

    Parameters
    ----------
    enrolment, source
        What the mapping says, and the source it names; None if dates are not used.
    rows, records
        The source's records to read, and their numbers in the whole import.
    problems
        Where cells go that are no date.
    """
    if enrolment is None or source is None:
        return DayZero()
    dates = read_dates(source, enrolment.date, enrolment.date_format)
    problems.add_cells(records, enrolment.date, dates.coded, dates.reads, rows)
    dates.note_exchanged(problems, source, enrolment.date, rows, records)
    people = source.column(enrolment.participant)
    gaps = _missing_texts(source)
    seen: dict[str, dict[int, int]] = {}
    faults: dict[str, Read] = {}
    read_of = dates.coded.taken(dates.reads, rows)
    name_of = people.taken([normal(t) for t in people.texts], rows)
    for row, person, read in zip(rows, name_of, read_of, strict=True):
        line = int(source.lines[row])
        if person in gaps or read is MISSING:
            continue
        if read.code:
            faults[person] = Read(
                code="enrolment_date_bad", facts={"line": line, "source": source.spec.name}
            )
        else:
            seen.setdefault(person, {}).setdefault(read.value, line)
    for person, found in seen.items():
        if len(found) > 1:
            lines = ", ".join(str(line) for line in sorted(found.values()))
            facts = {"lines": lines, "source": source.spec.name}
            faults[person] = Read(code="enrolment_conflict", facts=facts)
    days = {person: next(iter(found)) for person, found in seen.items()}
    return DayZero(days, faults)
