"""Bytes of csv files and workbooks."""

from __future__ import annotations

import datetime as dt
import io
import zipfile

from openpyxl import load_workbook

from cohortkit.synthetic.encoding import TEXT_MARK, csv_bytes, xlsx_bytes
from cohortkit.synthetic.sheets import Sheet


def sheet(rows, header=("id", "gap", "day"), above=()):
    return Sheet("s", "f", list(header), [list(r) for r in rows], [list(a) for a in above], "Data")


def test_only_cells_that_need_quotes_have_them():
    made = csv_bytes(sheet([("a;b", '1"', "x")]), "utf-8", ";", "\n")
    assert made == b'id;gap;day\n"a;b";"1""";x\n'


def test_the_encoding_is_the_one_asked_for():
    one = sheet([("ä", "", "")])
    assert csv_bytes(one, "cp1252", ",").endswith(b"\xe4,,\r\n")
    assert csv_bytes(one, "utf-8-sig", ",").startswith(b"\xef\xbb\xbf")
    assert csv_bytes(one, "utf-16", "|").decode("utf-16").splitlines()[1] == "ä||"


def workbook(**more):
    rows = [("a", "1.4", "2023-05-04"), ("b", "#N/A", ""), ("c", TEXT_MARK + "1.5", "soon")]
    return xlsx_bytes([sheet(rows, **more)], {"gap"}, {"day"}, "INVENTED")


def test_cells_of_a_workbook_have_their_kinds():
    page = load_workbook(io.BytesIO(workbook()))["Data"]
    cells = [[c.value for c in row] for row in page.iter_rows(min_row=2)]
    assert cells[0] == ["a", 1.4, dt.datetime(2023, 5, 4)]
    assert page["B3"].data_type == "e"
    assert cells[2] == ["c", TEXT_MARK + "1.5", "soon"]


def test_headers_that_differ_by_number_only_are_merged():
    header = ("id", "Flexion", "Flexion #2")
    made = xlsx_bytes([sheet([("a", "1", "2")], header=header)], set(), set(), "INVENTED")
    page = load_workbook(io.BytesIO(made))["Data"]
    assert [str(area) for area in page.merged_cells.ranges] == ["B1:C1"]


def test_titles_stand_above_the_header():
    page = load_workbook(io.BytesIO(workbook(above=[("title",), ()])))["Data"]
    assert page["A1"].value == "title"
    assert page["A3"].value == "id"


def test_a_workbook_is_the_same_every_time():
    assert workbook() == workbook()
    with zipfile.ZipFile(io.BytesIO(workbook())) as archive:
        assert {e.date_time for e in archive.infolist()} == {(2024, 1, 1, 0, 0, 0)}
        assert b"2024-01-01T00:00:00Z</dcterms:modified>" in archive.read("docProps/core.xml")
