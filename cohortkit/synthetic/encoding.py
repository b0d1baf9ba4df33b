"""Sheets to bytes that are the same every time."""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from collections.abc import Collection, Sequence

from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from cohortkit.synthetic.sheets import Sheet

STAMP = dt.datetime(2024, 1, 1)  # written into every workbook in place of the time of writing
TEXT_MARK = "\u00a0"  # a number behind a no-break space stays text, as numbers pasted from pages do
_WRITTEN = re.compile(rb"(<dcterms:modified[^>]*>)[^<]*(<)")


def csv_bytes(sheet: Sheet, encoding: str, delimiter: str, newline: str = "\r\n") -> bytes:
    """A sheet as delimited text; only cells that need quotes have them."""
    lines = [*sheet.above, sheet.header, *sheet.rows]
    text = "".join(delimiter.join(_quoted(c, delimiter) for c in line) + newline for line in lines)
    return text.encode(encoding)


def _quoted(cell: str, delimiter: str) -> str:
    if delimiter in cell or '"' in cell or "\n" in cell:
        return '"' + cell.replace('"', '""') + '"'
    return cell


def xlsx_bytes(
    sheets: Sequence[Sheet], numbers: Collection[str], dates: Collection[str], notes: str
) -> bytes:
    """A workbook with one sheet per table, below title rows.

    A header ``X #2`` beside ``X`` becomes one merged cell ``X`` over both columns.
    Cells below the headers in `numbers` become numbers and below those in
    `dates` dates, where their text allows; all else stays text. Spreadsheet
    errors such as ``#N/A`` become error cells.
    """
    book = Workbook()
    book.properties.created = STAMP
    first = book.active
    if isinstance(first, Worksheet):
        first.title = "Read me"
        first.append([notes])
    for sheet in sheets:
        page = book.create_sheet(sheet.sheet)
        for line in sheet.above:
            page.append(line)
        page.append(sheet.header)
        _merge_header(page, sheet)
        for row in sheet.rows:
            page.append(
                [_value(c, h, numbers, dates) for c, h in zip(row, sheet.header, strict=True)]
            )
    raw = io.BytesIO()
    book.save(raw)
    return _same_every_time(raw.getvalue())


def _merge_header(page: Worksheet, sheet: Sheet) -> None:
    """One merged cell for headers that differ by their number only."""
    row, names = sheet.header_line, [h.split(" #")[0] for h in sheet.header]
    for name in {n for n in names if names.count(n) > 1}:
        first = names.index(name) + 1
        last = first + names.count(name) - 1
        page.merge_cells(start_row=row, start_column=first, end_row=row, end_column=last)


def _value(
    cell: str, header: str, numbers: Collection[str], dates: Collection[str]
) -> str | float | dt.date | None:
    if cell == "":
        return None
    if header in dates:
        try:
            return dt.date.fromisoformat(cell)
        except ValueError:
            return cell
    if header in numbers and not cell.startswith(TEXT_MARK):
        try:
            return float(cell)
        except ValueError:
            return cell
    return cell


def _same_every_time(workbook: bytes) -> bytes:
    """The workbook with fixed times in its properties and in its archive."""
    stamp = STAMP.strftime("%Y-%m-%dT%H:%M:%SZ").encode("ascii")
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            content = _WRITTEN.sub(rb"\g<1>" + stamp + rb"\g<2>", old.read(name))
            entry = zipfile.ZipInfo(name, date_time=STAMP.timetuple()[:6])
            entry.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(entry, content)
    return out.getvalue()
