"""Corrected records take the place of their lines, once, with their history."""

from __future__ import annotations

import csv
import json
import shutil

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cohortkit.cohort.corrections import guarded, unguarded
from cohortkit.cohort.intake_folder import read_corrections, read_intake, write_intake
from cohortkit.cohort.refused import write_refused
from cohortkit.cohort.validation import import_clinic
from cohortkit.errors import IntegrityError, SourceError
from tests.cohort.clinic_files import MAPPING, SCANS, sheet_rows, write_clinic, write_sheet
from tests.cohort.test_traps import LINE, odd_row

BAD = [
    *SCANS,
    odd_row(Last="0.21"),
    odd_row(ScanNr="s10", Band="02. Apr"),
    odd_row(ScanNr="s11") + ";x",
]


def correct(source, target, changes: dict[int, dict[str, str]], **how) -> None:
    """Copy a to_correct file with some cells of some lines changed."""
    with source.open(encoding="utf-8", newline="") as stream:
        header, *lines = csv.reader(stream)
    at = header.index("cohortkit_line")
    lines = [line for line in lines if int(line[at]) in changes]
    for line in lines:
        for name, cell in changes[int(line[at])].items():
            line[header.index(name)] = cell
    target.parent.mkdir(exist_ok=True)
    with target.open("w", encoding=how.pop("encoding", "utf-8"), newline="") as stream:
        writer = csv.writer(stream, **how)
        writer.writerow(header)
        writer.writerows(lines)


TIDY = {"cohortkit_surplus": ""}
ALL = {LINE: {"Last": "0,21"}, LINE + 1: {"Band": "A2"}, LINE + 2: TIDY}


@pytest.fixture
def clinic(tmp_path):
    path = write_clinic(tmp_path / "clinic", scans=BAD)
    write_refused(import_clinic(path), tmp_path / "refused")
    return path


def to_correct(tmp_path):
    return tmp_path / "refused" / "S01__scans__to_correct.csv"


def test_corrected_records_are_accepted_once_with_their_history(tmp_path, clinic):
    before = import_clinic(clinic)
    assert before.counts.set_index("source").loc["scans", "refused"] == 3
    correct(to_correct(tmp_path), tmp_path / "corrected" / "S01__scans__to_correct.csv", ALL)
    after = import_clinic(clinic, tmp_path / "corrected")
    counts = after.counts.set_index("source").loc["scans"]
    assert (counts["read"], counts["accepted"], counts["refused"]) == (9, 9, 0)
    record = after.records.set_index(["source", "line"]).loc[("scans", LINE)]
    assert json.loads(record["cells"])["Last"] == "0,21"
    assert record["correction_file"] == "S01__scans__to_correct.csv"
    history = json.loads(record["history"])
    assert history[0]["cells"]["Last"] == "0.21"
    assert history[0]["file_sha256"] == record["file_sha256"] != record["correction_sha256"]
    assert len(history) == 1


def test_correcting_twice_changes_nothing(tmp_path, clinic):
    correct(to_correct(tmp_path), tmp_path / "corrected" / "S01__scans__to_correct.csv", ALL)
    first = import_clinic(clinic, tmp_path / "corrected")
    assert write_intake(first, tmp_path / "pool") == "written"
    again = import_clinic(clinic, tmp_path / "corrected")
    assert write_intake(again, tmp_path / "pool") == "unchanged"
    readings = first.tables["readings"]
    assert readings["reading_id"].is_unique


def test_later_rounds_add_to_earlier_ones(tmp_path, clinic):
    folder = tmp_path / "corrected"
    correct(
        to_correct(tmp_path), folder / "S01__scans__1.csv", {LINE: {"Last": "0.22"}, LINE + 2: TIDY}
    )
    middle = import_clinic(clinic, folder)
    assert middle.counts.set_index("source").loc["scans", "refused"] == 2
    write_refused(middle, tmp_path / "refused")
    correct(to_correct(tmp_path), folder / "S01__scans__2.csv",
            {LINE: {"Last": "0,22"}, LINE + 1: {"Band": "A2"}})  # fmt: skip
    last = import_clinic(clinic, folder)
    assert last.counts["refused"].sum() == 0
    record = last.records.set_index(["source", "line"]).loc[("scans", LINE)]
    history = json.loads(record["history"])
    assert [h["file"] for h in history] == ["scans.csv", "S01__scans__1.csv"]
    assert [h["cells"]["Last"] for h in history] == ["0.21", "0.22"]


