"""Every way in which clinics' files are known to mislead a reader, each as a fixture of its own.

Each trap is refused with its code, file, line, column and the value as it came, or read as a
person would read it. None is read as something else, and none takes other rows with it.
"""

from __future__ import annotations

import datetime as dt

import pytest
from openpyxl.worksheet.worksheet import Worksheet

from cohortkit.cohort.validation import import_clinic
from cohortkit.errors import MappingError, SourceError
from tests.cohort.clinic_files import (
    MAPPING,
    PEOPLE,
    SCANS,
    import_scans,
    problem_rows,
    sheet_rows,
    write_clinic,
    write_sheet,
)

GOOD = {
    "ScanNr": "s9", "PatNr": "2", "Seite": "re", "Finger": "III", "Datum": "05.04.2021",
    "warm": "ja", "Band": "A2", "Arzt": "R1", "Ruhe": "0,10", "Last": "0,21",
}  # fmt: skip
LINE = len(SCANS) + 1  # the odd row is added below the others


def odd_row(**cells: str) -> str:
    return ";".join((GOOD | cells).values())


CELLS = {
    "other decimal mark": ("Last", "0.21", "wrong_decimal_mark"),
    "thousands or decimal mark": ("Last", "1.234", "ambiguous_thousands"),
    "thousands mark": ("Last", "1.234,5", "thousands_mark"),
    "thousands apostrophe": ("Last", "1'234", "thousands_mark"),
    "thousands space": ("Last", "1 234,5", "thousands_mark"),
    "exponent": ("Last", "1E5", "exponent_notation"),
    "exponent with decimals": ("Last", "2,1E-01", "exponent_notation"),
    "unit in the cell": ("Last", "0,21 cm", "unit_in_cell"),
    "a limit nobody declared": ("Last", "<0,2", "limit_not_declared"),
    "one odd cell": ("Last", "weit", "not_a_number"),
    "NA as a word": ("Last", "NA", "not_a_number"),
    "None as a word": ("Last", "None", "not_a_number"),
    "null as a word": ("Last", "null", "not_a_number"),
    "nan as a word": ("Last", "nan", "not_a_number"),
    "infinity": ("Last", "inf", "not_a_number"),
    "a number without end": ("Last", "9" * 400, "number_too_long"),
    "spreadsheet error, English": ("Last", "#DIV/0!", "excel_error"),
    "spreadsheet error, German": ("Ruhe", "#NV", "excel_error"),
    "formula as text": ("Last", "=A1+B1", "formula_text"),
    "number turned to a date": ("Last", "02. Jan", "date_where_text_expected"),
    "negative gap": ("Last", "-0,1", "below_minimum"),
    "mm under a heading of cm": ("Last", "21", "above_maximum"),
    "an unflagged zero": ("Last", "0,0", "gap_above_zero"),
    "pulley turned to a date": ("Band", "02. Apr", "date_where_text_expected"),
    "pulley turned to an ISO date": ("Band", "2023-02-04", "date_where_text_expected"),
    "pulley turned to Feb-04": ("Band", "Feb-04", "date_where_text_expected"),
    "a pulley of no such name": ("Band", "A5", "unknown_code"),
    "another case": ("Band", "a2", "unknown_code"),
    "TRUE where ja was declared": ("warm", "TRUE", "unknown_code"),
    "scan turned to a date": ("ScanNr", "03.04.2021", "date_where_text_expected"),
    "code with a blank inside": ("ScanNr", "s 9", "pattern"),
    "code with a formula": ("ScanNr", "=1+1", "formula_text"),
    "rater who is nowhere": ("Arzt", "R9", "parent_missing"),
    "rater missing": ("Arzt", "", "required_missing"),
    "leading zeros belong to the code": ("PatNr", "002", "parent_missing"),
    "no enrolment date": ("PatNr", "77", "no_enrolment_date"),
    "other date order": ("Datum", "04/05/2021", "date_not_in_format"),
    "a day that is not": ("Datum", "31.02.2021", "date_not_in_format"),
    "a month that is not": ("Datum", "05.13.2021", "date_not_in_format"),
    "two-digit year": ("Datum", "05.04.21", "date_not_in_format"),
    "serial number of a date": ("Datum", "44291", "date_not_in_format"),
    "a year far away": ("Datum", "05.04.0202", "date_out_of_range"),
    "date missing": ("Datum", "", "required_missing"),
}


