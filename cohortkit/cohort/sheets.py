"""A sheet of an xlsx workbook to records: what each cell really is, not what it looks like.

The workbook is opened twice, once for formulas and layout and once for stored results,
so that a formula without a result is not read as an empty cell. Nothing in it is run.
"""

from __future__ import annotations

import datetime as dt
import io
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import defusedxml
from openpyxl import load_workbook
from openpyxl.utils import get_column_letter
from openpyxl.workbook import Workbook
from openpyxl.worksheet.formula import ArrayFormula
from openpyxl.worksheet.worksheet import Worksheet

from cohortkit.cohort.csv_records import MAX_COLUMNS, Defect, RecordSet
from cohortkit.cohort.mapping_parts import SourceSpec
from cohortkit.cohort.workbook_archive import MAX_SHEET_CELLS, check_archive, unreadable
from cohortkit.errors import SourceError

_LARGEST_EXACT = 10**15

DATE = "date"
TIME = "time"
FORMULA_NO_VALUE = "formula_no_value"
DIGITS_LOST = "digits_lost"


def _open(data: bytes, file: str, stored_results: bool) -> Workbook:
    try:
        with warnings.catch_warnings():
            # features that the reader leaves out (validation lists, colours) carry no values
            warnings.simplefilter("ignore")
            return load_workbook(io.BytesIO(data), data_only=stored_results, keep_links=False)
    except defusedxml.DefusedXmlException as error:
        raise unreadable(
            file, "markup that could do harm (XML entities)", "export the table again as csv"
        ) from error
    except Exception as error:
        # whatever a damaged workbook sets off inside the reader is the file's fault
        found = f"it is damaged or not in the form of a workbook ({str(error)[:200]})"
        raise unreadable(
            file, found, "open it in the spreadsheet program and save it again"
        ) from error


@dataclass(frozen=True)
class OpenBook:
    """A workbook opened twice: with its formulas and layout, and with stored results."""

    layout: Workbook
    results: Workbook


def open_book(data: bytes, file: str) -> OpenBook:
    """Open a workbook after looking at its size; nothing in it is run.

    Raises
    ------
    SourceError
        If it is no workbook, is damaged, or would fill the memory.
    """
    check_archive(data, file)
    return OpenBook(_open(data, file, False), _open(data, file, True))


def _sheet(book: Workbook, name: str, file: str) -> Worksheet:
    sheet = book[name] if name in book.sheetnames else None
    if isinstance(sheet, Worksheet):
        return sheet
    raise SourceError(
        f"The workbook has no sheet '{name}'",
        where=f"file '{file}'",
        found="sheets " + ", ".join(f"'{n}'" for n in book.sheetnames),
        next_step=f"correct 'sheet' of the source that reads '{file}' in the mapping",
    )


def _grid(sheet: Worksheet, header_row: int, file: str) -> tuple[int, int]:
    rows, columns = sheet.max_row, sheet.max_column
    if rows * columns > MAX_SHEET_CELLS or columns > MAX_COLUMNS:
        raise SourceError(
            "The sheet is far larger than a clinic's table",
            where=f"file '{file}', sheet '{sheet.title}'",
            found=f"{rows} rows by {columns} columns",
            next_step="delete stray cells far right or below, or export the table as csv",
        )
    if header_row > rows:
        raise SourceError(
            f"The sheet has no row {header_row}, where its header should stand",
            where=f"file '{file}', sheet '{sheet.title}'",
            found=f"{rows} rows",
            next_step="correct header_line in the mapping",
        )
    return rows, columns


def plain_number(value: float, decimal: str) -> str:
    """A number with all its digits, no exponent, and the given decimal mark."""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return format(Decimal(repr(value)), "f").replace(".", decimal)


def cell_text(value: Any, decimal: str) -> tuple[str, str]:
    """A stored value as the text a person would have typed, and its kind (empty if plain)."""
    if value is None:
        return "", ""
    if isinstance(value, bool):
        return ("TRUE" if value else "FALSE"), ""
    if isinstance(value, int | float):
        return plain_number(value, decimal), DIGITS_LOST if abs(value) >= _LARGEST_EXACT else ""
    if isinstance(value, dt.datetime):
        midnight = value.time() == dt.time()
        return value.date().isoformat() if midnight else value.isoformat(sep=" "), DATE
    if isinstance(value, dt.date):
        return value.isoformat(), DATE
    if isinstance(value, dt.time | dt.timedelta):
        return str(value), TIME
    return str(value), ""


def largest_sheet(book: OpenBook, file: str) -> str:
    """Name of the visible sheet with the most cells.

    Raises
    ------
    SourceError
        If no sheet is visible.
    """
    visible = [s for s in book.layout.worksheets if s.sheet_state == "visible"]
    if not visible:
        raise unreadable(file, "no visible sheet", "export the table again")
    return str(max(visible, key=lambda s: s.max_row * s.max_column).title)