def test_uncorrected_copy_is_refused_as_before(tmp_path, clinic):
    (tmp_path / "corrected").mkdir()
    shutil.copy(to_correct(tmp_path), tmp_path / "corrected")
    before, after = import_clinic(clinic), import_clinic(clinic, tmp_path / "corrected")
    assert after.problems.equals(before.problems)
    assert after.records.equals(before.records)


BROKEN = {
    "short_row": (";".join(odd_row().split(";")[:-2]), {"Ruhe": "(no cell)", "Last": "(no cell)"}),
    "extra_field": (odd_row() + ";x;y", {"cohortkit_surplus": '["x", "y"]'}),
    "stray_quote": (odd_row(Arzt='R"1'), {"Arzt": 'R"1'}),
    "unclosed_quote": (odd_row(Last='"0,21'), {"Last": "0,21"}),
}


@pytest.fixture(params=BROKEN.items(), ids=BROKEN)
def broken(request, tmp_path):
    """A clinic with one record of broken form, and a copy of what was handed out for it."""
    code, (row, shown) = request.param
    clinic = write_clinic(tmp_path / "clinic", scans=[*SCANS, row])
    write_refused(import_clinic(clinic), tmp_path / "refused")
    (tmp_path / "corrected").mkdir()
    shutil.copy(to_correct(tmp_path), tmp_path / "corrected")
    return clinic, code, shown


def test_broken_record_that_comes_back_untouched_stays_refused(tmp_path, broken):
    clinic, code, shown = broken
    with to_correct(tmp_path).open(encoding="utf-8", newline="") as stream:
        (row,) = csv.DictReader(stream)
    assert {name: row[name] for name in shown} == shown
    after = import_clinic(clinic, tmp_path / "corrected")
    assert after.problems["code"].tolist() == [code]
    assert after.records.equals(import_clinic(clinic).records)


@pytest.mark.parametrize("code", ["short_row", "extra_field"])
def test_half_mended_form_is_refused_still(tmp_path, code):
    row, _ = BROKEN[code]
    clinic = write_clinic(tmp_path / "clinic", scans=[*SCANS, row])
    write_refused(import_clinic(clinic), tmp_path / "refused")
    target = tmp_path / "corrected" / "S01__scans__x.csv"
    correct(to_correct(tmp_path), target, {LINE: {"Band": "A4"}})
    after = import_clinic(clinic, tmp_path / "corrected")
    assert after.problems["code"].tolist() == [code]
    write_refused(after, tmp_path / "refused")
    whole = {"Ruhe": "0,10", "Last": "", "cohortkit_surplus": ""}
    correct(to_correct(tmp_path), tmp_path / "corrected" / "S01__scans__y.csv", {LINE: whole})
    mended = import_clinic(clinic, tmp_path / "corrected")
    assert mended.problems.empty
    readings = mended.tables["readings"].set_index("reading_id")
    # by hand: 0,10 cm
    assert readings.loc["r-s9-A4-R1", "gap_mm"] == 1.0


@pytest.mark.parametrize(
    "how", [{"delimiter": ";"}, {"delimiter": "\t"}, {"encoding": "utf-8-sig"}]
)
def test_copies_saved_by_a_spreadsheet_program_are_taken(tmp_path, clinic, how):
    correct(to_correct(tmp_path), tmp_path / "corrected" / "S01__scans__x.csv", ALL, **how)
    assert import_clinic(clinic, tmp_path / "corrected").counts["refused"].sum() == 0


def test_emptied_record_counts_as_blank(tmp_path, clinic):
    gone = dict.fromkeys(SCANS[0].split(";"), "")
    correct(to_correct(tmp_path), tmp_path / "corrected" / "S01__scans__x.csv", {LINE: gone})
    counts = import_clinic(clinic, tmp_path / "corrected").counts.set_index("source").loc["scans"]
    assert (counts["read"], counts["blank"], counts["refused"]) == (9, 1, 2)


def test_corrections_of_other_clinics_are_passed_over(tmp_path, clinic):
    (tmp_path / "corrected").mkdir()
    (tmp_path / "corrected" / "S02__scans__to_correct.csv").write_text("anything")
    assert import_clinic(clinic, tmp_path / "corrected").counts["refused"].sum() == 3


