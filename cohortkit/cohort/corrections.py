"""Corrected records, fed back in place of the lines they came from.

A correction names the source, the line and the very file (by hash) it was made for, so that
it can never land on another record of a newer export. A record that comes back as it was
handed out corrects nothing: it stays refused, for the reasons it was refused for.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from cohortkit.cohort.csv_records import Defect, RecordSet, read_csv_records
from cohortkit.cohort.decoding import Opening, decode, read_regular_file
from cohortkit.cohort.reasons import storable
from cohortkit.cohort.source_files import SURPLUS, SourceData
from cohortkit.cohort.spelling import normal
from cohortkit.errors import SourceError
from cohortkit.tables.canonical import sha256

LINE = "cohortkit_line"
PROBLEMS = "cohortkit_problems"
FILE = "cohortkit_file"
"""First 16 digits of the hash of the file that the line belongs to."""

SURPLUS_CELLS = "cohortkit_surplus"
"""Cells beyond the header, as a JSON list; empty for most."""

NO_CELL = "(no cell)"
"""Stands in a to_correct file where a short record has no cell."""

OWN_COLUMNS = (SURPLUS_CELLS, LINE, PROBLEMS, FILE)
HASH_DIGITS = 16
_OPENING = Opening("A corrected file", "check that it lies in the folder given and may be read")
_LIVE = re.compile(r"'*[=+\-@\t\r]")


def guarded(cell: str) -> str:
    """A cell that no spreadsheet program takes for a formula."""
    return "'" + cell if _LIVE.match(cell) else cell


def unguarded(cell: str) -> str:
    """The cell that was guarded; a cell that was not comes back as it is."""
    return cell[1:] if cell.startswith("'") and _LIVE.match(cell) else cell


def handed_out(named: Mapping[str, str | None], headers: Sequence[str]) -> list[str]:
    """A record's cells in a to_correct file: one per header, then its surplus cells in one."""
    held = [named.get(h) for h in headers]
    surplus = [storable(c or "") for name, c in named.items() if name.startswith(SURPLUS)]
    shown = [NO_CELL if cell is None else storable(cell) for cell in held]
    return [*shown, json.dumps(surplus, ensure_ascii=False) if surplus else ""]


def _surplus(text: str) -> list[str]:
    """Surplus cells as they were handed out; any other text is one of them."""
    if not text.strip():
        return []
    try:
        cells = json.loads(text)
    except (ValueError, RecursionError):
        return [text]
    known = isinstance(cells, list) and all(isinstance(c, str) for c in cells)
    return cells if known else [text]


def file_prefix(site_id: str, source: str) -> str:
    """Beginning of the names of a source's correction files."""
    return f"{site_id}__{source}__"


def _bad(path: Path, what: str, found: str, next_step: str, line: int | None = None) -> SourceError:
    where = f"file '{path}'" + (f", line {line}" if line else "")
    return SourceError(what, where=where, found=found, next_step=next_step)


def _opened(path: Path) -> tuple[RecordSet, str]:
    data = read_regular_file(path, str(path), _OPENING)
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        step = "save it as CSV in UTF-8 (in a spreadsheet program: 'CSV UTF-8')"
        found = f"byte 0x{data[error.start]:02X}"
        line = data[: error.start].count(b"\n") + 1
        raise _bad(path, "A corrected file is not UTF-8", found, step, line) from error
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
    """Line of the source to its cells as they came back, surplus cells last."""
    records, digest = _opened(path)
    headers = [unguarded(normal(h)) for h in records.headers]
    wanted = list(source.headers)
    absent = [h for h in (*wanted, SURPLUS_CELLS, LINE, FILE) if h not in headers]
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
        rows[_line(path, named, line, source)] = [named[h] for h in (*wanted, SURPLUS_CELLS)]
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
        line, the last by file name counts, and the others are kept as history. A
        line that came back as it was handed out changes nothing.

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
            if not _said_already(source, at[line], cells, digest):
                replace_record(source, at[line], cells, (path.name, digest))


def _said_already(source: SourceData, record: int, cells: list[str], digest: str) -> bool:
    """True if the cells are the record's or the clinic's own, or their file was taken before."""
    if digest in {v["file_sha256"] for v in source.history.get(record, [])[1:]}:
        return True
    versions = [source.as_named(record), *(v["cells"] for v in source.history.get(record, [])[:1])]
    return any(_plain(handed_out(v, source.headers)) == _plain(cells) for v in versions)


def _plain(cells: list[str]) -> list[str]:
    return [cell.replace("\r\n", "\n").replace("\r", "\n") for cell in cells]


def replace_record(source: SourceData, record: int, cells: list[str], by: tuple[str, str]) -> None:
    """Put corrected cells in place. What is left of a broken form is a defect still."""
    if record in source.corrections:
        file, digest = source.corrections[record]
    else:
        file, digest = source.spec.file, source.sha256
    earlier: dict[str, Any] = {
        "file": file,
        "file_sha256": digest,
        "cells": source.as_named(record),
    }
    source.history.setdefault(record, []).append(earlier)
    source.corrections[record] = by
    *row, last = cells
    absent = frozenset(i for i in source.absent.pop(record, ()) if row[i] == NO_CELL)
    if absent:
        source.absent[record] = absent
    source.rows[record] = ["" if i in absent else c for i, c in enumerate(row)] + _surplus(last)
    source.defects.pop(record, None)
    defects = _left_over(source, record)
    if defects and any(cell.strip() for cell in source.rows[record]):
        source.defects[record] = defects
    for special in source.kinds.values():
        special.pop(record, None)


def _left_over(source: SourceData, record: int) -> list[Defect]:
    wanted, row = len(source.headers), source.rows[record]
    text = source.spec.delimiter.join(row)
    facts: dict[str, object] = {"found": len(row) - len(source.absent.get(record, ()))}
    facts["wanted"] = wanted
    codes = (("short_row", record in source.absent), ("extra_field", len(row) > wanted))
    return [Defect(code, "", text, facts) for code, there in codes if there]