@pytest.mark.parametrize(("column", "cell", "code"), CELLS.values(), ids=CELLS.keys())
def test_odd_cell_is_refused_alone_with_its_place(tmp_path, column, cell, code):
    intake = import_scans(tmp_path, [*SCANS, odd_row(**{column: cell})])
    assert ("scans.csv", LINE, column, cell, code) in problem_rows(intake)
    assert {row[1] for row in problem_rows(intake)} == {LINE}
    assert intake.counts.set_index("source").loc["scans", "refused"] == 1
    told = intake.problems[intake.problems["code"] == code].iloc[0]
    assert told["reason"]
    assert told["next_step"]
    assert told["severity"] == "refuse"


LINES = {
    "a field too many": (odd_row() + ";x", "extra_field"),
    "an empty field too many": (odd_row() + ";", "extra_field"),
    "a field too few": (odd_row().rpartition(";")[0], "short_row"),
    "a quote inside a cell": (odd_row(Arzt='R1"'), "stray_quote"),
    "a quote that goes on": (odd_row(Arzt='"R1"x'), "stray_quote"),
    "a quote never closed": (odd_row(Arzt='"R1'), "unclosed_quote"),
    "a bare carriage return": (odd_row(Arzt="R\r1"), "bare_carriage_return"),
    "a NUL character": (odd_row(Arzt="R\x001"), "nul_character"),
    "a cell without end": (odd_row(Arzt="R" * 40_000), "cell_too_long"),
}


@pytest.mark.parametrize(("line", "code"), LINES.values(), ids=LINES.keys())
def test_odd_line_is_refused_with_its_text(tmp_path, line, code):
    after = odd_row(ScanNr="s10")
    intake = import_scans(tmp_path, [*SCANS, line, after])
    file, number, column, raw, found = problem_rows(intake)[0]
    assert (file, number, column, found) == ("scans.csv", LINE, "", code)
    assert raw.replace("\\r", "\r").replace("\\x00", "\x00")[:50] == line[:50]
    assert len(problem_rows(intake)) == 1
    assert "s10" in set(intake.tables["scans"]["scan_id"])


def test_byte_that_the_encoding_lacks(tmp_path):
    path = write_clinic(tmp_path, scans=[*SCANS, odd_row(Arzt="R?1")])
    file = tmp_path / "scans.csv"
    file.write_bytes(file.read_bytes().replace(b"R?1", b"R\x811"))
    intake = import_clinic(path)
    assert [row[1] for row in problem_rows(intake)] == [LINE]
    (_, _, _, raw, code) = problem_rows(intake)[0]
    assert code == "undecodable_byte"
    assert r"R\x811" in raw


def test_open_quote_does_not_swallow_the_rows_below(tmp_path):
    odd = 20
    scans = [*SCANS, odd_row(Arzt='"R1'), *(odd_row(ScanNr=f"t{n}") for n in range(odd))]
    intake = import_scans(tmp_path, scans)
    assert [(row[1], row[4]) for row in problem_rows(intake)] == [(LINE, "unclosed_quote")]
    assert set(intake.tables["scans"]["scan_id"]) >= {f"t{n}" for n in range(odd)}


def test_line_numbers_stay_right_below_a_cell_of_several_lines(tmp_path):
    people = [PEOPLE[0], PEOPLE[1] + '"eins\nzwei\ndrei"', *PEOPLE[2:], "4;x;20;1,70;01.04.2021;"]
    intake = import_clinic(write_clinic(tmp_path, people=people))
    # by hand: header 1, the long record on 2 to 4, two more on 5 and 6, so the odd one on 7
    assert problem_rows(intake) == [("people.csv", 7, "Geschlecht", "x", "unknown_code")]


