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
    with pytest.raises(SourceError, match=r"scans\.csv"):
        sources(path)
