"""Sheets: what a cell really is."""

from __future__ import annotations

import datetime as dt

import pytest

from cohortkit.cohort.mapping_parts import SourceSpec
from cohortkit.cohort.sheets import cell_text, open_book, plain_number, read_sheet_records
from cohortkit.errors import SourceError
from tests.cohort.test_workbook_archive import saved, small_book, with_entry


@pytest.mark.parametrize(
    ("value", "text", "kind"),
    [
        (None, "", ""),
        ("x ", "x ", ""),
        (True, "TRUE", ""),
        (2, "2", ""),
        (2.0, "2", ""),
        (0.21, "0,21", ""),
        (1e-05, "0,00001", ""),
        (10**15, "1000000000000000", "digits_lost"),
        (dt.datetime(2021, 4, 3), "2021-04-03", "date"),
        (dt.datetime(2021, 4, 3, 8, 15), "2021-04-03 08:15:00", "date"),
        (dt.time(2, 10), "02:10:00", "time"),
        (dt.timedelta(days=1), "1 day, 0:00:00", "time"),
    ],
)
def test_each_stored_value_becomes_what_a_person_would_type(value, text, kind):
    assert cell_text(value, ",") == (text, kind)


def test_numbers_keep_every_digit():
    # by hand: the nearest double to 0.1 + 0.2 prints as 0.30000000000000004
    assert plain_number(0.1 + 0.2, ".") == "0.30000000000000004"


def test_rows_are_numbered_as_in_the_sheet():
    book = small_book()
    book.active["A5"] = 9
    records = read_sheet_records(
        open_book(saved(book), "f"), SourceSpec("s", "f", "xlsx", sheet="A")
    )
    assert records.headers == ["a", "b"]
    assert records.rows == [["1", "2"], ["", ""], ["", ""], ["9", ""]]
    assert records.lines == [2, 3, 4, 5]


@pytest.mark.parametrize("place", ["XFD1048576", "A1048576", "XFD1"])
def test_one_stray_cell_far_away(place):
    book = small_book()
    book.active[place] = 1
    opened = open_book(saved(book), "f.xlsx")
    with pytest.raises(SourceError, match="far larger than a clinic's table"):
        read_sheet_records(opened, SourceSpec("s", "f", "xlsx", sheet="A", accept_hidden=True))


def test_workbook_without_sheets():
    opened = open_book(with_entry("xl/workbook.xml", b"<a/>"), "f.xlsx")
    with pytest.raises(SourceError, match="no sheet 'A'"):
        read_sheet_records(opened, SourceSpec("s", "f", "xlsx", sheet="A"))


def test_absent_sheet_and_header_row():
    opened = open_book(saved(small_book()), "f.xlsx")
    with pytest.raises(SourceError, match="sheets 'A'"):
        read_sheet_records(opened, SourceSpec("s", "f", "xlsx", sheet="B"))
    with pytest.raises(SourceError, match="no row 9"):
        read_sheet_records(opened, SourceSpec("s", "f", "xlsx", sheet="A", header_line=9))