@pytest.mark.parametrize("blank", ["", ";;;;;;;;;", "  ", " ; ;;;", "\u00a0;;"])
def test_lines_without_content_are_counted_as_blank(tmp_path, blank):
    intake = import_scans(tmp_path, [*SCANS[:3], blank, *SCANS[3:], blank])
    counts = intake.counts.set_index("source").loc["scans"]
    # by hand: six scans and two blank lines
    assert (counts["read"], counts["accepted"], counts["blank"]) == (8, 6, 2)


def test_byte_order_mark_is_no_part_of_the_first_name(tmp_path):
    mapping = MAPPING.replace('encoding = "cp1252"', 'encoding = "utf-8"')
    path = write_clinic(tmp_path, mapping=mapping, encoding="utf-8-sig")
    assert import_clinic(path).problems.empty


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1", "utf-16", "cp1250", "mac_roman", "cp437"])
def test_declared_encoding_is_used(tmp_path, encoding):
    mapping = MAPPING.replace('encoding = "cp1252"', f'encoding = "{encoding}"')
    intake = import_clinic(write_clinic(tmp_path, mapping=mapping, encoding=encoding))
    # by hand: 1,70 m and 1,82 m
    assert intake.tables["participants"]["height_cm"].dropna().tolist() == [170.0, 182.0]


def test_wrong_encoding_stops_at_the_header(tmp_path):
    with pytest.raises(SourceError, match=r"Gr.*e"):
        import_clinic(write_clinic(tmp_path, encoding="mac_roman"))


READ_AS = {
    "no-break space": ("Last", "\u00a00,21\u00a0"),
    "blank behind": ("Last", "0,21  "),
    "digits of East Asian width": ("Last", "０，２１"),
    "typographic minus and plus": ("Last", "\uff0b0,21"),
    "invisible mark": ("ScanNr", "s9\u200b"),
    "no-break space in a code": ("Band", "A2\u00a0"),
}


@pytest.mark.parametrize(("column", "cell"), READ_AS.values(), ids=READ_AS.keys())
def test_other_spelling_is_read_and_kept_beside(tmp_path, column, cell):
    mapping = MAPPING.replace('encoding = "cp1252"', 'encoding = "utf-8"')
    scans = [*SCANS, odd_row(**{column: cell})]
    intake = import_clinic(write_clinic(tmp_path, mapping=mapping, scans=scans, encoding="utf-8"))
    readings = intake.tables["readings"].set_index("reading_id")
    # by hand: 0,21 cm
    assert readings.loc["l-s9-A2-R1", "gap_mm"] == 2.1
    assert cell.encode("ascii", "backslashreplace").decode() in intake.records["cells"][9].replace(
        "\\u00a0", "\\xa0"
    )


def test_minus_of_typography_is_a_minus(tmp_path):
    mapping = MAPPING.replace('encoding = "cp1252"', 'encoding = "utf-8"')
    scans = [*SCANS, odd_row(Last="\u22120,21")]
    intake = import_clinic(write_clinic(tmp_path, mapping=mapping, scans=scans, encoding="utf-8"))
    expected = ("scans.csv", LINE, "Last", "\u22120,21", "below_minimum")
    assert problem_rows(intake) == [expected]


def test_codes_stay_texts(tmp_path):
    scans = [*SCANS, odd_row(ScanNr="12345678901234567890"), odd_row(ScanNr="1E5", Arzt="R2")]
    intake = import_scans(tmp_path, scans)
    assert set(intake.tables["scans"]["scan_id"]) >= {"12345678901234567890", "1E5"}
    people = [*PEOPLE, "007;w;30;1,60;01.03.2021;"]
    intake = import_clinic(write_clinic(tmp_path / "two", people=people))
    assert "P007" in set(intake.tables["participants"]["participant_id"])


