"""What announces an identifier, and what does not."""

from __future__ import annotations

import time

import pytest

from cohortkit.cohort.patterns import header_kind, id_kind, text_kind
from cohortkit.tables.schema import TABLE_NAMES, table

HEADERS = [
    ("Nachname", "name"), ("first_name", "name"), ("PatientName", "name"), ("Prénom", "name"),
    ("Name", "name"), ("initials", "name"), ("Strasse", "address"), ("PLZ", "address"),
    ("zip code", "address"), ("Geburts-Datum", "date"), ("dateOfBirth", "date"), ("DOB", "date"),
    ("Tel.", "phone"), ("mobile phone", "phone"), ("Telefax", "fax"), ("E-Mail", "email"),
    ("Social Security No", "social_security_number"), ("AHV", "social_security_number"),
    ("MRN", "record_number"), ("Fallnummer", "record_number"), ("Patienten-Nr.", "record_number"),
    ("Krankenkasse", "health_plan_number"), ("insurance_no", "health_plan_number"),
    ("IBAN", "account_number"), ("account", "account_number"), ("driving licence", "licence_number"),
    ("Kennzeichen", "vehicle_number"), ("VIN", "vehicle_number"), ("SerialNumber", "device_serial"),
    ("Serien-Nr", "device_serial"), ("URL", "url"), ("homepage", "url"), ("IP", "ip_address"),
    ("fingerprint", "biometric"), ("Foto", "photograph"), ("Bemerkung", "other_code"),
]  # fmt: skip

TEXTS = [
    ("Anna Muster", "name"), ("Muster, Anna", "name"), ("Dr. Muster", "name"),
    ("12.03.1981", "date"), ("1981-03-12", "date"), ("3/12/81", "date"), ("19810312", "date"),
    ("12. März 1981", "date"), ("March 12, 1981", "date"), ("born 12.3.1981 in Graz", "date"),
    ("a.muster@example.org", "email"), ("+43 660 1234567", "phone"), ("0660/123 45 67", "phone"),
    ("(555) 123-4567", "phone"), ("Fax +43 1 234567", "fax"), ("123-45-6789", "social_security_number"),
    ("756.1234.5678.97", "social_security_number"), ("MRN 00817", "record_number"),
    ("00817443", "record_number"), ("Versicherung 4711", "health_plan_number"),
    ("AT61 1904 3002 3457 3201", "account_number"), ("Konto: 99", "account_number"),
    ("licence no 7", "licence_number"), ("WVWZZZ1JZXW000001", "vehicle_number"),
    ("Kennzeichen G-123", "vehicle_number"), ("00:1B:44:11:3A:B7", "device_serial"),
    ("serial no. 4", "device_serial"), ("https://example.org/x", "url"), ("www.example.org", "url"),
    ("192.168.0.17", "ip_address"), ("2001:db8::8a2e:370:7334", "ip_address"),
    ("fingerprint 9", "biometric"), ("face.jpg", "photograph"), ("data:image/png;base64,AA", "photograph"),
    ("Street 5", "address"),
]  # fmt: skip

CLEAN = [
    "", " ", "A2", "left", "half_crimp", "S01", "university_hospital", "declared blank", "scans",
    "foreign_key_found", "0" * 64, "ABCDEFGHIJKLMNOP", "1.2 mm", "12", "3.5", "injured finger",
    "age_years, height_cm (near)", "E12|A2", "visit 3",
]  # fmt: skip


@pytest.mark.parametrize(("header", "kind"), HEADERS)
def test_a_column_name_announces_its_kind(header, kind):
    assert header_kind(header) == kind


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_columns_of_the_format_announce_nothing(name):
    assert [c for c in table(name).column_names if header_kind(c)] == []


@pytest.mark.parametrize(("text", "kind"), TEXTS)
def test_a_text_shows_its_kind(text, kind):
    assert text_kind(text) == kind


@pytest.mark.parametrize("text", CLEAN)
def test_words_of_the_format_show_nothing(text):
    assert text_kind(text) == ""


def test_numbers_are_no_text():
    assert text_kind(19810312) == ""
    assert text_kind(None) == ""


@pytest.mark.parametrize("code", [c for n in TABLE_NAMES for f in table(n).fields for c in f.codes])
def test_codes_of_the_codebook_show_nothing(code):
    assert text_kind(code) == ""


@pytest.mark.parametrize(
    ("own", "column", "kind"),
    [
        ("Anna_Muster", "participant_id", "name"),
        ("19810312", "participant_id", "date"),
        ("19810312", "scan_id", ""),
        ("P7_2021-04-30", "scan_id", "date"),
        ("123-45-6789", "participant_id", "social_security_number"),
        ("192.168.0.17", "device_id", "ip_address"),
        ("a.muster@example.org", "rater_id", "email"),
        ("000817443", "participant_id", ""),
        ("12-3-04", "scan_id", ""),
        ("S01-P003-left.2", "scan_id", ""),
    ],
)
def test_an_id_may_be_a_number_but_not_a_date_or_a_name(own, column, kind):
    assert id_kind(own, column) == kind


SITES = ("S01", "S04", "GRAZ")


@pytest.mark.parametrize(
    ("own", "kind"),
    [
        ("S04-Anna.Meier", "name"), ("S04_Anna-Meier", "name"), ("S04Anna.Meier", "name"),
        ("S04-P-Anna.Meier", "name"), ("S04-Anna.Meier-2", "name"), ("S09-Anna.Meier", "name"),
        ("GRAZ-Anna.Meier", "name"), ("S04-Anna.Meier.1990", "name"), ("Patient.Anna", "name"),
        ("S04-19810312", "date"), ("S04-123-45-6789", "social_security_number"),
        ("S04-756.1234.5678.97", "social_security_number"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("column", ["participant_id", "rater_id"])
def test_what_stands_around_it_does_not_hide_a_person(own, column, kind):
    assert id_kind(own, column, SITES) == kind


def test_a_site_in_front_does_not_hide_a_name_in_an_id_that_points_to_a_person():
    assert id_kind("S04-Anna.Meier", "scan_id", SITES) == "name"


ORDINARY_IDS = [
    "S01-P0001", "S02-1042-A2-r1", "S01-P003-left.2", "S01-R1", "S01", "1042", "P1", "p-17", "S04-17",
    "S01-Pat-Nr-7", "Pat.Nr", "S01-Left-Index", "GRAZ-P.12", "GRAZ-12", "S04-AB", "S04-A.B.",
    "s01-p0001-s2", "0004711", "S01-2021-17", "S01-r-s1-A2-R2-loaded", "S04-GE12", "S01-Patient-003",
    "S04-Scan.1", "S01-000817443", "S04", "S04-", "-", "S01-E12.A2", "l-s1-A2-R1", "X.Y",
]  # fmt: skip


@pytest.mark.parametrize("own", ORDINARY_IDS)
@pytest.mark.parametrize(
    "column", ["participant_id", "rater_id", "scan_id", "reading_id", "episode_id", "device_id"]
)
def test_ordinary_ids_are_no_finding(own, column):
    assert id_kind(own, column, SITES) == ""


def test_makes_of_devices_are_no_names():
    assert id_kind("S04-Probe.Linear", "device_id", SITES) == ""


@pytest.mark.parametrize(
    "unit", ["a", "1", "1 ", "Ab ", "a@", "0-", "::", "a.", "Jan ", "AT61 1904 "]
)
def test_no_text_makes_the_search_slow(unit):
    start = time.process_time()
    text_kind(unit * 20_000)
    header_kind(unit * 20_000)
    id_kind(unit * 20_000, "participant_id")
    assert time.process_time() - start < 2