def test_corrections_of_another_export_never_land(tmp_path, clinic):
    correct(to_correct(tmp_path), tmp_path / "corrected" / "S01__scans__x.csv", ALL)
    write_clinic(tmp_path / "clinic", scans=[BAD[0], odd_row(ScanNr="s8"), *BAD[1:]])
    with pytest.raises(SourceError, match=r"another version of 'scans\.csv'"):
        import_clinic(clinic, tmp_path / "corrected")


FAULTS = {
    "line": ({LINE: {"cohortkit_line": "99"}}, {}, "names no line"),
    "line of no number": ({LINE: {"cohortkit_line": "x"}}, {}, "names no line"),
    "hash": ({LINE: {"cohortkit_file": ""}}, {}, "another version"),
    "encoding": ({LINE: {"Arzt": "ü"}}, {"encoding": "cp1252"}, "UTF-8"),
}


@pytest.mark.parametrize(("changes", "how", "found"), FAULTS.values(), ids=FAULTS.keys())
def test_broken_corrections_stop_with_their_file(tmp_path, clinic, changes, how, found):
    correct(to_correct(tmp_path), tmp_path / "corrected" / "S01__scans__x.csv", changes, **how)
    with pytest.raises(SourceError, match=found) as caught:
        import_clinic(clinic, tmp_path / "corrected")
    assert "S01__scans__x.csv" in str(caught.value)


@pytest.mark.parametrize(
    ("name", "text", "found"),
    [
        ("S01__scans__x.csv", "a,b\n1,2\n", "no column 'cohortkit_line'"),
        ("S01__scans__x.csv", "cohortkit_line,b\n1,2\n", "not the columns"),
        ("S01__nothing__x.csv", "cohortkit_line\n", "no source"),
        ("S01__scans__x.csv", "", "no column"),
    ],
)
def test_files_that_are_no_corrections(tmp_path, clinic, name, text, found):
    (tmp_path / "corrected").mkdir()
    (tmp_path / "corrected" / name).write_text(text)
    with pytest.raises(SourceError, match=found):
        import_clinic(clinic, tmp_path / "corrected")


def test_absent_folder(tmp_path, clinic):
    with pytest.raises(SourceError, match="does not exist"):
        import_clinic(clinic, tmp_path / "no")


def test_sheet_records_come_back_as_they_would_be_typed(tmp_path):
    table = sheet_rows()
    table[1][9] = "#N/A"
    path = write_sheet(tmp_path / "clinic", table)
    write_refused(import_clinic(path), tmp_path / "refused")
    correct(
        to_correct(tmp_path), tmp_path / "corrected" / "S01__scans__x.csv", {2: {"Last": "0,21"}}
    )
    intake = import_clinic(path, tmp_path / "corrected")
    assert intake.problems.empty
    # by hand: 0,21 cm
    assert intake.tables["readings"].set_index("reading_id").loc["l-s1-A2-R1", "gap_mm"] == 2.1


@given(st.text())
def test_guarding_is_undone_exactly(text):
    assert unguarded(guarded(text)) == text
    assert not guarded(text).startswith(("=", "+", "-", "@", "\t", "\r"))


def test_kept_corrections_come_back_without_their_files(tmp_path, clinic):
    folder, pool = tmp_path / "corrected", tmp_path / "pool" / "S01"
    name = "S01__scans__to_correct.csv"
    correct(to_correct(tmp_path), folder / name, {LINE: {"Last": "0,21"}})
    first = import_clinic(clinic, folder)
    write_intake(first, pool)
    write_refused(first, tmp_path / "refused")
    # the second round lies under the same name, and holds the other two lines only
    correct(to_correct(tmp_path), folder / name, {LINE + 1: {"Band": "A2"}, LINE + 2: TIDY})
    second = import_clinic(clinic, folder, kept=read_corrections(pool))
    assert second.counts["refused"].sum() == 0
    assert write_intake(second, pool) == "replaced"
    for corrected in (None, folder):
        again = import_clinic(clinic, corrected, kept=read_corrections(pool))
        assert write_intake(again, pool) == "unchanged"
    assert read_intake(pool).corrections["state"].tolist() == ["applied"] * 3


def test_untouched_first_list_does_not_undo_a_kept_correction(tmp_path, clinic):
    pool, folder = tmp_path / "pool" / "S01", tmp_path / "corrected"
    correct(to_correct(tmp_path), folder / "S01__scans__x.csv", ALL)
    write_intake(import_clinic(clinic, folder), pool)
    (tmp_path / "second").mkdir()
    shutil.copy(to_correct(tmp_path), tmp_path / "second")
    again = import_clinic(clinic, tmp_path / "second", kept=read_corrections(pool))
    assert write_intake(again, pool) == "unchanged"


