"""The import as a whole: accounts that add up, all problems in one pass, whole records."""

from __future__ import annotations

import json

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


def test_clean_clinic_is_accepted_as_it_is(tmp_path):
    intake = import_clinic(write_clinic(tmp_path))
    assert intake.problems.empty
    assert intake.counts["read"].tolist() == [3, 6, 4]
    assert (intake.counts["read"] == intake.counts["accepted"]).all()
    readings = intake.tables["readings"].set_index("reading_id")
    # by hand: 0,17 cm; 5 March to 14 March are 9 days, enrolled on 7 March: day 7
    assert readings.loc["l-s1-A4-R1", "gap_mm"] == 1.7
    assert intake.tables["scans"].set_index("scan_id").loc["s2", "scan_day"] == 7
    assert list(intake.tables) == [
        "sites", "devices", "raters", "participants", "episodes", "scans", "readings", "tears",
        "treatments", "visits",
    ]  # fmt: skip


def test_all_problems_of_a_row_come_in_one_pass(tmp_path):
    row = odd_row(PatNr="", Seite="mitte", Datum="5.4.21", Band="02. Apr", Ruhe="abc", Last="21")
    found = {(r[2], r[4]) for r in problem_rows(import_scans(tmp_path, [*SCANS, row]))}
    assert found == {
        ("PatNr", "required_missing"),
        ("Seite", "unknown_code"),
        ("Datum", "date_not_in_format"),
        ("Band", "date_where_text_expected"),
        ("Ruhe", "not_a_number"),
        ("Last", "above_maximum"),
    }


def test_rules_are_judged_beside_cells_that_cannot_be_read(tmp_path):
    row = odd_row(Arzt="R 1", Last="0,0")
    codes = {r[4] for r in problem_rows(import_scans(tmp_path, [*SCANS, row])) if r[1] == LINE}
    assert codes == {"pattern", "gap_above_zero"}


def test_an_unreadable_cell_is_not_called_missing(tmp_path):
    found = problem_rows(import_scans(tmp_path, [*SCANS, odd_row(Last="abc")]))
    assert found == [("scans.csv", LINE, "Last", "abc", "not_a_number")]


def test_a_record_stands_or_falls_as_a_whole(tmp_path):
    intake = import_scans(tmp_path, [*SCANS, odd_row(Last="abc")])
    assert "s9" not in set(intake.tables["scans"]["scan_id"])
    assert not intake.tables["readings"]["scan_id"].eq("s9").any()


def test_rows_repeated_by_design_count_once_and_name_every_line(tmp_path):
    intake = import_clinic(write_clinic(tmp_path))
    assert intake.tables["scans"]["scan_id"].tolist() == ["s1", "s2", "s3"]
    held = intake.provenance
    lines = held.loc[(held["table"] == "scans") & (held["key"] == "s1"), "line"]
    assert lines.tolist() == [2, 3, 4]


def test_repeated_row_survives_while_one_record_carries_it(tmp_path):
    scans = [*SCANS, SCANS[1].replace("R1;0,10;0,21", "R2;0,10;abc").replace("A2", "A3")]
    intake = import_scans(tmp_path, scans)
    assert "s1" in set(intake.tables["scans"]["scan_id"])
    lines = intake.provenance[intake.provenance["key"] == "s1"]["line"]
    assert LINE not in lines.tolist()


def test_children_of_a_refused_parent_fall_with_its_place(tmp_path):
    people = [*PEOPLE[:2], PEOPLE[2].replace(";24;", ";240;"), PEOPLE[3]]
    intake = import_clinic(write_clinic(tmp_path, people=people))
    assert problem_rows(intake) == [
        ("people.csv", 3, "Alter", "240", "above_maximum"),
        ("scans.csv", 5, "PatNr", "2", "parent_refused"),
    ]
    assert "people.csv line 3" in intake.problems["reason"][1]


def test_cascade_goes_on_to_grandchildren(tmp_path):
    mapping = MAPPING.replace('country = "AT"', 'country = "Austria"')
    intake = import_clinic(write_clinic(tmp_path, mapping=mapping))
    assert all(frame.empty for frame in intake.tables.values())
    codes = intake.problems.groupby("source")["code"].unique().map(sorted).to_dict()
    assert codes["people"] == ["parent_refused"]
    assert codes["scans"] == ["parent_refused"]
    assert ("mapping.toml", 4, "country", "Austria", "country_pattern") in problem_rows(intake)


