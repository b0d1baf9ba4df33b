"""Rows against one another by key."""

from __future__ import annotations

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


def test_a_repeat_that_disagrees_refuses_every_line_of_its_key(tmp_path):
    intake = import_scans(tmp_path, [*SCANS, SCANS[1].replace("A2", "A3").replace("ja", "nein")])
    conflicts = [row for row in problem_rows(intake) if row[4] == "key_conflict"]
    assert [row[1] for row in conflicts] == [2, 3, 4, LINE]
    reason = intake.problems["reason"].iloc[0]
    assert "scan_id 's1'" in reason
    assert "scans.csv line 3, scans.csv line 4, scans.csv line 8" in reason


def test_a_repeat_with_an_unreadable_cell_does_not_condemn_the_others(tmp_path):
    odd = SCANS[1].replace("A2;R1", "A4;R2").replace("ja", "vielleicht")
    found = problem_rows(import_scans(tmp_path, [*SCANS, odd]))
    assert found == [("scans.csv", LINE, "warm", "vielleicht", "unknown_code")]


def test_two_rows_of_one_record_with_one_key_are_a_conflict(tmp_path):
    mapping = MAPPING.replace('prefix = "l-"', 'prefix = "r-"')
    intake = import_clinic(write_clinic(tmp_path, mapping=mapping, scans=[SCANS[0], SCANS[1]]))
    assert {row[4] for row in problem_rows(intake)} == {"key_conflict"}
    assert "scans.csv line 2 itself" in intake.problems["reason"].iloc[0]


def test_same_key_in_two_sources_names_both_files(tmp_path):
    more = '[sources.more]\nfile = "more.csv"\nformat = "csv"\nencoding = "ascii"\ndelimiter = ","\n\n[enrolment]'
    block = (
        '[[tables]]\ntable = "participants"\nsource = "more"\n[tables.columns]\n'
        'participant_id = { from = "id" }\nsite_id = { value = "S01" }\nsex = { from = "sex" }\n'
    )
    path = write_clinic(tmp_path, mapping=MAPPING.replace("[enrolment]", more) + block)
    (tmp_path / "more.csv").write_text("id,sex\nP1,male\nP4,male\n")
    intake = import_clinic(path)
    conflicts = [row[:2] for row in problem_rows(intake) if row[4] == "key_conflict"]
    assert conflicts == [("people.csv", 2), ("more.csv", 2)]
    assert "P4" in set(intake.tables["participants"]["participant_id"])


def test_repeats_count_once_beside_the_table_they_repeat(tmp_path):
    mapping = MAPPING.replace(
        '[[tables]]\ntable = "scans"',
        '[[tables]]\ntable = "participants"\nsource = "scans"\nrepeats = true\n[tables.columns]\n'
        'participant_id = { from = "PatNr", prefix = "P" }\nsite_id = { value = "S01" }\n'
        'sex = { value = "female" }\n\n[[tables]]\ntable = "scans"',
    )
    people = [PEOPLE[0], "1;w;;;05.03.2021;", "2;w;;;07.03.2021;", "3;w;;;21.03.2021;"]
    intake = import_clinic(write_clinic(tmp_path, mapping=mapping, people=people))
    assert intake.problems.empty
    assert len(intake.tables["participants"]) == 3
    origin = intake.provenance
    mine = origin[(origin["table"] == "participants") & (origin["key"] == "P2")]
    assert mine["file"].tolist() == ["people.csv", "scans.csv"]


def test_exact_duplicate_of_a_refused_record_is_called_a_duplicate(tmp_path):
    found = problem_rows(import_scans(tmp_path, [*SCANS, odd_row(Last="x"), odd_row(Last="x")]))
    assert [(row[1], row[4]) for row in found] == [
        (LINE, "not_a_number"),
        (LINE + 1, "duplicate_record"),
    ]