def test_two_columns_of_one_name(tmp_path):
    scans = [SCANS[0].replace("Ruhe", "Last"), *SCANS[1:]]
    with pytest.raises(SourceError, match="'Last' in columns 9, 10"):
        import_scans(tmp_path, scans)


def test_content_without_a_column_name(tmp_path):
    with pytest.raises(SourceError, match="content but no name"):
        import_scans(tmp_path, [SCANS[0] + ";", *(line + ";x" for line in SCANS[1:])])


def test_delimiter_behind_every_line_is_no_column(tmp_path):
    assert import_scans(tmp_path, [line + ";" for line in SCANS]).problems.empty


def test_a_field_too_many_on_every_row_shifts_nothing(tmp_path):
    intake = import_scans(tmp_path, [SCANS[0], *(line + ";x" for line in SCANS[1:])])
    codes = {row[4] for row in problem_rows(intake)}
    assert codes == {"extra_field"}
    assert intake.counts.set_index("source").loc["scans", "refused"] == len(SCANS) - 1


def test_column_the_mapping_does_not_account_for(tmp_path):
    scans = [SCANS[0] + ";Notiz", *(line + ";x" for line in SCANS[1:])]
    with pytest.raises(MappingError, match="'Notiz'"):
        import_scans(tmp_path, scans)


def test_column_the_file_lacks(tmp_path):
    with pytest.raises(SourceError, match=r"'Last'.*did you mean 'Lasst'"):
        import_scans(tmp_path, [SCANS[0].replace("Last", "Lasst"), *SCANS[1:]])


def test_dates_in_mixed_order_are_pointed_out(tmp_path):
    mapping = MAPPING.replace("%d.%m.%Y", "%m/%d/%Y")
    people = [line.replace(".03.2021", "/2021").replace(";0", ";03/0").replace(";21/", ";03/21/")
              for line in PEOPLE]  # fmt: skip
    scans = [
        SCANS[0],
        SCANS[1].replace("05.03.2021", "03/25/2021"),
        SCANS[4].replace("14.03.2021", "25/03/2021"),
        SCANS[5].replace("25.03.2021", "04/05/2021"),
    ]
    intake = import_clinic(write_clinic(tmp_path, people=people, scans=scans, mapping=mapping))
    assert ("scans.csv", 3, "Datum", "25/03/2021", "date_not_in_format") in problem_rows(intake)
    doubt = [row for row in problem_rows(intake, "warning") if row[4] == "date_order_doubtful"]
    assert doubt == [("scans.csv", 3, "Datum", "25/03/2021", "date_order_doubtful")]
    reason = intake.problems.loc[intake.problems["code"] == "date_order_doubtful", "reason"].item()
    assert "lines 4" in reason


def test_whole_clinic_in_cm_is_refused(tmp_path):
    mapping = MAPPING.replace(', unit = "cm"', "")
    intake = import_clinic(write_clinic(tmp_path, mapping=mapping))
    found = [row for row in problem_rows(intake) if row[4] == "clinic_gap_not_in_cm"]
    assert ("scans.csv", 2, "Last", "0,21", "clinic_gap_not_in_cm") in found
    assert intake.tables["readings"].empty


def test_whole_clinic_in_mm_under_a_unit_of_cm_is_refused(tmp_path):
    gaps = ["1,0;2,1", "1,1;2,0", "0,9;1,7", "1,2;1,1", "1,0;1,1", "0,8;1,6"]
    rows = [";".join(row.split(";")[:-2]) for row in SCANS[1:]]
    scans = [SCANS[0], *(f"{row};{gap}" for row, gap in zip(rows, gaps, strict=True))]
    intake = import_scans(tmp_path, scans)
    found = problem_rows(intake)
    # by hand: 2,1 cm are 21 mm, above the range; 1,0 cm are 10 mm, within it
    assert ("scans.csv", 2, "Last", "2,1", "above_maximum") in found
    assert ("scans.csv", 6, "Ruhe", "1,0", "clinic_gap_not_tenfold") in found
    assert ("scans.csv", 6, "Last", "1,1", "clinic_gap_not_tenfold") in found
    assert intake.tables["readings"].empty


