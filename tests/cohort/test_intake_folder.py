"""An intake on disk: whole, unchanged when nothing changed, and checked when read."""

from __future__ import annotations

import shutil

import pytest

from cohortkit.cohort.intake_folder import MANIFEST, read_intake, write_intake
from cohortkit.cohort.validation import import_clinic
from cohortkit.errors import CohortkitError, IntegrityError
from cohortkit.tables.canonical import to_csv_bytes
from tests.cohort.clinic_files import MAPPING, SCANS, import_scans, write_clinic
from tests.cohort.faults import at_call, failing
from tests.cohort.test_traps import odd_row

DIRTY = [*SCANS, odd_row(Last="x"), odd_row(Arzt="\r\n"), odd_row() + ';"\x00', "", 'a"b']


@pytest.fixture
def intake(tmp_path):
    return import_scans(tmp_path / "clinic", DIRTY)


def states(folder):
    return {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.rglob("*") if p.is_file()}


def test_what_is_written_is_read_back(tmp_path, intake):
    assert write_intake(intake, tmp_path / "pool" / "S01") == "written"
    held = read_intake(tmp_path / "pool" / "S01")
    for name in ("provenance", "problems", "records", "counts"):
        assert getattr(held, name).equals(getattr(intake, name))
        assert (getattr(held, name).dtypes == getattr(intake, name).dtypes).all()
    for name, frame in intake.tables.items():
        assert to_csv_bytes(held.tables[name], name) == to_csv_bytes(frame, name)


def test_importing_again_changes_no_byte(tmp_path, intake):
    folder = tmp_path / "S01"
    write_intake(intake, folder)
    before = states(folder)
    again = import_clinic(tmp_path / "clinic" / "mapping.toml")
    assert write_intake(again, folder) == "unchanged"
    assert write_intake(read_intake(folder), folder) == "unchanged"
    assert states(folder) == before


def test_a_changed_clinic_replaces_its_intake(tmp_path, intake):
    write_intake(intake, tmp_path / "S01")
    clean = import_scans(tmp_path / "clean", SCANS)
    assert write_intake(clean, tmp_path / "S01") == "replaced"
    assert read_intake(tmp_path / "S01").problems.empty
    left = {p.name for p in tmp_path.iterdir()}
    assert left == {"clinic", "clean", "S01", ".cohortkit.lock"}


def test_only_an_intake_of_the_same_site_is_replaced(tmp_path, intake):
    (tmp_path / "S01").mkdir()
    (tmp_path / "S01" / "thesis.txt").write_text("years of work")
    with pytest.raises(CohortkitError, match="left as it is"):
        write_intake(intake, tmp_path / "S01")
    assert (tmp_path / "S01" / "thesis.txt").read_text() == "years of work"


@pytest.mark.parametrize("n", [1, 2, 3, 5, 8, 13, 21, 34, 55, 80, 90, 95, 100])
def test_a_failing_call_leaves_the_old_intake_or_the_new(tmp_path, intake, n):
    folder = tmp_path / "S01"
    write_intake(import_scans(tmp_path / "clean", SCANS), folder)
    old = read_intake(folder)
    try:
        with at_call(failing(n)):
            write_intake(intake, folder)
    except CohortkitError:
        pass
    held = read_intake(folder)
    assert any(held.records.equals(other.records) for other in (old, intake))


def bend(folder, name: str) -> None:
    data = bytearray((folder / name).read_bytes())
    data[len(data) // 2] ^= 1
    (folder / name).write_bytes(data)


@pytest.mark.parametrize("name", ["readings.csv", "problems.csv", "records.csv", "visits.csv"])
def test_a_changed_bit_is_found(tmp_path, intake, name):
    write_intake(intake, tmp_path / "S01")
    bend(tmp_path / "S01", name)
    with pytest.raises(IntegrityError, match=name.replace(".", r"\.")):
        read_intake(tmp_path / "S01")


def test_absent_added_and_cut_files_are_found(tmp_path, intake):
    write_intake(intake, tmp_path / "a")
    for name in ("b", "c", "d", "e"):
        shutil.copytree(tmp_path / "a", tmp_path / name)
    (tmp_path / "a" / "scans.csv").unlink()
    (tmp_path / "b" / "more.csv").write_text("x")
    cut = (tmp_path / "c" / "scans.csv").read_bytes()
    (tmp_path / "c" / "scans.csv").write_bytes(cut[: len(cut) // 2])
    (tmp_path / "d" / MANIFEST).write_text("{}")
    (tmp_path / "e" / MANIFEST).unlink()
    for name in "abcde":
        with pytest.raises(IntegrityError):
            read_intake(tmp_path / name)


def test_the_notice_of_the_mapping_is_kept(tmp_path):
    mapping = MAPPING.replace('site_id = "S01"', 'site_id = "S01"\nnotice = " Invented. "', 1)
    intake = import_clinic(write_clinic(tmp_path / "clinic", mapping=mapping))
    write_intake(intake, tmp_path / "pool")
    assert read_intake(tmp_path / "pool").notice == intake.notice == "Invented."
