"""Files in memory, and faults of several files told at once."""

from __future__ import annotations

import json

import pytest

from cohortkit.cohort.mapping import read_mapping
from cohortkit.cohort.source_files import read_sources
from cohortkit.errors import MappingError, SourceError
from tests.cohort.clinic_files import MAPPING, PEOPLE, SCANS, sheet_rows, write_clinic, write_sheet


def sources(path):
    return {source.spec.name: source for source in read_sources(read_mapping(path))}


def test_a_column_is_its_distinct_cells_and_where_they_stand(tmp_path):
    scans = sources(write_clinic(tmp_path))["scans"]
    coded = scans.column("Band")
    assert coded.texts == ["A2", "A4"]
    assert [coded.texts[c] for c in coded.codes] == [line.split(";")[6] for line in SCANS[1:]]
    assert scans.lines.tolist() == [2, 3, 4, 5, 6, 7]
    assert scans.cell(3, "Arzt") == "R1"


def test_kinds_of_sheet_cells_stay_with_their_text(tmp_path):
    scans = sources(write_sheet(tmp_path, sheet_rows()))["scans"]
    dates = scans.column("Datum")
    assert set(dates.kinds) == {"date"}
    assert dates.texts[0] == "2021-03-05"
    assert set(scans.column("Band").kinds) == {""}


def test_raw_cells_are_kept_by_name(tmp_path):
    scans = [SCANS[0], SCANS[1] + ";mehr", *SCANS[2:]]
    held = sources(write_clinic(tmp_path, scans=scans))["scans"]
    first = json.loads(held.cells_json()[0])
    assert first["Ruhe"] == "0,10"
    assert first["(surplus 1)"] == "mehr"


def test_faults_of_all_files_come_at_once(tmp_path):
    path = write_clinic(
        tmp_path,
        people=[PEOPLE[0].replace("Alter", "Jahre"), *PEOPLE[1:]],
        scans=[SCANS[0].replace("Ruhe", "Last"), *SCANS[1:]],
    )
    with pytest.raises(SourceError, match="2 files cannot be read") as caught:
        sources(path)
    assert "'Alter'" in str(caught.value)
    assert "'Last' in columns 9, 10" in str(caught.value)


def test_a_column_both_used_and_ignored(tmp_path):
    mapping = MAPPING.replace('ignore = ["Bemerkung"]', 'ignore = ["Bemerkung", "Alter"]')
    with pytest.raises(MappingError, match="both used and ignored"):
        sources(write_clinic(tmp_path, mapping=mapping))


def test_absent_file(tmp_path):
    path = write_clinic(tmp_path)
    (tmp_path / "scans.csv").unlink()
    with pytest.raises(SourceError, match="there is no such file") as caught:
        sources(path)
    assert caught.value.where == f"site S01, mapping file '{path}', file 'scans.csv'"


def test_a_header_that_the_declared_encoding_cannot_read_is_placed(tmp_path):
    mapping = MAPPING.replace('encoding = "cp1252"', 'encoding = "utf-8"', 1)
    path = write_clinic(tmp_path, mapping=mapping)
    with pytest.raises(SourceError, match="not text in the declared encoding 'utf-8'") as caught:
        sources(path)
    error = caught.value
    # by hand: "PatNr;Geschlecht;Alter;Gr" are 25 characters before the first letter with a mark
    assert error.where.endswith("file 'people.csv', line 1 (the header), character 26")
    assert "byte 0xF6" in error.found
    assert "'encoding' under [sources.people]" in error.next_step
    assert "'cohortkit draft-mapping people.csv' shows a guess" in error.next_step


def test_two_bytes_a_letter_read_as_one_is_an_encoding(tmp_path):
    path = write_clinic(tmp_path, encoding="utf-16")
    with pytest.raises(SourceError, match="'encoding' under") as caught:
        sources(path)
    assert "byte 0x00" in str(caught.value)


def test_letters_that_came_out_wrong_point_to_the_encoding(tmp_path):
    path = write_clinic(tmp_path, encoding="utf-8")
    with pytest.raises(SourceError, match="if letters look wrong, change 'encoding'") as caught:
        sources(path)
    assert "(now 'cp1252')" in caught.value.next_step


def test_a_column_that_is_plainly_absent_does_not(tmp_path):
    path = write_clinic(tmp_path, scans=[SCANS[0].replace("Arzt", "Reader"), *SCANS[1:]])
    with pytest.raises(SourceError, match="'Arzt'") as caught:
        sources(path)
    assert "encoding" not in caught.value.next_step


@pytest.mark.parametrize(
    ("data", "found", "step"),
    [
        (b"\x89PNG\r\n", "a picture", "export the table"),
        (b"", "", "export it again"),
        (b" \n", "", "export it again"),
    ],
)
def test_a_file_that_is_no_text_is_called_what_it_is(tmp_path, data, found, step):
    path = write_clinic(tmp_path)
    (tmp_path / "scans.csv").write_bytes(data)
    with pytest.raises(SourceError) as caught:
        sources(path)
    assert found in caught.value.found
    assert step in caught.value.next_step
    assert "file 'scans.csv'" in caught.value.where


def test_a_workbook_declared_as_csv(tmp_path):
    write_sheet(tmp_path, sheet_rows())
    path = write_clinic(tmp_path)
    (tmp_path / "scans.xlsx").rename(tmp_path / "scans.csv")
    with pytest.raises(SourceError, match="a workbook") as caught:
        sources(path)
    assert "set format = \"xlsx\" and 'sheet' under [sources.scans]" in caught.value.next_step


def test_text_declared_as_a_workbook(tmp_path):
    path = write_sheet(tmp_path, sheet_rows())
    (tmp_path / "scans.xlsx").write_text("a;b\n1;2\n", encoding="utf-8")
    with pytest.raises(SourceError, match="declared format 'xlsx'") as caught:
        sources(path)
    assert 'format = "csv"' in caught.value.next_step


def test_unused_columns_are_placed_in_the_mapping(tmp_path):
    path = write_clinic(tmp_path, mapping=MAPPING.replace('ignore = ["Bemerkung"]', "ignore = []"))
    with pytest.raises(MappingError, match="neither used nor ignored") as caught:
        sources(path)
    line = MAPPING[: MAPPING.index("[sources.people]")].count("\n") + 1
    assert f"mapping file '{path}', line {line}, [sources.people]" in caught.value.where
