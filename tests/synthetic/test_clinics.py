"""The committed clinics against the design."""

from __future__ import annotations

import hashlib
import io
from dataclasses import replace

import pandas as pd
import pytest
from openpyxl import load_workbook

from cohortkit.errors import ArgumentError
from cohortkit.synthetic.clinics import LAYOUTS, clinic_files, write_clinics
from cohortkit.synthetic.design import read_design
from cohortkit.tables.schema import shipped_folder

DESIGN = read_design()
SHIPPED = shipped_folder("synthetic_cohort")


@pytest.fixture(scope="module")
def made():
    return clinic_files(DESIGN)


def sheet_values(content):
    book = load_workbook(io.BytesIO(content))
    return {s.title: [[c.value for c in row] for row in s.iter_rows()] for s in book.worksheets}


def test_the_committed_clinics_are_those_of_the_design(made):
    files, _ = made
    for name, content in files.items():
        committed = (SHIPPED / "clinics" / name).read_bytes()
        if name.endswith(".xlsx"):
            assert sheet_values(committed) == sheet_values(content), name
        else:
            ours, theirs = (hashlib.sha256(b).hexdigest() for b in (content, committed))
            assert ours == theirs, name


def test_there_is_no_other_file_beside_them(made):
    files, _ = made
    present = {
        p.relative_to(SHIPPED / "clinics").as_posix()
        for p in (SHIPPED / "clinics").rglob("*")
        if p.is_file()
    }
    assert present == set(files) | {f"{site}/mapping.toml" for site in LAYOUTS}


def test_the_committed_list_of_problems_is_that_of_the_design(made):
    _, planted = made
    committed = pd.read_csv(
        SHIPPED / "truth" / "planted_problems.csv", keep_default_na=False, dtype=str
    )
    assert planted.astype(str).to_numpy().tolist() == committed.to_numpy().tolist()


def test_the_folder_stays_small():
    size = sum(p.stat().st_size for p in SHIPPED.rglob("*") if p.is_file())
    assert size < 4_000_000


def test_writing_makes_a_folder_per_clinic_with_its_mapping(tmp_path):
    planted = write_clinics(DESIGN, tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(LAYOUTS)
    for site in LAYOUTS:
        mapping = (tmp_path / site / "mapping.toml").read_text(encoding="utf-8")
        assert f'site_id = "{site}"' in mapping
    assert set(planted["site_id"]) == set(LAYOUTS)


def test_clean_clinics_have_no_planted_problem():
    files, planted = clinic_files(DESIGN, clean=True)
    assert planted.empty
    assert b"Halblast" not in files["S01/messungen.csv"]


def test_other_sites_than_the_shipped_cannot_be_written(tmp_path):
    other = replace(DESIGN, sites=DESIGN.sites[:2])
    with pytest.raises(ArgumentError, match="five shipped sites"):
        write_clinics(other, tmp_path)


def test_the_clinics_write_as_differently_as_clinics_do(made):
    files, _ = made
    german = files["S01/messungen.csv"].decode("cp1252").splitlines()
    assert german[0].startswith("USNr;Ringband;Zustand")
    assert ";0,9;" in files["S01/messungen.csv"].decode("cp1252")
    assert files["S02/all_in_one.csv"].startswith(b"\xef\xbb\xbf")
    assert "\t0.14\t" in files["S04/mesures.tsv"].decode("latin-1")
    bars = files["S05/readings.csv"].decode("utf-16").splitlines()
    assert bars[1].split("|")[1] in {"2", "3", "4"}
    pages = sheet_values(files["S03/registry.xlsx"])
    assert pages["Readings"][0][0].startswith("INVENTED")
    assert pages["Readings"][3][0] == "Scan"


def test_remarks_are_the_only_place_with_addresses(made):
    files, _ = made
    for name, content in files.items():
        if name.endswith(".xlsx"):
            text = str(sheet_values(content))
        else:
            text = content.decode(
                "utf-16" if name.startswith("S05") and "central" not in name else "latin-1"
            )
        assert text.count("@") == text.count("@example.invalid"), name
