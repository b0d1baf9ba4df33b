"""Refused records as files for people, and the way back."""

from __future__ import annotations

import csv
import json

import pytest

from cohortkit.cohort.refused import write_refused
from cohortkit.cohort.validation import import_clinic
from tests.cohort.clinic_files import MAPPING, PEOPLE, SCANS, import_scans, write_clinic
from tests.cohort.test_traps import LINE, odd_row


def rows(path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream, strict=True))


def test_every_problem_and_every_refused_record_is_written(tmp_path):
    intake = import_scans(tmp_path, [*SCANS, odd_row(Last="x", Ruhe="y"), odd_row() + ";zu viel"])
    written = write_refused(intake, tmp_path / "refused")
    assert [p.name for p in written] == ["S01_problems.csv", "S01__scans__to_correct.csv"]
    problems = rows(written[0])
    assert [(p["line"], p["column"], p["code"]) for p in problems] == [
        (str(LINE), "Last", "not_a_number"),
        (str(LINE), "Ruhe", "not_a_number"),
        (str(LINE + 1), "", "extra_field"),
    ]
    first, second = rows(written[1])
    assert list(first) == [
        *SCANS[0].split(";"), "cohortkit_surplus", "cohortkit_line", "cohortkit_problems",
        "cohortkit_file",
    ]  # fmt: skip
    assert (first["Last"], first["Ruhe"], first["cohortkit_line"]) == ("x", "y", str(LINE))
    assert "Last: " in first["cohortkit_problems"]
    assert "Ruhe: " in first["cohortkit_problems"]
    assert "zu viel" in second["cohortkit_problems"]


def test_no_cell_is_a_live_formula(tmp_path):
    live = ["=1+1", "+1", "-1", "@x", "\tx"]
    scans = [*SCANS, *(odd_row(ScanNr=f"t{n}", Arzt=text) for n, text in enumerate(live))]
    written = write_refused(import_scans(tmp_path, scans), tmp_path / "refused")
    for path in written:
        for row in rows(path):
            assert not any(
                str(cell).startswith(("=", "+", "-", "@", "\t", "\r")) for cell in row.values()
            )
    assert [row["Arzt"] for row in rows(written[1])] == [f"'{text}" for text in live]


def test_old_list_goes_when_nothing_is_refused_any_more(tmp_path):
    write_refused(import_scans(tmp_path / "a", [*SCANS, odd_row(Last="x")]), tmp_path / "refused")
    written = write_refused(import_scans(tmp_path / "b", SCANS), tmp_path / "refused")
    assert [p.name for p in written] == ["S01_problems.csv"]
    assert sorted(p.name for p in (tmp_path / "refused").glob("S01*")) == ["S01_problems.csv"]


def test_typed_rows_are_corrected_in_the_mapping_itself(tmp_path):
    mapping = MAPPING.replace('country = "AT"', 'country = "at"')
    written = write_refused(import_clinic(write_clinic(tmp_path, mapping=mapping)), tmp_path / "r")
    assert not any("__mapping__" in path.name for path in written)
    assert ("mapping.toml", "at") in {(p["file"], p["raw_value"]) for p in rows(written[0])}


def test_same_intake_gives_the_same_bytes(tmp_path):
    intake = import_scans(tmp_path, [*SCANS, odd_row(Last="x")])
    first = [p.read_bytes() for p in write_refused(intake, tmp_path / "r")]
    assert [p.read_bytes() for p in write_refused(intake, tmp_path / "r")] == first


@pytest.mark.parametrize("cell", ["größe", "日本", "a\nb", 'a"b', "a\rb", "a,b;c"])
def test_cells_of_all_kinds_come_back(tmp_path, cell):
    mapping = MAPPING.replace('encoding = "cp1252"', 'encoding = "utf-8"')
    quoted = '"' + cell.replace('"', '""') + '"'
    people = [*PEOPLE, f"4;w;abc;1,70;01.03.2021;{quoted}"]
    intake = import_clinic(write_clinic(tmp_path, people=people, mapping=mapping, encoding="utf-8"))
    written = write_refused(intake, tmp_path / "refused")
    assert rows(written[1])[0]["Bemerkung"] == cell
    assert json.loads(intake.records["cells"][3])["Bemerkung"] == cell
