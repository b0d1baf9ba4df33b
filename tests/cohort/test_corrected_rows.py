"""A row made from a corrected record carries a mark into the release."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import pandas as pd
import pytest

from cohortkit.cohort.identity import IdCoding
from cohortkit.cohort.intake import no_corrections
from cohortkit.cohort.intake_folder import read_corrections, read_intake, write_intake
from cohortkit.cohort.manifest import MANIFEST
from cohortkit.cohort.pooling import pool
from cohortkit.cohort.refused import write_refused
from cohortkit.cohort.release import freeze, verify
from cohortkit.cohort.validation import import_clinic
from cohortkit.report.record_tables import record_tables
from tests.cohort.clinic_files import SCANS, write_clinic
from tests.cohort.clinics import small
from tests.cohort.test_corrections import ALL, BAD, correct, to_correct
from tests.cohort.test_traps import LINE

FIXED = {
    ("scans", LINE),
    ("scans", LINE + 1),
    ("scans", LINE + 2),
}  # planted truth: ALL mends these


def frozen(tmp_path, *intakes):
    ids = IdCoding.open("hmac", tmp_path / "secret" / "key")
    return freeze(pool(intakes), tmp_path / "release", ids=ids)


@pytest.fixture
def imported(tmp_path):
    """The clinic as it lies in the pool folder, its three bad records mended."""
    (tmp_path / "secret").mkdir()
    path = write_clinic(tmp_path / "clinic", scans=BAD)
    write_refused(import_clinic(path), tmp_path / "refused")
    correct(to_correct(tmp_path), tmp_path / "corrected" / "S01__scans__x.csv", ALL)
    write_intake(import_clinic(path, tmp_path / "corrected"), tmp_path / "pool" / "S01")
    return path


def marked(provenance: pd.DataFrame) -> set[tuple[str, int]]:
    held = provenance[provenance["corrected"]]
    return {(str(s), int(n)) for s, n in zip(held["source"], held["line"], strict=True)}


def test_corrected_records_are_marked_from_the_import_to_the_release(tmp_path, imported):
    release = frozen(tmp_path, read_intake(tmp_path / "pool" / "S01"))
    provenance = release.provenance
    assert str(provenance["corrected"].dtype) == "boolean"
    assert marked(provenance) == FIXED
    text = (release.path / "provenance.csv").read_text(encoding="utf-8")
    written = [r for r in csv.DictReader(io.StringIO(text)) if r["corrected"] == "true"]
    assert {(r["source"], int(r["line"])) for r in written} == FIXED
    manifest = json.loads((release.path / MANIFEST).read_text(encoding="utf-8"))
    assert manifest["corrected_records"] == {"S01": 3}  # by hand: len(FIXED)
    assert verify(release.path).ok


def test_the_mark_stays_when_the_same_file_is_imported_again(tmp_path, imported):
    again = import_clinic(imported, kept=read_corrections(tmp_path / "pool" / "S01"))
    assert marked(frozen(tmp_path, again).provenance) == FIXED


def test_corrections_that_wait_mark_nothing(tmp_path, imported):
    write_clinic(tmp_path / "clinic", scans=SCANS)
    waiting = import_clinic(imported, kept=read_corrections(tmp_path / "pool" / "S01"))
    assert waiting.corrections["state"].tolist() == ["not_applied"] * 3  # by hand: len(FIXED)
    release = frozen(tmp_path, waiting)
    assert marked(release.provenance) == set()
    assert release.manifest["corrected_records"] == {"S01": 0}


def test_a_mark_changes_no_table_and_stays_at_its_site(tmp_path):
    line = {"source": "scans", "file": "scans.csv", "file_sha256": "0" * 64, "line": 2}
    told = {**dict.fromkeys(no_corrections().columns, ""), **line, "state": "applied"}
    fixed = pd.DataFrame([told, told]).astype(no_corrections().dtypes.to_dict())
    plain, other = small("S01"), small("S02")
    ids = IdCoding.open("hmac", tmp_path / "key")
    before = freeze(pool([plain, other]), tmp_path / "before", ids=ids)
    after = freeze(pool([replace(plain, corrections=fixed), other]), tmp_path / "after", ids=ids)
    assert before.release_hash == after.release_hash
    held = after.provenance[after.provenance["corrected"]]
    assert held[["table", "site_id", "line"]].to_numpy().tolist() == [["scans", "S01", 2]]
    assert after.manifest["corrected_records"] == {"S01": 1, "S02": 0}


def test_the_report_has_a_column_of_corrected_records_only_where_there_are_any(tmp_path, imported):
    plain = tmp_path / "plain"
    plain.mkdir()
    ids = IdCoding.open("hmac", plain / "key")
    without = freeze(pool([small("S01")]), plain / "release", ids=ids)
    assert "of which corrected" not in record_tables(without)[0].headings
    table = record_tables(frozen(tmp_path, read_intake(tmp_path / "pool" / "S01")))[0]
    at = list(table.headings).index("of which corrected")
    assert table.headings[at - 1] == "accepted"
    assert [row[at] for row in table.rows] == ["3", "3"]  # by hand: len(FIXED), one site
