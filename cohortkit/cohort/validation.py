"""Import of one clinic: every record accepted or refused with all its reasons, none lost.

Five steps: bytes to text, text to cells with file and line, cells to values with a code per
cell that fails, values to rows of the tables, rows against keys, rules and parents.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandera.errors import SchemaErrors

from cohortkit.cohort.blocks import Candidates, RowMaker, selected
from cohortkit.cohort.corrections import apply_corrections
from cohortkit.cohort.enrolment import read_day_zero
from cohortkit.cohort.intake import (
    COUNTS,
    PROBLEMS,
    PROVENANCE,
    RECORDS,
    Intake,
    bookkeeping,
    check_accounts,
    no_corrections,
)
from cohortkit.cohort.intake_folder import read_corrections, read_intake, write_intake
from cohortkit.cohort.kept_corrections import put_back, to_keep
from cohortkit.cohort.keys import KeyedRows, keyed
from cohortkit.cohort.ledger import open_ledger
from cohortkit.cohort.mapping import read_mapping
from cohortkit.cohort.mapping_parts import INLINE_SOURCE, Mapping
from cohortkit.cohort.parsing import Read
from cohortkit.cohort.problems import Problems
from cohortkit.cohort.refused import write_refused
from cohortkit.cohort.settling import Settlement
from cohortkit.cohort.source_files import SourceData, read_sources
from cohortkit.errors import CohortkitError
from cohortkit.tables.schema import TABLE_NAMES, pandera_schema

__all__ = [
    "Intake",
    "import_clinic",
    "read_corrections",
    "read_intake",
    "write_intake",
    "write_refused",
]


class _Import:
    """One clinic on its way in."""

    def __init__(self, mapping: Mapping, sources: list[SourceData]) -> None:
        self.mapping = mapping
        self.sources = sources
        self.problems = Problems()
        self.ledger = open_ledger(mapping, sources)
        self.first = self.ledger.first
        self.blank = np.zeros(len(self.ledger), dtype=bool)

    def _open(self, at: int) -> NDArray[np.bool_]:
        """Records of a source to be read; the others are accounted for here."""
        source = self.sources[at]
        first = self.first[at]
        blank = source.blank()
        if source.spec.ignore_when:
            blank |= selected(source, source.spec.ignore_when)
        faulty = np.zeros(len(source), dtype=bool)
        for record, defects in source.defects.items():
            blank[record] = False
            faulty[record] = True
            for d in defects:
                found = Read(code=d.code, facts=d.facts)
                self.problems.add(first + record, d.column, d.raw, found)
        same = self._said_before(source, ~blank & ~faulty)
        for record, earlier in same.items():
            faulty[record] = True
            facts = {"line": int(source.lines[earlier]), "file": source.spec.file}
            raw = source.spec.delimiter.join(source.rows[record])
            found = Read(code="duplicate_record", facts=facts)
            self.problems.add(first + record, "", raw, found)
        self.blank[first : first + len(source)] = blank
        return ~blank & ~faulty

    @staticmethod
    def _said_before(source: SourceData, rows: NDArray[np.bool_]) -> dict[int, int]:
        """Records whose cells are all the same as an earlier one's, and that earlier one."""
        seen: dict[tuple[str, ...], int] = {}
        found = {}
        for record in np.flatnonzero(rows):
            earlier = seen.setdefault(tuple(source.rows[record]), int(record))
            if earlier != record:
                found[int(record)] = earlier
        return found

    def rows(self) -> dict[str, Candidates]:
        """Candidate rows of every table."""
        open_records = [self._open(at) for at in range(len(self.sources))]
        names = list(self.mapping.sources)
        enrolment = self.mapping.enrolment
        at = names.index(enrolment.source) if enrolment else None
        rows = np.flatnonzero(open_records[at]) if at is not None else np.zeros(0, dtype=np.intp)
        day_zero = read_day_zero(
            enrolment,
            None if at is None else self.sources[at],
            rows,
            rows + (self.first[at] if at is not None else 0),
            self.problems,
        )
        maker = RowMaker(self.sources, self.first, open_records, self.problems, day_zero)
        maker.inline(self.mapping.rows, self.first[-1])
        for at, name in enumerate(names):
            blank = maker.source(at, self.mapping.blocks_of(name))
            self.blank[self.first[at] : self.first[at + 1]] |= blank
        candidates = maker.candidates()
        self._other_sites(candidates["participants"])
        return candidates

    def _other_sites(self, people: Candidates) -> None:
        site = people.frame["site_id"]
        wanted = self.mapping.site_id
        for row in np.flatnonzero((site.notna() & (site != wanted)).to_numpy(dtype=bool)):
            columns = people.read_from[int(people.cells[row])].get("site_id", ("site_id",))
            record = int(people.record[row])
            found = str(site.iloc[row])
            other = Read(code="other_site", facts={"found": found, "wanted": wanted})
            self.problems.add(record, ", ".join(columns), found, other)


