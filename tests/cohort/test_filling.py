"""Columns of the format from cells: joins, prefixes, constants, days."""

from __future__ import annotations

import pytest

from cohortkit.cohort.validation import import_clinic
from tests.cohort.clinic_files import (
    MAPPING,
    PEOPLE,
    SCANS,
    import_scans,
    problem_rows,
    write_clinic,
)
from tests.cohort.test_traps import LINE, odd_row


def test_joined_codes_and_constants(tmp_path):
    row = import_scans(tmp_path, SCANS).tables["readings"].iloc[0]
    assert (row["reading_id"], row["read_no"], row["load"]) == ("r-s1-A2-R1", 1, "rest")


def test_missing_part_of_a_joined_code_is_named(tmp_path):
    found = problem_rows(import_scans(tmp_path, [*SCANS, odd_row(Arzt="")]))
    assert ("scans.csv", LINE, "Arzt", "", "id_part_missing") in found
    assert ("scans.csv", LINE, "Arzt", "", "required_missing") in found


def test_part_that_does_not_fit_is_named_by_its_own_cell(tmp_path):
    mapping = MAPPING.replace('rater_id = { from = "Arzt" }', 'rater_id = { value = "R1" }')
    path = write_clinic(tmp_path, mapping=mapping, scans=[*SCANS[:2], odd_row(Arzt="R 1")])
    assert problem_rows(import_clinic(path)) == [("scans.csv", 3, "Arzt", "R 1", "pattern")]


def test_code_too_long_only_when_joined_names_all_cells(tmp_path):
    found = problem_rows(import_scans(tmp_path, [*SCANS, odd_row(ScanNr="s" * 60)]))
    assert {row[2] for row in found} == {"ScanNr, Band, Arzt"}


@pytest.mark.parametrize(
    ("date", "day"),
    # by hand: patient 2 was enrolled on 7 March 2021; 2020 was a leap year
    [("07.03.2021", 0), ("06.03.2021", -1), ("07.03.2022", 365), ("07.03.2020", -365), ("08.03.2021", 1)],
)  # fmt: skip
def test_days_count_from_enrolment(tmp_path, date, day):
    scans = import_scans(tmp_path, [*SCANS, odd_row(Datum=date)]).tables["scans"]
    assert scans.set_index("scan_id").loc["s9", "scan_day"] == day


def test_days_out_of_range(tmp_path):
    people = [*PEOPLE[:2], PEOPLE[2].replace("2021", "1900"), PEOPLE[3]]
    scans = [*SCANS, odd_row(Datum="01.01.2100")]
    found = problem_rows(import_clinic(write_clinic(tmp_path, people=people, scans=scans)))
    assert ("scans.csv", LINE, "Datum", "01.01.2100", "above_maximum") in found


def test_participant_is_judged_beside_a_date_that_cannot_be_read(tmp_path):
    found = problem_rows(import_scans(tmp_path, [*SCANS, odd_row(PatNr="77", Datum="x")]))
    assert {row[4] for row in found} == {
        "date_not_in_format",
        "no_enrolment_date",
        "parent_missing",
    }