def test_record_of_another_site_is_refused(tmp_path):
    mapping = (
        MAPPING.replace(
            "[[rows.devices]]",
            '[[rows.sites]]\nsite_id = "S02"\ncountry = "AT"\nsetting = "training_centre"\n\n[[rows.devices]]',
        )
        .replace('site_id = { value = "S01" }', 'site_id = { from = "Bemerkung" }')
        .replace('ignore = ["Bemerkung"]\n', "")
    )
    people = [PEOPLE[0], *(f"{line.rpartition(';')[0]};S0{1 + (n == 1)}" for n, line in enumerate(
        ["1;w;31;1,70;05.03.2021;", "2;m;24;1,82;07.03.2021;", "3;w;45;k.A.;21.03.2021;"]))]  # fmt: skip
    intake = import_clinic(write_clinic(tmp_path, mapping=mapping, people=people))
    assert ("people.csv", 3, "Bemerkung", "S02", "other_site") in problem_rows(intake)


ONLY = 'source = "people"\nonly_when = { column = "Bemerkung", equals = ["x"] }\n[tables'


def test_record_that_no_block_takes_is_refused_unless_ignored(tmp_path):
    mapping = MAPPING.replace('source = "people"\n[tables', ONLY).replace(
        'ignore = ["Bemerkung"]\n', ""
    )
    people = [PEOPLE[0], *(f"{line};x" for line in ("1;w;31;1,70;05.03.2021", "2;m;24;1,82;07.03.2021")),
              "3;w;45;k.A.;21.03.2021;alt"]  # fmt: skip
    intake = import_clinic(write_clinic(tmp_path / "a", mapping=mapping, people=people))
    assert ("people.csv", 4, "Bemerkung", "alt", "no_block_applies") in problem_rows(intake)
    leave = 'decimal = ","\nignore_when = { column = "Bemerkung", equals = ["alt"] }\nmissing = ["", "k.A."]'
    mapping = mapping.replace('decimal = ","\nmissing = ["", "k.A."]', leave)
    intake = import_clinic(write_clinic(tmp_path / "b", mapping=mapping, people=people))
    counts = intake.counts.set_index("source").loc["people"]
    assert (counts["accepted"], counts["refused"], counts["blank"]) == (2, 0, 1)


def test_record_of_which_every_block_is_blank_counts_as_blank(tmp_path):
    start = MAPPING.index('[[tables]]\ntable = "scans"')
    readings = MAPPING.index('[[tables]]\ntable = "readings"')
    block = MAPPING[start:readings].replace(
        "repeats = true", 'repeats = true\nblank_when = ["Ruhe"]'
    )
    mapping = MAPPING[:start] + block + MAPPING[readings:]
    intake = import_clinic(
        write_clinic(tmp_path, mapping=mapping, scans=[*SCANS, odd_row(Ruhe="-", Last="-")])
    )
    assert intake.problems.empty
    assert intake.records.set_index(["source", "line"]).loc[("scans", LINE), "status"] == "blank"


def test_warnings_do_not_refuse(tmp_path):
    intake = import_scans(tmp_path, [*SCANS, odd_row(Ruhe="0,80", Last="0,90")])
    warned = {row[4] for row in problem_rows(intake, "warning")}
    assert "gap_at_most_8_mm" in warned
    assert intake.counts["refused"].sum() == 0


def test_same_files_give_the_same_intake(tmp_path):
    first = import_clinic(write_clinic(tmp_path / "a", scans=[*SCANS, odd_row(Last="x")]))
    second = import_clinic(write_clinic(tmp_path / "b", scans=[*SCANS, odd_row(Last="x")]))
    for name in ("provenance", "problems", "records", "counts"):
        assert getattr(first, name).equals(getattr(second, name))
    assert all(first.tables[name].equals(second.tables[name]) for name in first.tables)


def test_every_record_is_kept_as_it_came(tmp_path):
    row = odd_row(Last=" 0.21 ")
    intake = import_scans(tmp_path, [*SCANS, row, "", "a;b"])
    held = intake.records[intake.records["source"] == "scans"].set_index("line")
    assert list(json.loads(held.loc[LINE, "cells"]).values()) == row.split(";")
    assert held["status"].tolist() == ["accepted"] * 6 + ["refused", "blank", "refused"]
    assert held.index.is_unique


def test_no_cap_on_problems(tmp_path):
    bad = [odd_row(ScanNr=f"t{n}", Ruhe="x", Last="y") for n in range(3_000)]
    intake = import_scans(tmp_path, [*SCANS, *bad])
    # by hand: two odd cells on each of 3,000 lines
    assert len(problem_rows(intake)) == 6_000


@pytest.mark.parametrize(
    "scans", [SCANS[:1], [*SCANS[:1], "", ""]], ids=["header only", "blank lines"]
)
def test_source_without_records(tmp_path, scans):
    intake = import_scans(tmp_path, scans)
    assert intake.tables["scans"].empty
    assert intake.problems.empty
