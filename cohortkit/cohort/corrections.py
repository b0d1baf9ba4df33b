"""Corrected records, fed back in place of the lines they came from.

A correction names the source, the line and the very file (by hash) it was made for, so that
it can never land on another record of a newer export.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from cohortkit.cohort.csv_records import RecordSet, read_csv_records
from cohortkit.cohort.decoding import decode, read_regular_file
from cohortkit.cohort.source_files import SourceData
from cohortkit.cohort.spelling import normal
from cohortkit.errors import SourceError
from cohortkit.tables.canonical import sha256

LINE = "cohortkit_line"
PROBLEMS = "cohortkit_problems"
FILE = "cohortkit_file"
"""First 16 digits of the hash of the file that the line belongs to."""

OWN_COLUMNS = (LINE, PROBLEMS, FILE)
HASH_DIGITS = 16
_LIVE = re.compile(r"'*[=+\-@\t\r]")


def guarded(cell: str) -> str:
    """A cell that no spreadsheet program takes for a formula."""
    return "'" + cell if _LIVE.match(cell) else cell


def unguarded(cell: str) -> str:
    """The cell that was guarded; a cell that was not comes back as it is."""
    return cell[1:] if cell.startswith("'") and _LIVE.match(cell) else cell


def file_prefix(site_id: str, source: str) -> str:
    """Beginning of the names of a source's correction files."""
    return f"{site_id}__{source}__"


def _bad(path: Path, what: str, found: str, next_step: str, line: int | None = None) -> SourceError:
    where = f"file '{path.name}'" + (f", line {line}" if line else "")
    return SourceError(what, where=where, found=found, next_step=next_step)


def _opened(path: Path) -> tuple[RecordSet, str]:
    data = read_regular_file(path, path.name)
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        step = "save it as CSV in UTF-8"
        raise _bad(path, "A corrected file is not UTF-8", str(error), step) from error
    text = decode(data, "utf-8", path.name)
    for delimiter in (",", ";", "\t"):
        first = text.partition("\n")[0]
        if LINE in [cell.strip('" ') for cell in first.split(delimiter)]:
            return read_csv_records(text, delimiter=delimiter, file=path.name), sha256(data)
    raise _bad(
        path,
        f"A corrected file has no column '{LINE}'",
        repr(text[:200]),
        "correct a copy of the to_correct file, and keep its last columns",
    )


def _corrected_rows(path: Path, source: SourceData) -> tuple[dict[int, list[str]], str]:
    """Line of the source to its corrected cells."""
    records, digest = _opened(path)
    headers = [normal(h) for h in records.headers]
    wanted = list(source.headers)
    absent = [h for h in (*wanted, LINE, FILE) if h not in headers]
    if absent or len(set(headers)) < len(headers):
        found = ", ".join(f"'{h}'" for h in absent) or "a name twice"
        step = "keep the header of the to_correct file as it was"
        raise _bad(path, "A corrected file has not the columns of its source", found, step)
    rows: dict[int, list[str]] = {}
    for number, (cells, line) in enumerate(zip(records.rows, records.lines, strict=True)):
        if not any(cell.strip() for cell in cells):
            continue
        if number in records.defects:
            code = records.defects[number][0].code
            raise _bad(path, "A corrected line cannot be read", code, "check its quotes", line)
        named = {h: unguarded(c) for h, c in zip(headers, cells, strict=True)}
        rows[_line(path, named, line, source)] = [named[h] for h in wanted]
    return rows, digest


def _line(path: Path, named: dict[str, str], line: int, source: SourceData) -> int:
    text = named[LINE].strip()
    known = set(source.lines.tolist())
    if not text.isdecimal() or len(text) > 9 or int(text) not in known:
        step = f"keep the column '{LINE}' as it was"
        raise _bad(path, "A corrected line names no line of its source", repr(text), step, line)
    if named[FILE].strip() != source.sha256[:HASH_DIGITS]:
        raise _bad(
            path,
            f"A correction was made for another version of '{source.spec.file}'",
            named[FILE] or "no hash",
            "import the new file without corrections and correct what it refuses then",
            line,
        )
    return int(text)


def apply_corrections(sources: list[SourceData], site_id: str, folder: Path) -> None:
    """Put corrected records in the place of the lines they name.

    Parameters
    ----------
    sources
        The clinic's sources; changed in place, with the earlier cells and the
        hash of each correcting file kept in their history.
    site_id
        The clinic. Files of other clinics in the folder are passed over.
    folder
        Holds files named like the to_correct files. If several correct the same
        line, the last by file name counts, and the others are kept as history.

    Raises
    ------
    SourceError
        If the folder is absent, or a file for this clinic belongs to no source,
        cannot be read, or was made for another version of the source.
    """
    if not folder.is_dir():
        raise SourceError(
            "The folder of corrected files does not exist",
            where=str(folder),
            next_step="name the folder that holds the corrected to_correct files",
        )
    by_name = {source.spec.name: source for source in sources}
    for path in sorted(folder.glob(f"{site_id}__*.csv")):
        parts = path.name.split("__")
        source = by_name.get(parts[1])
        if source is None:
            step = "take the file away, or correct its name"
            raise _bad(path, "A corrected file belongs to no source", f"'{parts[1]}'", step)
        rows, digest = _corrected_rows(path, source)
        at = {int(line): record for record, line in enumerate(source.lines)}
        for line, cells in sorted(rows.items()):
            _replace(source, at[line], cells, (path.name, digest))


def _replace(source: SourceData, record: int, cells: list[str], by: tuple[str, str]) -> None:
    if record in source.corrections:
        file, digest = source.corrections[record]
    else:
        file, digest = source.spec.file, source.sha256
    earlier: dict[str, Any] = {
        "file": file,
        "file_sha256": digest,
        "cells": source.as_named(source.rows[record]),
    }
    source.history.setdefault(record, []).append(earlier)
    source.corrections[record] = by
    source.rows[record] = cells
    source.defects.pop(record, None)
    for special in source.kinds.values():
        special.pop(record, None)