def test_new_correction_overrides_a_kept_one(tmp_path, clinic):
    pool, folder = tmp_path / "pool" / "S01", tmp_path / "corrected"
    correct(to_correct(tmp_path), folder / "S01__scans__x.csv", ALL)
    write_intake(import_clinic(clinic, folder), pool)
    correct(to_correct(tmp_path), folder / "S01__scans__x.csv", {LINE: {"Last": "0,25"}})
    for state in ("replaced", "unchanged"):
        after = import_clinic(clinic, folder, kept=read_corrections(pool))
        assert after.counts["refused"].sum() == 0
        assert write_intake(after, pool) == state
    record = after.records.set_index(["source", "line"]).loc[("scans", LINE)]
    assert json.loads(record["cells"])["Last"] == "0,25"


def test_kept_corrections_of_another_export_wait_for_it(tmp_path, clinic):
    pool, folder = tmp_path / "pool" / "S01", tmp_path / "corrected"
    correct(to_correct(tmp_path), folder / "S01__scans__x.csv", ALL)
    write_intake(import_clinic(clinic, folder), pool)
    write_clinic(tmp_path / "clinic", scans=[*BAD, odd_row(ScanNr="s12", Band="A4")])
    newer = import_clinic(clinic, kept=read_corrections(pool))
    assert newer.counts["refused"].sum() == 3
    assert newer.corrections["state"].tolist() == ["not_applied"] * 3
    write_intake(newer, pool)
    write_clinic(tmp_path / "clinic", scans=BAD)
    assert import_clinic(clinic, kept=read_corrections(pool)).counts["refused"].sum() == 0


def test_kept_corrections_wait_when_the_headings_are_read_otherwise(tmp_path, clinic):
    pool, folder = tmp_path / "pool" / "S01", tmp_path / "corrected"
    correct(to_correct(tmp_path), folder / "S01__scans__x.csv", ALL)
    write_intake(import_clinic(clinic, folder), pool)
    kept = read_corrections(pool)
    kept["cells"] = kept["cells"].str.replace("Arzt", "Leser", regex=False)
    assert import_clinic(clinic, kept=kept).corrections["state"].tolist() == ["not_applied"] * 3


@pytest.mark.parametrize("row", [row for row, _ in BROKEN.values()], ids=BROKEN)
def test_half_mended_records_are_kept_as_they_are(tmp_path, row):
    clinic = write_clinic(tmp_path / "clinic", scans=[*SCANS, row])
    write_refused(import_clinic(clinic), tmp_path / "refused")
    change = {LINE: {"Band": "B9"}}
    correct(to_correct(tmp_path), tmp_path / "corrected" / "S01__scans__x.csv", change)
    first = import_clinic(clinic, tmp_path / "corrected")
    write_intake(first, tmp_path / "pool" / "S01")
    again = import_clinic(clinic, kept=read_corrections(tmp_path / "pool" / "S01"))
    assert write_intake(again, tmp_path / "pool" / "S01") == "unchanged"


def test_altered_kept_corrections_stop_the_import(tmp_path, clinic):
    pool = tmp_path / "pool" / "S01"
    assert read_corrections(pool).empty
    write_intake(import_clinic(clinic), pool)
    assert read_corrections(pool).empty
    (pool / "corrections.csv").write_text("x", encoding="utf-8")
    with pytest.raises(IntegrityError, match="--forget-corrections"):
        read_corrections(pool)
    (pool / "corrections.csv").unlink()
    with pytest.raises(IntegrityError, match="missing"):
        read_corrections(pool)


def test_headings_that_begin_like_a_formula_come_back_too(tmp_path):
    scans = [BAD[0].replace("Band", "-Band"), *BAD[1:]]
    mapping = MAPPING.replace('"Band"', '"-Band"')
    clinic = write_clinic(tmp_path / "clinic", scans=scans, mapping=mapping)
    write_refused(import_clinic(clinic), tmp_path / "refused")
    assert "'-Band" in to_correct(tmp_path).read_text("utf-8").splitlines()[0]
    corrected = tmp_path / "corrected" / "S01__scans__to_correct.csv"
    correct(to_correct(tmp_path), corrected, {LINE: {"Last": "0,21"}})
    counts = import_clinic(clinic, tmp_path / "corrected").counts.set_index("source").loc["scans"]
    assert (counts["read"], counts["accepted"], counts["refused"]) == (9, 7, 2)
