"""Day 0 is known, or the reason why it is not is told."""

from __future__ import annotations

from cohortkit.cohort.validation import import_clinic
from tests.cohort.clinic_files import MAPPING, PEOPLE, SCANS, problem_rows, write_clinic


def codes_by_line(intake, file: str) -> dict[int, set[str]]:
    found: dict[int, set[str]] = {}
    for name, line, _, _, code in problem_rows(intake):
        if name == file:
            found.setdefault(line, set()).add(code)
    return found


def test_bad_enrolment_date_is_named_where_it_stands_and_where_it_is_needed(tmp_path):
    people = [*PEOPLE[:2], PEOPLE[2].replace("07.03.2021", "07/03/2021"), PEOPLE[3]]
    intake = import_clinic(write_clinic(tmp_path, people=people))
    assert codes_by_line(intake, "people.csv") == {3: {"date_not_in_format"}}
    assert codes_by_line(intake, "scans.csv") == {5: {"enrolment_date_bad", "parent_refused"}}
    reason = intake.problems.loc[intake.problems["code"] == "enrolment_date_bad", "reason"].item()
    assert "line 3 of source 'people'" in reason


def test_missing_enrolment_date_refuses_only_what_needs_it(tmp_path):
    people = [*PEOPLE[:2], PEOPLE[2].replace("07.03.2021", ""), PEOPLE[3]]
    intake = import_clinic(write_clinic(tmp_path, people=people))
    assert codes_by_line(intake, "people.csv") == {}
    assert codes_by_line(intake, "scans.csv") == {5: {"no_enrolment_date"}}


def flat(second_date: str) -> tuple[str, list[str]]:
    """A mapping whose enrolment date stands in every line of the scans."""
    mapping = MAPPING.replace('source = "people"\nparticipant', 'source = "scans"\nparticipant')
    mapping = mapping.replace('date = "Einschluss"', 'date = "Beginn"')
    mapping = mapping.replace('ignore = ["Bemerkung"]', 'ignore = ["Bemerkung", "Einschluss"]')
    dates = {"1": "05.03.2021", "2": "07.03.2021", "3": "21.03.2021"}
    lines = [f"{line};{dates[line.split(';')[1]]}" for line in SCANS[1:]]
    lines[1] = lines[1].rpartition(";")[0] + ";" + second_date
    return mapping, [SCANS[0] + ";Beginn", *lines]


def test_repeated_enrolment_dates_may_agree(tmp_path):
    mapping, scans = flat("05.03.2021")
    intake = import_clinic(write_clinic(tmp_path, mapping=mapping, scans=scans))
    assert intake.problems.empty


def test_enrolment_dates_that_disagree_are_all_named(tmp_path):
    mapping, scans = flat("06.03.2021")
    intake = import_clinic(write_clinic(tmp_path, mapping=mapping, scans=scans))
    assert codes_by_line(intake, "scans.csv") == {n: {"enrolment_conflict"} for n in (2, 3, 4)}
    assert intake.problems["reason"].str.contains("lines 2, 3 of source 'scans'").all()