def _formula(value: Any) -> str:
    if isinstance(value, ArrayFormula):
        return str(value.text)
    return str(value)


def _hidden_columns(sheet: Worksheet, width: int) -> list[str]:
    hidden = []
    for dimension in sheet.column_dimensions.values():
        if dimension.hidden:
            last = min(dimension.max or 0, width)
            hidden += [get_column_letter(c) for c in range(dimension.min or 1, last + 1)]
    return hidden


def _layout_fault(sheet: Worksheet, spec: SourceSpec, width: int) -> str:
    if not spec.accept_hidden:
        if sheet.sheet_state != "visible":
            return "the sheet is hidden"
        hidden = _hidden_columns(sheet, width)
        if hidden:
            return f"hidden columns {', '.join(hidden)}"
    if not spec.accept_merged_header:
        for area in sheet.merged_cells.ranges:
            if area.min_row <= spec.header_line <= area.max_row:
                return f"merged cells {area.coord} in the header"
    return ""


def _merged_header(sheet: Worksheet, headers: list[str], row: int, text: Callable) -> None:
    """Give each column under a merged header cell that cell's text, with a number."""
    for area in sheet.merged_cells.ranges:
        if area.min_row <= row <= area.max_row:
            shared = text(area.min_row, area.min_col)
            for place, column in enumerate(range(area.min_col, area.max_col + 1), start=1):
                if column <= len(headers):
                    headers[column - 1] = shared if place == 1 else f"{shared} #{place}"


def _row_defects(sheet: Worksheet, spec: SourceSpec, width: int) -> dict[int, str]:
    found: dict[int, str] = {}
    for area in sheet.merged_cells.ranges:
        if area.min_col <= width:
            first = max(area.min_row, spec.header_line + 1)
            found |= dict.fromkeys(range(first, area.max_row + 1), "merged_cells")
    if not spec.accept_hidden:
        hidden = [row for row, d in sheet.row_dimensions.items() if d.hidden]
        found |= {row: "hidden_row" for row in hidden if row > spec.header_line}
    return found


def read_sheet_records(book: OpenBook, spec: SourceSpec) -> RecordSet:
    """Records of one sheet of a workbook.

    Parameters
    ----------
    book
        The open workbook.
    spec
        The source's part of the mapping: file, sheet, header_line, decimal,
        accept_hidden, accept_merged_header.

    Returns
    -------
    RecordSet
        Numbers are text with the declared decimal mark, dates ISO text of kind
        ``date``, errors their own text such as ``#N/A``.

    Raises
    ------
    SourceError
        If the sheet is absent or too large, or hidden or merged cells are in the
        way and not accepted.
    """
    layout = _sheet(book.layout, spec.sheet, spec.file)
    n_rows, width = _grid(layout, spec.header_line, spec.file)
    fault = _layout_fault(layout, spec, width)
    if fault:
        raise SourceError(
            "Part of the sheet is hidden or merged, and the mapping does not accept that",
            where=f"file '{spec.file}', sheet '{spec.sheet}'",
            found=fault,
            next_step="unhide or unmerge it, or set accept_hidden or accept_merged_header = true",
        )
    formulas = {
        (cell.row, cell.column): _formula(cell.value)
        for line in layout.iter_rows()
        for cell in line
        if cell.data_type == "f"
    }
    results = _sheet(book.results, spec.sheet, spec.file)
    table = [
        list(line) for line in results.iter_rows(max_row=n_rows, max_col=width, values_only=True)
    ]
    table += [[None] * width for _ in range(n_rows - len(table))]
    records = RecordSet(headers=[cell_text(v, ".")[0] for v in table[spec.header_line - 1]])
    _merged_header(
        layout,
        records.headers,
        spec.header_line,
        lambda r, c: cell_text(table[r - 1][c - 1], ".")[0],
    )
    _fill(records, table, formulas, spec)
    _mark(records, _row_defects(layout, spec, width))
    return records


def _fill(records: RecordSet, table: list[list[Any]], formulas: dict, spec: SourceSpec) -> None:
    for row in range(spec.header_line + 1, len(table) + 1):
        texts = []
        for column, value in enumerate(table[row - 1], start=1):
            text, kind = cell_text(value, spec.decimal)
            if value is None and (row, column) in formulas:
                text, kind = formulas[row, column], FORMULA_NO_VALUE
            if kind:
                records.kinds.setdefault(column - 1, {})[len(records.rows)] = kind
            texts.append(text)
        records.rows.append(texts)
        records.lines.append(row)


def _mark(records: RecordSet, row_defects: dict[int, str]) -> None:
    for number, (line, row) in enumerate(zip(records.lines, records.rows, strict=True)):
        found = []
        if line in row_defects:
            found.append(Defect(row_defects[line], "", " | ".join(row)))
        if found and any(cell.strip() for cell in row):
            records.defects[number] = found
