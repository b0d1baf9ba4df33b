"""Text to records: nothing skipped, nothing shifted, every record on its own line."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortkit.cohort import csv_records
from cohortkit.cohort.csv_records import MAX_LINES_PER_RECORD, read_csv_records
from cohortkit.errors import SourceError


def read(text: str, **how):
    return read_csv_records(text, delimiter=how.pop("delimiter", ","), **how)


def codes(records) -> dict[int, list[str]]:
    return {number: [d.code for d in found] for number, found in records.defects.items()}


def test_plain_records():
    records = read("a,b\n1,2\n\n3,4")
    assert records.headers == ["a", "b"]
    assert records.rows == [["1", "2"], ["", ""], ["3", "4"]]
    assert records.lines == [2, 3, 4]
    assert records.defects == {}


def test_quotes_delimiters_and_line_ends_inside_cells():
    records = read('a,b\n"x,1","say ""no"""\n"two\nlines",3\n,""\n')
    assert records.rows == [["x,1", 'say "no"'], ["two\nlines", "3"], ["", ""]]
    assert records.lines == [2, 3, 5]


def test_header_may_stand_lower():
    records = read("Export\n\na,b\n1,2\n", header_line=3)
    assert (records.headers, records.rows, records.lines) == (["a", "b"], [["1", "2"]], [4])


def test_header_of_several_lines():
    records = read('"a\n1",b\n1,2\n')
    assert (records.headers, records.lines) == (["a\n1", "b"], [3])


def test_no_quote_character_makes_quotes_ordinary():
    assert read('a,b\n5",6\n', quote="").rows == [['5"', "6"]]


def test_surplus_and_absent_cells_are_told_and_kept():
    records = read("a,b\n1,2,3\n1\n")
    assert codes(records) == {0: ["extra_field"], 1: ["short_row"]}
    assert records.rows == [["1", "2", "3"], ["1", ""]]


def test_unclosed_quote_claims_one_line_only():
    body = "".join(f"{n},x\n" for n in range(MAX_LINES_PER_RECORD + 5))
    records = read('a,b\n"1,x\n' + body)
    assert codes(records) == {0: ["unclosed_quote"]}
    assert len(records.rows) == MAX_LINES_PER_RECORD + 6


def test_unclosed_quote_that_meets_another_quote_claims_one_line_only():
    records = read('a,b\n"1,x\n2,y\n3,"z"\n4,w\n')
    assert codes(records) == {0: ["unclosed_quote"]}
    assert records.rows[1:] == [["2", "y"], ["3", "z"], ["4", "w"]]


def test_last_line_with_an_open_quote():
    records = read('a,b\n1,2\n3,"4')
    assert codes(records) == {1: ["unclosed_quote"]}


def test_return_outside_quotes_is_refused_and_inside_kept():
    records = read('a,b\n1,2\r3\n"x\ry",4\n"z",5\r\n')
    assert codes(records) == {0: ["bare_carriage_return"], 2: ["bare_carriage_return"]}
    assert records.rows[1] == ["x\ry", "4"]


def test_unicode_line_separators_are_no_line_ends():
    records = read("a,b\n1\u2028x,2\x0b\x0c\x85\n")
    assert records.rows == [["1\u2028x", "2\x0b\x0c\x85"]]


@pytest.mark.parametrize("text", ["", "\n", 'a,"b\n1,2\n', "a\x00,b\n", "a\r,b\n"])
def test_without_a_readable_header_the_file_stops(text):
    if text in ("", "\n"):
        with pytest.raises(SourceError, match="no line 2"):
            read(text, header_line=2)
    else:
        with pytest.raises(SourceError, match="header"):
            read(text)


def test_limits_stop_files_that_are_no_clinic_table(monkeypatch):
    with pytest.raises(SourceError, match="columns"):
        read("," * 100_000)
    monkeypatch.setattr(csv_records, "MAX_LINES", 10)
    with pytest.raises(SourceError, match="lines"):
        read("a\n" * 20)
    monkeypatch.setattr(csv_records, "MAX_LINES", 100)
    monkeypatch.setattr(csv_records, "MAX_CELLS", 10)
    with pytest.raises(SourceError, match="cells"):
        read("a,b\n" * 20)


CELL = st.text(
    alphabet=st.characters(exclude_characters="\x00", exclude_categories=["Cs"]), max_size=8
)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.lists(CELL, min_size=3, max_size=3), max_size=8), st.sampled_from(",;\t|"))
def test_what_the_standard_writer_quotes_is_read_back(rows, delimiter):
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=delimiter, quoting=csv.QUOTE_ALL, lineterminator="\n")
    writer.writerow(["a", "b", "c"])
    writer.writerows(rows)
    records = read(text.getvalue(), delimiter=delimiter)
    if all(cell.count("\n") < MAX_LINES_PER_RECORD / 3 - 1 for row in rows for cell in row):
        blank = [not any(c.strip() for c in row) for row in rows]
        expected = [["", "", ""] if b else row for row, b in zip(rows, blank, strict=True)]
        got = [[""] * 3 if b else row for row, b in zip(records.rows, blank, strict=True)]
        assert got == expected
        assert records.defects == {}


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet='ab,"\n\r ', max_size=60))
def test_every_line_belongs_to_exactly_one_record(body):
    text = "h,i\n" + body
    records = read(text)
    n_lines = len(text.removesuffix("\n").split("\n"))
    ends = [*records.lines[1:], n_lines + 1] if records.lines else []
    assert all(start < end for start, end in zip(records.lines, ends, strict=True))
    assert (records.lines[:1] or [2]) == [2]
    assert (ends[-1] if ends else n_lines + 1) == n_lines + 1
