"""What was planted in the invented clinics is found by the import, all of it and nothing else."""

from __future__ import annotations

import pandas as pd
import pytest

from cohortkit.cohort.pooling import pool
from cohortkit.cohort.validation import import_clinic
from cohortkit.synthetic.clinics import LAYOUTS, write_clinics
from cohortkit.synthetic.design import read_design
from cohortkit.tables.schema import shipped_folder, table
from tests.journey.imported import intakes
from tests.synthetic.cohorts import shipped

SHIPPED = shipped_folder("synthetic_cohort")
PLANTED = pd.read_csv(SHIPPED / "truth" / "planted_problems.csv", keep_default_na=False)
FOLLOWS = {"parent_refused", "parent_missing", "id_part_missing"}
"""Codes that a record gets because of a problem planted elsewhere, or besides in the same cell."""
OPEN_READING_COLUMNS = {"reading_id", "blinded_to_prior"}
"""The clinics name readings as they like, and S02 has no column for the second."""


@pytest.fixture(scope="module", name="intakes")
def the_intakes():
    return intakes()


@pytest.mark.parametrize("site", LAYOUTS)
def test_every_planted_problem_is_found_with_its_code_and_line(intakes, site):
    problems = intakes[site].problems
    found = set(
        zip(
            problems["source"],
            problems["line"],
            problems["code"],
            problems["severity"],
            strict=True,
        )
    )
    wanted = PLANTED[(PLANTED["site_id"] == site) & (PLANTED["severity"] != "blank")]
    assert len(wanted) > 5
    for row in wanted.itertuples():
        assert (row.source, row.line, row.code, row.severity) in found, row


@pytest.mark.parametrize("site", LAYOUTS)
def test_the_column_of_a_planted_cell_is_named(intakes, site):
    problems = intakes[site].problems
    wanted = PLANTED[(PLANTED["site_id"] == site) & (PLANTED["column"] != "")]
    for row in wanted.itertuples():
        here = problems[(problems["line"] == row.line) & (problems["source"] == row.source)]
        named = {c.strip() for text in here["column"] for c in text.split(",")}
        assert row.column in named, row


@pytest.mark.parametrize("site", LAYOUTS)
def test_nothing_else_is_refused(intakes, site):
    problems = intakes[site].problems
    refused = problems[problems["severity"] == "refuse"]
    wanted = PLANTED[PLANTED["site_id"] == site]
    planted = set(zip(wanted["source"], wanted["line"], strict=True))
    other = [
        (row.source, row.line, row.code)
        for row in refused.itertuples()
        if (row.source, row.line) not in planted and row.code not in FOLLOWS
    ]
    assert other == []


@pytest.mark.parametrize("site", LAYOUTS)
def test_every_record_is_accounted_for(intakes, site):
    counts = intakes[site].counts
    assert (counts["read"] == counts["accepted"] + counts["refused"] + counts["blank"]).all()
    blank = PLANTED[(PLANTED["site_id"] == site) & (PLANTED["severity"] == "blank")]
    assert counts["blank"].sum() == len(blank)
    records = intakes[site].records
    lines = records.loc[records["status"] == "blank", ["source", "line"]]
    assert set(map(tuple, lines.to_numpy())) == set(
        map(tuple, blank[["source", "line"]].to_numpy())
    )


def test_the_person_at_two_sites_is_the_first_suspect(intakes):
    same = pd.read_csv(SHIPPED / "truth" / "same_person.csv").iloc[0]
    suspects = pool(intakes.values()).duplicates
    first = suspects.iloc[0]
    assert {first["participant_id_1"], first["participant_id_2"]} == set(same)


def test_no_invented_address_reaches_a_table(intakes):
    for intake in intakes.values():
        for name, frame in intake.tables.items():
            text = frame.select_dtypes("string").fillna("").to_numpy().ravel()
            assert not any("@" in cell for cell in text), name


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    folder = tmp_path_factory.mktemp("clean")
    write_clinics(read_design(), folder, clean=True)
    return {site: import_clinic(folder / site / "mapping.toml") for site in LAYOUTS}


@pytest.mark.parametrize("site", LAYOUTS)
def test_clean_clinics_are_accepted_whole(clean, site):
    counts = clean[site].counts
    assert counts["refused"].sum() == 0
    assert counts["blank"].sum() == 0


@pytest.mark.parametrize(
    "name", ["participants", "episodes", "scans", "tears", "treatments", "visits"]
)
def test_clean_clinics_give_back_the_tables_they_were_written_from(clean, name):
    key = list(table(name).primary_key)
    got = pd.concat([intake.tables[name] for intake in clean.values()], ignore_index=True)
    ours = shipped().tables[name].sort_values(key, ignore_index=True)
    pd.testing.assert_frame_equal(got.sort_values(key, ignore_index=True), ours)


def test_clean_clinics_give_back_every_reading_to_the_last_digit(clean):
    key = ["scan_id", "rater_id", "pulley", "load", "read_mode", "read_no"]
    got = pd.concat([i.tables["readings"] for i in clean.values()], ignore_index=True)
    got, ours = (
        frame.drop(columns=list(OPEN_READING_COLUMNS)).sort_values(key, ignore_index=True)
        for frame in (got, shipped().tables["readings"])
    )
    pd.testing.assert_frame_equal(got, ours, check_exact=True)
