"""Text to records: cells as text, each record with its physical line.

The reader knows no types, no missing values and no bad lines to skip. A record it
cannot take apart is handed on as refused, with its text.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from cohortkit.errors import SourceError

MAX_COLUMNS = 1_000
MAX_LINES = 2_000_000
MAX_CELLS = 20_000_000
MAX_CELL_CHARACTERS = 32_767
MAX_LINES_PER_RECORD = 20
"""An open quote is taken to be a mistake when it is not closed within so many lines."""

_UNDECODED = re.compile("[\ud800-\udfff]")


@dataclass(frozen=True)
class Defect:
    """Why a record cannot be taken as it is written: code, column (may be empty), text, facts."""

    code: str
    column: str
    raw: str
    facts: dict[str, object] = field(default_factory=dict)


@dataclass
class RecordSet:
    """What a file holds below and including its header.

    Parameters
    ----------
    headers
        Texts of the header cells, as they stand.
    rows
        Cells of each record as text; as many as there are headers, unless the
        record has surplus cells.
    lines
        Physical line (csv) or sheet row (xlsx) of each record, from 1.
    defects
        Record number to what is wrong with its form.
    short
        Number of a record with fewer cells than headers to how many it has; the
        rest of its row is filled up with empty ones.
    kinds
        Column and record number, from 0, to the kind of a sheet's cell that is no
        plain text or number.
    """

    headers: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    defects: dict[int, list[Defect]] = field(default_factory=dict)
    short: dict[int, int] = field(default_factory=dict)
    kinds: dict[int, dict[int, str]] = field(default_factory=dict)


def _too_large(file: str, found: str) -> SourceError:
    return SourceError(
        "The file holds more than can be a clinic's table",
        where=f"file '{file}'",
        found=found,
        next_step="export only the rows and columns that are needed",
    )


def _take_apart(text: str, delimiter: str, quote: str) -> tuple[list[str], str]:
    """Cells of one record and how it ended: ``ok``, ``open``, ``stray`` or ``return``."""
    cells: list[str] = []
    start = 0
    while True:
        if text.startswith(quote, start):
            close = text.find(quote, start + 1)
            while close >= 0 and text.startswith(quote, close + 1):
                close = text.find(quote, close + 2)
            if close < 0:
                return cells, "open"
            cells.append(text[start + 1 : close].replace(quote * 2, quote))
            start = close + 1
            if start < len(text) and text[start] != delimiter:
                return cells, "stray"
        else:
            end = text.find(delimiter, start)
            end = len(text) if end < 0 else end
            if quote in text[start:end]:
                return cells, "stray"
            if "\r" in text[start:end]:
                return cells, "return"
            cells.append(text[start:end])
            start = end
        if start >= len(text):
            return cells, "ok"
        start += 1


def _quoted(lines: list[str], first: int, delimiter: str, quote: str) -> tuple[list[str], int, str]:
    """Cells of the record that begins at `first`, its lines, and a defect's code.

    A record that cannot be taken apart claims its first line alone, so that no
    record below it is swallowed.
    """
    text = lines[first]
    if text.startswith(quote) and text.endswith(quote) and len(text) > 1:
        # every cell quoted, no quote inside: splitting is enough, and ten times quicker
        cells = text[1:-1].split(quote + delimiter + quote)
        if not any(quote in cell for cell in cells):
            return cells, 1, ""
    cells, state = _take_apart(text, delimiter, quote)
    used = 1
    several = state == "open"
    while state == "open" and used < MAX_LINES_PER_RECORD and first + used < len(lines):
        more = lines[first + used]
        text += "\n" + more
        used += 1
        if quote in more:
            cells, state = _take_apart(text, delimiter, quote)
    if state == "ok":
        return cells, used, ""
    naive = [cell.strip(quote) for cell in lines[first].split(delimiter)]
    if several:
        return naive, 1, "unclosed_quote"
    return naive, 1, "bare_carriage_return" if state == "return" else "stray_quote"


def _form_defects(cells: list[str], text: str, width: int, suspicious: bool) -> list[Defect]:
    found = []
    if len(cells) != width:
        code = "extra_field" if len(cells) > width else "short_row"
        found.append(Defect(code, "", text, {"found": len(cells), "wanted": width}))
    if any(len(cell) > MAX_CELL_CHARACTERS for cell in cells):
        facts: dict[str, object] = {"limit": MAX_CELL_CHARACTERS}
        found.append(Defect("cell_too_long", "", text[:200] + " ...", facts))
    if suspicious:
        if "\x00" in text:
            found.append(Defect("nul_character", "", text))
        if lost := _UNDECODED.search(text):
            facts = {"byte": f"0x{ord(lost[0]) - 0xDC00:02X}"}
            found.append(Defect("undecodable_byte", "", text, facts))
    return found


def _check_size(text: str, delimiter: str, file: str) -> None:
    n_lines = text.count("\n")
    if n_lines > MAX_LINES:
        raise _too_large(file, f"{n_lines} lines; at most {MAX_LINES} are read")
    n_cells = text.count(delimiter) + n_lines
    if n_cells > MAX_CELLS:
        raise _too_large(file, f"{n_cells} cells; at most {MAX_CELLS} are read")


def _header(
    lines: list[str], header_line: int, delimiter: str, quote: str, file: str
) -> tuple[list[str], int]:
    if header_line > len(lines):
        raise SourceError(
            f"The file has no line {header_line}, where its header should stand",
            where=f"file '{file}'",
            found=f"{len(lines)} lines",
            next_step="correct header_line in the mapping, or export the file again",
        )
    line = lines[header_line - 1]
    if not quote or quote not in line:
        cells, used, code = line.split(delimiter), 1, ""
    else:
        cells, used, code = _quoted(lines, header_line - 1, delimiter, quote)
    if code or "\x00" in line or "\r" in line:
        raise SourceError(
            "The header of the file cannot be read",
            where=f"file '{file}', line {header_line}",
            found=repr(line[:200]),
            next_step="check delimiter, quote and header_line in the mapping",
        )
    if len(cells) > MAX_COLUMNS:
        raise _too_large(file, f"{len(cells)} columns; at most {MAX_COLUMNS} are read")
    return cells, used


def read_csv_records(
    text: str, *, delimiter: str, quote: str = '"', header_line: int = 1, file: str = ""
) -> RecordSet:
    """Records of delimited text.

    Parameters
    ----------
    text
        Decoded text with line feeds as line ends.
    delimiter, quote
        One character each; `quote` may be empty. A quote inside a quoted cell is
        written twice.
    header_line
        Physical line of the header, from 1. Lines above it are no records.
    file
        Name for messages.

    Returns
    -------
    RecordSet
        Every line below the header is part of exactly one record. Empty lines
        are records without content.

    Raises
    ------
    SourceError
        If there is no header, it cannot be read, or the file is too large.
    """
    _check_size(text, delimiter, file)
    lines = text.split("\n")
    if lines[-1] == "":
        lines.pop()
    headers, used = _header(lines, header_line, delimiter, quote, file)
    width = len(headers)
    suspicious = "\x00" in text or bool(_UNDECODED.search(text))
    records = RecordSet(headers=headers)
    share = dict[str, str]().setdefault  # cells that say the same are kept in memory once
    at = header_line - 1 + used
    while at < len(lines):
        line = lines[at]
        used, code = 1, ""
        if not quote or quote not in line:
            cells = line.split(delimiter)
            code = "bare_carriage_return" if "\r" in line else ""
        else:
            cells, used, code = _quoted(lines, at, delimiter, quote)
        odd = code or suspicious or used > 1 or len(line) > MAX_CELL_CHARACTERS
        if odd or len(cells) != width:
            raw = line if used == 1 else "\n".join(lines[at : at + used])
            _note(records, cells, raw, code, suspicious)
        records.rows.append(list(map(share, cells, cells)))
        records.lines.append(at + 1)
        at += used
    return records


def _note(records: RecordSet, cells: list[str], raw: str, code: str, suspicious: bool) -> None:
    """Keep what is wrong with a record's form; a record without content has no fault."""
    width = len(records.headers)
    if not any(cell.strip() for cell in cells):
        cells[:] = [""] * width
        return
    found = [Defect(code, "", raw)] if code else []
    if code not in ("unclosed_quote", "stray_quote"):
        found += _form_defects(cells, raw, width, suspicious)
    elif suspicious:
        found += _form_defects(cells, raw, len(cells), True)
    if found:
        records.defects[len(records.rows)] = found
    if len(cells) < width:
        records.short[len(records.rows)] = len(cells)
    cells += [""] * (width - len(cells))