def _accepted(
    work: _Import, rows: dict[str, KeyedRows], settlement: Settlement, refused: NDArray[np.bool_]
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Accepted tables, and the records behind each of their rows."""
    tables, behind = {}, []
    for name in TABLE_NAMES:
        held = rows[name]
        chosen = settlement.accepted_rows(name)
        tables[name] = held.candidates.frame.iloc[chosen].reset_index(drop=True)
        carried = np.isin(held.row, chosen) & ~refused[held.candidates.record]
        key = held.keys[carried].astype(object).to_numpy()
        record = held.candidates.record[carried]
        behind.append(pd.DataFrame({"table": name, "key": key, "record": record}))
    return tables, pd.concat(behind, ignore_index=True)


def _record_frame(work: _Import, refused: NDArray[np.bool_]) -> pd.DataFrame:
    """All records with what is written about them, in order of mapping and file."""
    parts = []
    for source in work.sources:
        n = len(source)
        fixed = (
            [source.corrections.get(i, ("", "")) for i in range(n)] if source.corrections else []
        )
        parts.append(
            pd.DataFrame(
                {
                    "source": source.spec.name,
                    "file": source.spec.file,
                    "sheet": source.spec.sheet,
                    "line": source.lines,
                    "cells": source.cells_json(),
                    "file_sha256": source.sha256,
                    "correction_file": [f for f, _ in fixed] or "",
                    "correction_sha256": [s for _, s in fixed] or "",
                    "history": [
                        json.dumps(source.history[i]) if i in source.history else ""
                        for i in range(n)
                    ]
                    if source.history
                    else "",
                }
            )
        )
    inline = [{"line": r.line, "cells": json.dumps(r.values)} for r in work.mapping.rows]
    typed = pd.DataFrame(inline, columns=["line", "cells"])
    named = {"source": INLINE_SOURCE, "file": work.mapping.path.name, "sheet": ""}
    empty = {"correction_file": "", "correction_sha256": "", "history": ""}
    parts.append(typed.assign(**named, **empty, file_sha256=work.mapping.sha256))
    frame = pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)
    frame["status"] = np.select([refused, work.blank], ["refused", "blank"], "accepted")
    return frame


def _counts(work: _Import, refused: NDArray[np.bool_]) -> pd.DataFrame:
    """What was read from each source, and what became of it."""
    named = [(name, spec.file) for name, spec in work.mapping.sources.items()]
    bounds = [*work.first, len(work.ledger)]
    if work.mapping.rows:
        named.append((INLINE_SOURCE, work.mapping.path.name))
    lines = []
    for (source, file), start, end in zip(named, bounds, bounds[1:], strict=False):
        fell, empty = refused[start:end], work.blank[start:end]
        numbers = (end - start, int((~fell & ~empty).sum()), int(fell.sum()), int(empty.sum()))
        lines.append((work.mapping.site_id, source, file, *numbers))
    return pd.DataFrame(lines, columns=list(COUNTS)).astype(COUNTS)


def _check_types(tables: dict[str, pd.DataFrame], site: str) -> None:
    """Hold the accepted tables against the format once more, as a whole."""
    for name, frame in tables.items():
        try:
            if len(frame):
                pandera_schema(name).validate(frame, lazy=True)
        except SchemaErrors as error:
            raise CohortkitError(
                "Accepted rows do not fit the table format",
                where=f"site '{site}', table '{name}'",
                found=str(error.failure_cases.head(5).to_dict("records")),
                next_step="report this as a fault of the program, with the mapping file",
            ) from error


def import_clinic(
    mapping_path: str | os.PathLike[str],
    corrected: str | os.PathLike[str] | None = None,
    *,
    kept: pd.DataFrame | None = None,
) -> Intake:
    """Import one clinic's files as its mapping file says.

    Parameters
    ----------
    mapping_path
        The clinic's mapping file.
    corrected
        Folder of corrected copies of this clinic's ``..._to_correct.csv`` files;
        each line replaces the record it names, unless it is as it was handed out.
        Files of other clinics are passed over.
    kept
        Corrections of earlier imports, as `read_corrections` gives them; put in
        place before those of `corrected`, which add to them or override them.

    Returns
    -------
    Intake
        Accepted tables, everything that was refused or remarked on, and the
        corrections to keep. The same files always give the same intake.

    Raises
    ------
    MappingError
        If the mapping is wrong; names every fault.
    SourceError
        If a file as a whole cannot be read as declared. No single bad record
        raises: it is refused, with all its reasons.
    CohortkitError
        If records read are not accepted + refused + blank.
    """
    mapping = read_mapping(mapping_path)
    sources = read_sources(mapping)
    left = put_back(sources, no_corrections() if kept is None else kept)
    if corrected is not None:
        apply_corrections(sources, mapping.site_id, Path(corrected))
    work = _Import(mapping, sources)
    made = work.rows()
    rows = {name: keyed(name, made[name], work.ledger, work.problems) for name in made}
    settlement = Settlement(rows, work.ledger, work.problems)
    refused = settlement.run()
    tables, behind = _accepted(work, rows, settlement, refused)
    _check_types(tables, mapping.site_id)
    corrections = to_keep(sources, left)
    return check_accounts(_intake(work, tables, behind, refused, corrections))


def _intake(
    work: _Import,
    tables: dict[str, pd.DataFrame],
    behind: pd.DataFrame,
    refused: NDArray[np.bool_],
    corrections: pd.DataFrame,
) -> Intake:
    site = work.mapping.site_id
    records = _record_frame(work, refused)
    where = records[["source", "file", "sheet", "line", "file_sha256"]]
    problems = work.problems.frame().sort_values(["record", "column", "code"], kind="stable")
    told = where.iloc[problems["record"]].reset_index(drop=True)
    told = pd.concat([told, problems.reset_index(drop=True)], axis=1).assign(site_id=site)
    origin = where.iloc[behind["record"]].reset_index(drop=True)
    origin = pd.concat([origin, behind], axis=1).assign(site_id=site)
    return Intake(
        site_id=site,
        tables=tables,
        provenance=bookkeeping(origin, PROVENANCE),
        problems=bookkeeping(told, PROBLEMS),
        records=bookkeeping(records, RECORDS),
        counts=_counts(work, refused),
        corrections=corrections,
        notice=work.mapping.notice,
    )