def test_same_line_twice(tmp_path):
    intake = import_scans(tmp_path, [*SCANS, SCANS[1]])
    assert problem_rows(intake) == [("scans.csv", LINE, "", SCANS[1], "duplicate_record")]
    assert "line 2 of scans.csv" in intake.problems["reason"][0]


def test_same_patient_twice_says_the_same(tmp_path):
    people = [*PEOPLE, PEOPLE[1] + "ein anderes Wort"]
    intake = import_clinic(write_clinic(tmp_path, people=people))
    assert problem_rows(intake) == [("people.csv", 5, "PatNr", "1", "duplicate_record")]


def test_same_key_with_other_content_refuses_all(tmp_path):
    people = [*PEOPLE, PEOPLE[1].replace(";31;", ";13;")]
    intake = import_clinic(write_clinic(tmp_path, people=people))
    conflicts = [row for row in problem_rows(intake) if row[4] == "key_conflict"]
    assert [row[:4] for row in conflicts] == [
        ("people.csv", 2, "PatNr", "1"),
        ("people.csv", 5, "PatNr", "1"),
    ]
    fallen = [row for row in problem_rows(intake) if row[4] == "parent_refused"]
    assert [row[1] for row in fallen] == [2, 3, 4]
    reasons = intake.problems.loc[intake.problems["code"] == "parent_refused", "reason"]
    assert all("people.csv line 2" in reason for reason in reasons)


def test_rest_and_load_exchanged_is_remarked_on(tmp_path):
    intake = import_scans(tmp_path, [*SCANS, odd_row(Ruhe="0,21", Last="0,10")])
    found = [row for row in problem_rows(intake, "warning") if row[1] == LINE]
    assert ("scans.csv", LINE, "Last", "0,10", "loaded_gap_not_below_rest") in found
    assert intake.counts.set_index("source").loc["scans", "refused"] == 0


def test_unseen_gap_is_no_number_and_not_missing(tmp_path):
    intake = import_scans(tmp_path, [*SCANS, odd_row(Ruhe="n.d.")])
    row = intake.tables["readings"].set_index("reading_id").loc["r-s9-A2-R1"]
    assert bool(row["below_resolution"]) is True
    assert row.isna()["gap_mm"]


def set_cell(place: str, value: object):
    def change(sheet: Worksheet) -> None:
        sheet[place] = value
        if isinstance(value, int | float):
            sheet[place].number_format = "General"

    return change


SHEET_CELLS = {
    "error cell": ("J3", "#N/A", "Last", "#N/A", "excel_error"),
    "formula without a stored result": ("J3", "=I3*2", "Last", "=I3*2", "formula_no_value"),
    "pulley turned to a date": (
        "G3", dt.datetime(2023, 4, 2), "Band", "2023-04-02", "date_where_text_expected",
    ),
    "number turned to a date": (
        "J3", dt.datetime(2023, 1, 2), "Last", "2023-01-02", "date_where_text_expected",
    ),
    "number turned to a time": ("J3", dt.time(2, 10), "Last", "02:10:00", "date_where_text_expected"),
    "code that lost its last digits": (
        "A3", 12345678901234567890, "ScanNr", "12345678901234567000", "digits_lost",
    ),
    "date as a number": ("E3", 44260, "Datum", "44260", "date_as_serial_number"),
    "number as text with the other mark": ("J3", "0.21", "Last", "0.21", "wrong_decimal_mark"),
    "truth value": ("G3", True, "Band", "TRUE", "unknown_code"),
}  # fmt: skip


