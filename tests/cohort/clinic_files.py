"""A small invented clinic to bend: two files, one mapping, every way a mapping can fill a column."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from pathlib import Path

from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from cohortkit.cohort.intake import Intake
from cohortkit.cohort.validation import import_clinic

MAPPING = """\
mapping_version = 1
site_id = "S01"

[[rows.sites]]
site_id = "S01"
country = "AT"
setting = "private_practice"

[[rows.devices]]
device_id = "D1"
site_id = "S01"
transducer_mhz = 18

[[rows.raters]]
rater_id = "R1"
site_id = "S01"
discipline = "radiology"

[[rows.raters]]
rater_id = "R2"
site_id = "S01"

[sources.people]
file = "people.csv"
format = "csv"
encoding = "cp1252"
delimiter = ";"
decimal = ","
missing = ["", "k.A."]
ignore = ["Bemerkung"]

[sources.scans]
file = "scans.csv"
format = "csv"
encoding = "cp1252"
delimiter = ";"
decimal = ","
missing = ["", "-"]

[enrolment]
source = "people"
participant = "PatNr"
date = "Einschluss"
date_format = "%d.%m.%Y"

[[tables]]
table = "participants"
source = "people"
[tables.columns]
participant_id = { from = "PatNr", prefix = "P" }
site_id = { value = "S01" }
sex = { from = "Geschlecht", codes = { "w" = "female", "m" = "male" } }
age_years = { from = "Alter" }
height_cm = { from = "Größe", unit = "m" }

[[tables]]
table = "scans"
source = "scans"
repeats = true
[tables.columns]
scan_id = { from = "ScanNr" }
participant_id = { from = "PatNr", prefix = "P" }
side = { from = "Seite", codes = { "re" = "right", "li" = "left" } }
digit = { from = "Finger", codes = { "II" = "index", "III" = "middle", "IV" = "ring" } }
device_id = { value = "D1" }
scan_day = { from = "Datum", date_format = "%d.%m.%Y", participant = "PatNr" }
warm_up = { from = "warm", codes = { "ja" = true, "nein" = false } }

[[tables]]
table = "readings"
source = "scans"
[tables.columns]
scan_id = { from = "ScanNr" }
rater_id = { from = "Arzt" }
pulley = { from = "Band" }
reference_structure = { value = "phalanx" }
read_no = { value = 1 }
read_mode = { value = "live" }
reads_averaged = { value = 1 }
resolution_mm = { value = 0.3 }
[[tables.variants]]
blank_when = ["Ruhe"]
[tables.variants.columns]
reading_id = { join = ["ScanNr", "Band", "Arzt"], with = "-", prefix = "r-" }
load = { value = "rest" }
load_method = { value = "none" }
gap_mm = { from = "Ruhe", unit = "cm" }
below_resolution = { from = "Ruhe", text_is = ["n.d.", "<0,3"] }
[[tables.variants]]
blank_when = ["Last"]
[tables.variants.columns]
reading_id = { join = ["ScanNr", "Band", "Arzt"], with = "-", prefix = "l-" }
load = { value = "loaded" }
load_method = { value = "manual_examiner" }
gap_mm = { from = "Last", unit = "cm" }
below_resolution = { from = "Last", text_is = ["n.d.", "<0,3"] }
"""

CSV_SCANS = """\
[sources.scans]
file = "scans.csv"
format = "csv"
encoding = "cp1252"
delimiter = ";"
"""

XLSX_SCANS = """\
[sources.scans]
file = "scans.xlsx"
format = "xlsx"
sheet = "Scans"
"""

PEOPLE = [
    "PatNr;Geschlecht;Alter;Größe;Einschluss;Bemerkung",
    "1;w;31;1,70;05.03.2021;",
    '2;m;24;1,82;07.03.2021;"sagt ""gut""; kommt wieder"',
    "3;w;45;k.A.;21.03.2021;",
]

SCANS = [
    "ScanNr;PatNr;Seite;Finger;Datum;warm;Band;Arzt;Ruhe;Last",
    "s1;1;re;III;05.03.2021;ja;A2;R1;0,10;0,21",
    "s1;1;re;III;05.03.2021;ja;A2;R2;0,11;0,20",
    "s1;1;re;III;05.03.2021;ja;A4;R1;0,09;0,17",
    "s2;2;li;IV;14.03.2021;nein;A2;R1;0,12;-",
    "s3;3;re;II;25.03.2021;ja;A2;R1;0,10;0,19",
    "s3;3;re;II;25.03.2021;ja;A4;R2;0,08;0,16",
]


def write_clinic(
    folder: Path,
    *,
    people: Sequence[str] = PEOPLE,
    scans: Sequence[str] = SCANS,
    mapping: str = MAPPING,
    encoding: str = "cp1252",
) -> Path:
    """Write the clinic's files; returns the mapping file."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "people.csv").write_bytes(("\r\n".join(people) + "\r\n").encode(encoding))
    (folder / "scans.csv").write_bytes(("\r\n".join(scans) + "\r\n").encode(encoding))
    path = folder / "mapping.toml"
    path.write_text(mapping, encoding="utf-8")
    return path


def problem_rows(intake: Intake, severity: str = "refuse") -> list[tuple[str, int, str, str, str]]:
    """File, line, column, raw value and code of each problem of one severity."""
    held = intake.problems[intake.problems["severity"] == severity]
    columns = ["file", "line", "column", "raw_value", "code"]
    return [tuple(row) for row in held[columns].astype(object).to_numpy().tolist()]


def write_sheet(
    folder: Path,
    rows: Sequence[Sequence[object]],
    *,
    change: Callable[[Worksheet], None] | None = None,
    options: str = "",
) -> Path:
    """The same clinic with its scans in a sheet; `change` bends the sheet before it is saved."""
    mapping = MAPPING.replace(CSV_SCANS, XLSX_SCANS + options)
    path = write_clinic(folder, mapping=mapping)
    (folder / "scans.csv").unlink()
    book = Workbook()
    sheet = book.active
    sheet.title = "Scans"
    for row in rows:
        sheet.append(list(row))
    if change:
        change(sheet)
    book.save(folder / "scans.xlsx")
    return path


def sheet_rows() -> list[list[object]]:
    """The scans as a spreadsheet program holds them: numbers and dates, not texts."""
    header, *lines = (line.split(";") for line in SCANS)
    return [header, *([*c[:4], _date(c[4]), *c[5:8], _number(c[8]), _number(c[9])] for c in lines)]


def _date(text: str) -> dt.date:
    return dt.datetime.strptime(text, "%d.%m.%Y").date()


def _number(text: str) -> float | str:
    return text if text == "-" else float(text.replace(",", "."))


def import_scans(folder: Path, scans: Sequence[str]) -> Intake:
    """Import the clinic with other scans."""
    return import_clinic(write_clinic(folder, scans=scans))
