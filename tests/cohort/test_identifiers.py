"""Identifiers stop a freeze, named by place and kind, never by value."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from cohortkit.cohort.identifiers import (
    KINDS,
    refuse_identifiers,
    screen,
    screen_headers,
    screen_text,
)
from cohortkit.cohort.identity import IdCoding
from cohortkit.cohort.pooling import pool
from cohortkit.cohort.release import freeze
from cohortkit.errors import IdentifierError
from tests.cohort.clinics import clinic, small, small_rows, two_clinics

# one column name and one cell for each of the eighteen classes of 45 CFR 164.514(b)(2)(i)
PLANTED = [
    ("name", "surname", "Anna Muster"),
    ("address", "postcode", "Musterstrasse 5"),
    ("date", "date_of_birth", "12.03.1981"),
    ("phone", "telephone", "+43 660 1234567"),
    ("fax", "fax", "Fax +43 1 2345678"),
    ("email", "email", "a.muster@example.org"),
    ("social_security_number", "ssn", "123-45-6789"),
    ("record_number", "medical_record_no", "MRN 0081744"),
    ("health_plan_number", "health_plan", "insurance 4711-22"),
    ("account_number", "account", "AT61 1904 3002 3457 3201"),
    ("licence_number", "licence", "licence D1234"),
    ("vehicle_number", "number_plate", "WVWZZZ1JZXW000001"),
    ("device_serial", "serial_number", "serial no 77-A"),
    ("url", "website", "https://example.org/anna"),
    ("ip_address", "ip_address", "192.168.0.17"),
    ("biometric", "fingerprint", "fingerprint 9f3a"),
    ("photograph", "photo", "portrait_anna.jpg"),
    ("other_code", "comment", "has a rare tattoo"),
]


@pytest.fixture(scope="module")
def pooled():
    return two_clinics()


def changed(pooled, name, column, row, value):
    frame = pooled.tables[name].copy()
    frame[column] = frame[column].astype(object)
    frame.loc[row, column] = value
    return replace(pooled, tables={**pooled.tables, name: frame})


def refused(pooled, tmp_path) -> IdentifierError:
    ids = IdCoding.open("hmac", tmp_path / "key.txt")
    with pytest.raises(IdentifierError) as caught:
        freeze(pooled, tmp_path / "release", ids=ids)
    assert not (tmp_path / "release").exists()
    assert not (tmp_path / "releases.log").exists()
    return caught.value


def test_there_is_a_kind_for_each_class_of_the_list():
    assert {kind for kind, _, _ in PLANTED} <= set(KINDS)
    # by hand: eighteen classes; "ages over 89" is the second half of the class of dates
    assert len(KINDS) == 18 + 1


def test_clean_tables_give_nothing(pooled):
    assert screen(pooled.tables).empty
    refuse_identifiers(screen(pooled.tables))


@pytest.mark.parametrize(("kind", "header", "value"), PLANTED)
def test_a_column_of_each_class_stops_the_freeze(pooled, tmp_path, kind, header, value):
    people = pooled.tables["participants"].assign(**{header: "x"})
    error = refused(replace(pooled, tables={**pooled.tables, "participants": people}), tmp_path)
    assert f"table 'participants', column '{header}': {kind}" in str(error)


@pytest.mark.parametrize(("kind", "header", "value"), PLANTED)
def test_a_cell_of_each_class_stops_the_freeze(pooled, tmp_path, kind, header, value):
    error = refused(changed(pooled, "episodes", "mechanism", 2, value), tmp_path)
    # by hand: the third episode of the first site, below the header
    place = "site S01, file 'episodes.csv', line 4"
    assert f"table 'episodes', column 'mechanism', {place}: {kind}" in str(error)
    assert value not in str(error)


@pytest.mark.parametrize(("kind", "header", "value"), PLANTED)
def test_a_cell_in_a_further_column_is_found_with_its_row(kind, header, value):
    frame = pd.DataFrame({"x": ["a", value, "b"]})
    found = screen_text(frame, "side")
    if kind == "other_code":
        assert found.empty  # words without a sign: only the codebook can refuse them
    else:
        assert found.to_dict("records") == [
            {"table": "side", "column": "x", "row": 1, "kind": kind}
        ]


def test_ages_over_89_stop_the_freeze(pooled, tmp_path):
    assert screen(changed(pooled, "participants", "age_years", 0, 89).tables).empty
    error = refused(changed(pooled, "participants", "age_years", 3, 90), tmp_path)
    place = "site S01, file 'participants.csv', line 5"  # by hand: row 3, from 0, below the header
    assert f"column 'age_years', {place}: age_over_89" in str(error)
    assert "90" not in str(error)


def test_a_day_that_is_a_spreadsheets_date_stops_the_freeze(pooled, tmp_path):
    error = refused(changed(pooled, "scans", "scan_day", 1, 29657), tmp_path)
    assert "column 'scan_day', site S01, file 'scans.csv', line 3: date" in str(error)


@pytest.mark.parametrize(
    ("table", "column", "value", "kind"),
    [
        ("participants", "height_cm", 1_234_567.0, "other_code"),
        ("participants", "participant_id", "Anna_Muster", "name"),
        ("participants", "participant_id", "Anna Muster", "name"),
        ("raters", "rater_id", "Dr. Muster", "name"),
        ("devices", "device_id", "SN 12", "device_serial"),
        ("sites", "site_id", "2021-04-30", "date"),
        ("sites", "site_id", "a@example.org", "email"),
        ("sites", "country", "Graz 8010", "other_code"),
        ("readings", "below_resolution", "a.muster@example.org", "email"),
    ],
)
def test_other_places(pooled, table, column, value, kind):
    found = screen(changed(pooled, table, column, 0, value).tables)
    assert (table, column, 0, kind) in list(found.itertuples(index=False, name=None))


def test_bare_numbers_as_ids_are_no_finding_since_they_become_codes(pooled):
    assert screen(changed(pooled, "participants", "participant_id", 0, "00081744").tables).empty


def test_a_column_beyond_the_format_is_refused_whatever_its_name(pooled, tmp_path):
    readings = pooled.tables["readings"].assign(extra=1.0)
    error = refused(replace(pooled, tables={**pooled.tables, "readings": readings}), tmp_path)
    assert "table 'readings', column 'extra': other_code" in str(error)


@pytest.mark.parametrize("value", ["Anna Muster", "a.muster@example.org", "visits 12.03.2021"])
def test_side_tables_are_searched_too(pooled, tmp_path, value):
    provenance = pooled.provenance.copy()
    provenance.loc[5, "source"] = value
    error = refused(replace(pooled, provenance=provenance), tmp_path)
    assert "table 'provenance', column 'source', site S01, line " in str(error)
    assert value not in str(error)


def named(site: str, own: str) -> dict:
    """Rows of a clinic whose first participant has the id `own` everywhere."""
    rows = small_rows(site, 2, 1)
    first = rows["participants"][0]["participant_id"]
    for table in rows.values():
        for row in table:
            if row.get("participant_id") == first:
                row["participant_id"] = own
    return rows


def test_an_id_with_a_name_behind_its_site_stops_the_freeze_at_its_line(tmp_path):
    error = refused(
        pool([small("S01", 2), clinic("S04", named("S04", "S04-Anna.Meier"))]), tmp_path
    )
    assert (
        "table 'participants', column 'participant_id', site S04, file 'participants.csv', "
        "line 2: name (names)" in str(error)
    )
    assert "Meier" not in str(error)


@pytest.mark.parametrize("own", ["S04-P0001", "S04-1042", "S04-Pat.Nr-7", "S04-17-a", "1042"])
def test_an_ordinary_id_behind_its_site_does_not(own, tmp_path):
    ids = IdCoding.open("hmac", tmp_path / "key.txt")
    freeze(pool([clinic("S04", named("S04", own))]), tmp_path / "release", ids=ids)


def test_site_codes_of_the_manifest_are_searched(pooled, tmp_path):
    sites = pooled.tables["sites"].copy()
    sites["site_id"] = sites["site_id"].replace("S01", "Muster.Anna")
    error = refused(replace(pooled, tables={**pooled.tables, "sites": sites}), tmp_path)
    assert "table 'sites', column 'site_id'" in str(error)
    assert ": name" in str(error)


def test_many_findings_are_counted_and_the_first_listed(pooled):
    frame = pd.DataFrame({"x": ["a@example.org"] * 30})
    with pytest.raises(IdentifierError, match="30 places") as caught:
        refuse_identifiers(screen_text(frame, "side"))
    assert caught.value.where.endswith("and 10 more")


def test_headers_are_told_with_their_kind():
    found = screen_headers(["ScanNr", "Geburtsdatum", "gap_mm", "E-Mail"])
    assert found == {"Geburtsdatum": "date", "E-Mail": "email"}