@pytest.mark.parametrize(
    ("place", "value", "column", "raw", "code"), SHEET_CELLS.values(), ids=SHEET_CELLS.keys()
)
def test_odd_sheet_cell_is_refused_alone(tmp_path, place, value, column, raw, code):
    intake = import_clinic(write_sheet(tmp_path, sheet_rows(), change=set_cell(place, value)))
    found = problem_rows(intake)
    assert [row[4] for row in found if row[1] == 3] == [code]
    file, line, at, shown, _ = next(row for row in found if row[4] == code)
    assert (file, line, at) == ("scans.xlsx", 3, column)
    assert shown[:15] == raw[:15]
    assert set(intake.problems["sheet"]) == {"Scans"}


def test_sheet_reads_as_the_csv_does(tmp_path):
    sheet = import_clinic(write_sheet(tmp_path / "x", sheet_rows()))
    plain = import_clinic(write_clinic(tmp_path / "c"))
    assert sheet.problems.empty
    for name, frame in plain.tables.items():
        assert frame.equals(sheet.tables[name])


def test_number_as_text_and_text_as_number_are_one(tmp_path):
    rows = sheet_rows()
    rows[1][9], rows[2][1] = " 0,21 ", 1
    intake = import_clinic(write_sheet(tmp_path, rows))
    assert intake.problems.empty
    # by hand: 0,21 cm
    assert intake.tables["readings"].set_index("reading_id").loc["l-s1-A2-R1", "gap_mm"] == 2.1


def test_hidden_row_is_refused_unless_accepted(tmp_path):
    def hide(sheet: Worksheet) -> None:
        sheet.row_dimensions[4].hidden = True

    intake = import_clinic(write_sheet(tmp_path / "a", sheet_rows(), change=hide))
    assert [(row[1], row[4]) for row in problem_rows(intake)] == [(4, "hidden_row")]
    accepted = write_sheet(
        tmp_path / "b", sheet_rows(), change=hide, options="accept_hidden = true\n"
    )
    assert import_clinic(accepted).problems.empty


def test_merged_cells_below_the_header_are_refused(tmp_path):
    intake = import_clinic(
        write_sheet(tmp_path, sheet_rows(), change=lambda s: s.merge_cells("H3:H4"))
    )
    merged = [(row[1], row[4]) for row in problem_rows(intake)]
    assert merged == [(3, "merged_cells"), (4, "merged_cells")]


def hide_sheet(sheet: Worksheet) -> None:
    sheet.parent.create_sheet("Other")
    sheet.sheet_state = "hidden"


def hide_column(sheet: Worksheet) -> None:
    sheet.column_dimensions["J"].hidden = True


def merge_header(sheet: Worksheet) -> None:
    sheet.merge_cells("I1:J1")


LAYOUT = {
    "hidden sheet": (hide_sheet, "the sheet is hidden"),
    "hidden column": (hide_column, "hidden columns J"),
    "merged header": (merge_header, "merged cells I1:J1"),
}


@pytest.mark.parametrize(("change", "found"), LAYOUT.values(), ids=LAYOUT.keys())
def test_hidden_and_merged_parts_stop_the_file(tmp_path, change, found):
    path = write_sheet(tmp_path, sheet_rows(), change=change)
    with pytest.raises(SourceError, match=found):
        import_clinic(path)


def test_hidden_parts_are_read_once_accepted(tmp_path):
    def hide(sheet: Worksheet) -> None:
        hide_sheet(sheet)
        hide_column(sheet)

    path = write_sheet(tmp_path, sheet_rows(), change=hide, options="accept_hidden = true\n")
    assert import_clinic(path).problems.empty


def test_accepted_merged_header_names_its_columns_by_number(tmp_path):
    rows = sheet_rows()
    rows[0][8], rows[0][9] = "Abstand", None
    path = write_sheet(tmp_path, rows, change=merge_header, options="accept_merged_header = true\n")
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"Ruhe"', '"Abstand"').replace('"Last"', '"Abstand #2"'))
    assert import_clinic(path).problems.empty
