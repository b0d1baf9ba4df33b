"""Records fall with their parents until nothing changes, and rules see only what stands."""

from __future__ import annotations

from cohortkit.cohort.validation import import_clinic
from tests.cohort.clinic_files import MAPPING, PEOPLE, SCANS, problem_rows, write_clinic

EPISODES = (
    '[[tables]]\ntable = "episodes"\nsource = "injuries"\n[tables.columns]\n'
    'episode_id = { from = "Nr" }\nparticipant_id = { from = "PatNr", prefix = "P" }\n'
    'side = { value = "right" }\ndigit = { value = "middle" }\n'
    'onset_day = { from = "Datum", date_format = "%d.%m.%Y", participant = "PatNr" }\n'
    '[[tables]]\ntable = "tears"\nsource = "findings"\n[tables.columns]\n'
    'episode_id = { from = "Nr" }\npulley = { from = "Band" }\nstatus = { from = "Status" }\n'
    'basis = { value = "mri" }\n'
)
SOURCES = "".join(
    f'[sources.{name}]\nfile = "{name}.csv"\nformat = "csv"\nencoding = "ascii"\ndelimiter = ";"\n\n'
    for name in ("findings", "injuries")
)


def clinic(folder, injuries: str, findings: str, people=PEOPLE):
    mapping = MAPPING.replace("[enrolment]", SOURCES + "[enrolment]") + EPISODES
    path = write_clinic(folder, mapping=mapping, people=people)
    (folder / "injuries.csv").write_text("Nr;PatNr;Datum\n" + injuries)
    (folder / "findings.csv").write_text("Nr;Band;Status\n" + findings)
    return import_clinic(path)


def refusals(intake) -> list[tuple[str, int, str]]:
    return [(file, line, code) for file, line, _, _, code in problem_rows(intake)]


def test_children_stand_before_their_parents_in_the_mapping_and_still_fall(tmp_path):
    intake = clinic(tmp_path, "e1;9;01.02.2021\n", "e1;A2;complete\n")
    assert refusals(intake) == [
        ("findings.csv", 2, "parent_refused"),
        ("injuries.csv", 2, "no_enrolment_date"),
        ("injuries.csv", 2, "parent_missing"),
    ]


def test_fall_goes_from_people_to_findings(tmp_path):
    people = [PEOPLE[0], PEOPLE[1].replace(";31;", ";310;"), *PEOPLE[2:]]
    intake = clinic(tmp_path, "e1;1;01.02.2021\n", "e1;A2;complete\ne1;A4;none\n", people)
    assert ("findings.csv", 3, "parent_refused") in refusals(intake)
    told = intake.problems[intake.problems["file"] == "findings.csv"]
    assert told["reason"].str.contains("episode_id 'e1' was refused in injuries.csv line 2").all()
    assert intake.tables["tears"].empty


def test_every_orphan_is_told_even_if_its_record_has_other_faults(tmp_path):
    intake = clinic(tmp_path, "e1;1;01.02.2021\n", "e9;A2;torn\n")
    assert refusals(intake) == [
        ("findings.csv", 2, "parent_missing"),
        ("findings.csv", 2, "unknown_code"),
    ]


def test_rule_between_tables_names_cells_of_the_file(tmp_path):
    intake = clinic(tmp_path, "e1;1;01.02.2021\n", "e1;A2;complete\ne1;A4;none\n")
    assert refusals(intake) == []
    warned = problem_rows(intake, "warning")
    assert ("scans.csv", 2, "injured_finger_names_its_episode") in [
        (r[0], r[1], r[4]) for r in warned
    ]


def test_nothing_that_hangs_on_a_refused_row_is_left(tmp_path):
    people = [PEOPLE[0], PEOPLE[1].replace(";31;", ";310;"), *PEOPLE[2:]]
    intake = clinic(
        tmp_path, "e1;1;01.02.2021\ne2;2;01.02.2021\n", "e1;A2;complete\ne2;A2;none\n", people
    )
    tables = intake.tables
    assert set(tables["scans"]["participant_id"]) <= set(tables["participants"]["participant_id"])
    assert set(tables["readings"]["scan_id"]) <= set(tables["scans"]["scan_id"])
    assert tables["tears"]["episode_id"].tolist() == ["e2"]
    assert intake.counts.set_index("source")["read"].loc["scans"] == len(SCANS) - 1
