"""A clinic's way of writing."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from cohortkit.synthetic.sheets import (
    Column,
    Sheet,
    SiteRows,
    Words,
    cells,
    central_sheet,
    number,
    remarks,
    sheet_of,
    site_rows,
)
from tests.synthetic.cohorts import shipped

SITE = SiteRows("S01", {}, pd.DataFrame(), {"S01-P001": dt.date(2022, 3, 30)})


@pytest.mark.parametrize(
    ("value", "decimal", "centi", "text"),
    [
        (1.4, ".", False, "1.4"),
        (1.4, ",", False, "1,4"),
        (2.1, ".", True, "0.21"),  # by hand: a tenth of 2.1
        (3.0, ".", False, "3"),
        (100.0, ".", False, "100"),
        (0.3, ",", True, "0,03"),
    ],
)
def test_numbers_are_written_shortest_and_exactly(value, decimal, centi, text):
    assert number(value, decimal, centi) == text


def test_days_become_dates_from_the_enrolment():
    frame = pd.DataFrame({"participant_id": ["S01-P001"] * 3, "scan_day": [0, 2, None]})
    words = Words(date_format="%d.%m.%Y", missing="k.A.")
    column = Column("Datum", "scan_day", date=True)
    # by hand: two days after 30 March is 1 April
    assert cells(frame, column, words, SITE) == ["30.03.2022", "01.04.2022", "k.A."]


def test_codes_words_and_prefixes_are_the_clinics_own():
    frame = pd.DataFrame(
        {
            "sex": pd.array(["male", None], dtype="string"),
            "warm_up": pd.array([True, False], dtype="boolean"),
            "scan_id": pd.array(["S01-C1", "S01-C2"], dtype="string"),
        }
    )
    words = Words(yes="ja", no="nein", missing="?", cut="S01-")
    assert cells(frame, Column("x", "sex", {"male": "m"}), words, SITE) == ["m", "?"]
    assert cells(frame, Column("x", "warm_up"), words, SITE) == ["ja", "nein"]
    assert cells(frame, Column("x", "scan_id"), words, SITE) == ["C1", "C2"]


def test_unseen_gaps_are_written_in_the_clinics_words_in_turn():
    frame = pd.DataFrame({"gap_mm": [1.2, None, None], "below_resolution": [False, True, True]})
    words = Words(unseen=("n.d.", "<0.3"))
    assert cells(frame, Column("x", "gap_mm"), words, SITE) == ["1.2", "<0.3", "n.d."]


def test_a_sheet_has_a_row_per_row_and_takes_more_columns():
    frame = pd.DataFrame({"side": ["left", "right"]})
    sheet = sheet_of("s", "f.csv", frame, [Column("Seite", "side")], Words(), SITE)
    sheet.add("more", ["1", "2"])
    assert sheet.header == ["Seite", "more"]
    assert sheet.rows == [["left", "1"], ["right", "2"]]
    assert sheet.header_line == 1
    assert Sheet("s", "f", [], [], above=[["title"], []]).header_line == 3


def test_the_rows_of_all_sites_together_are_the_cohort():
    sites = [site_rows(shipped(), f"S0{k}") for k in range(1, 6)]
    for name in ("participants", "episodes", "scans", "tears", "treatments", "visits"):
        assert sum(len(s.tables[name]) for s in sites) == len(shipped().tables[name])
    readings = sum(len(s.tables["readings"]) + len(s.stored) for s in sites)
    assert readings == len(shipped().tables["readings"])


def test_stored_clips_come_in_one_form():
    sheet = central_sheet(site_rows(shipped(), "S04"))
    # planted truth: 12 scans x 4 raters x 2 pulleys x 2 loads
    assert len(sheet.rows) == 12 * 4 * 4
    assert sheet.header[0] == "scan"


def test_remarks_hold_no_address_that_could_be_real():
    texts = [t for t in remarks(200, 7) if "@" in t]
    assert texts
    assert all(t.endswith("@example.invalid") for t in texts)
