"""Clinic files of many kinds, and seeded ways to damage them."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from openpyxl import Workbook

HEADER = [
    "scan",
    "patient",
    "side",
    "finger",
    "date",
    "warm",
    "pulley",
    "reader",
    "rest",
    "load",
    "note",
]
HOSTILE = [
    "=cmd|' /C calc'!A0", "=1+1", "+1", "-1", "@SUM(A1)", "<script>alert(1)</script>", "../../etc/passwd",
    "; DROP TABLE x; --", "$(touch canary)", "`touch canary`", "{{7*7}}", "{0.__class__}", "%s%n", "\u202eabc",
    "\u0000", "\ufeff", "\u2028", "𝟙", "٣", "a" * 3_000, '"', '""', "'", "\\", "#NV", "#DIV/0!", "nan", "NA",
    "None", "1E5", "1.234", "1,234", "1'000,5", "0,0", "-0,1", "9" * 50, "<0,3", "n.d.", "2,1 mm", "TRUE",
    "01.02.2023", "02. Apr", "2023-02-04", "31.02.2021", "29/02/2021", "44260", "", " ", "\u00a0", "\u2212", "０",
]  # fmt: skip
BYTES = [b"\x00", b"\r", b"\n", b"\r\n", b'"', b";", b",", b"\t", b"|", b"\xff", b"\xfe", b"\x81", b"\xef\xbb\xbf",
         b"\x1a", b"\xc3", b"\xe2\x80\xa8", b"'", b"=", b"\\"]  # fmt: skip


@dataclass(frozen=True)
class Seed:
    """How one kind of clinic file is written."""

    number: int
    format: str
    encoding: str = "utf-8"
    delimiter: str = ";"
    quoting: str = "none"
    decimal: str = ","
    line_end: str = "\r\n"
    top: int = 0

    @property
    def file(self) -> str:
        return f"f{self.number}.{self.format}"

    def rows(self, random: Random) -> list[list[str]]:
        """Invented scans of two patients, twelve lines."""
        rows = []
        for n in range(12):
            gap = [
                f"0{self.decimal}{random.randint(8, 14):02d}",
                f"0{self.decimal}{random.randint(15, 30)}",
            ]
            day = f"{1 + n // 2:02d}.05.2021"
            person, pulley = "12"[n // 2 % 2], ["A2", "A4"][n % 2]
            rows.append([f"s{n // 2}", person, "re", "III", day, "ja", pulley, "R1", *gap, "Größe"])
        return rows

    def text(self, random: Random) -> bytes:
        """The file's bytes."""
        lines = [["Export"] + [""] * (len(HEADER) - 1)] * self.top + [HEADER, *self.rows(random)]

        def cell(text: str) -> str:
            quoted = self.quoting == "all" or (self.quoting == "some" and self.delimiter in text)
            return f'"{text}"' if quoted else text

        joined = self.line_end.join(self.delimiter.join(map(cell, line)) for line in lines)
        return (joined + self.line_end).encode(self.encoding, "replace")

    def mapping(self) -> str:
        """The source and its blocks."""
        name = f"f{self.number}"
        about = [f"[sources.{name}]", f'file = "{self.file}"', f'format = "{self.format}"']
        if self.format == "csv":
            about += [f'encoding = "{self.encoding}"', f"delimiter = '{self.delimiter}'"]
        else:
            about += ['sheet = "S"']
        about += [
            f'decimal = "{self.decimal}"', f"header_line = {1 + self.top}", 'missing = ["", "-"]', 'ignore = ["note"]',
            "[[tables]]", 'table = "scans"', f'source = "{name}"', "repeats = true", "[tables.columns]",
            f'scan_id = {{ from = "scan", prefix = "{name}-" }}', 'participant_id = { from = "patient", prefix = "P" }',
            'side = { from = "side", codes = { "re" = "right", "li" = "left" } }',
            'digit = { from = "finger", codes = { "III" = "middle" } }', 'device_id = { value = "D1" }',
            'scan_day = { from = "date", date_format = "%d.%m.%Y", participant = "patient" }',
            'warm_up = { from = "warm", codes = { "ja" = true, "nein" = false } }',
            "[[tables]]", 'table = "readings"', f'source = "{name}"', "[tables.columns]",
            f'scan_id = {{ from = "scan", prefix = "{name}-" }}', 'rater_id = { from = "reader" }',
            'pulley = { from = "pulley" }', 'reference_structure = { value = "phalanx" }', "read_no = { value = 1 }",
            'read_mode = { value = "live" }', "reads_averaged = { value = 1 }", "resolution_mm = { value = 0.3 }",
        ]  # fmt: skip
        for load, method in (("rest", "none"), ("load", "manual_examiner")):
            about += [
                "[[tables.variants]]", f'blank_when = ["{load}"]', "[tables.variants.columns]",
                f'reading_id = {{ join = ["scan", "pulley", "reader"], with = "-", prefix = "{name}-{load}-" }}',
                f'load = {{ value = "{"rest" if load == "rest" else "loaded"}" }}',
                f'load_method = {{ value = "{method}" }}', f'gap_mm = {{ from = "{load}", unit = "cm" }}',
                f'below_resolution = {{ from = "{load}", text_is = ["n.d."] }}',
            ]  # fmt: skip
        return "\n".join(about) + "\n"


def seeds() -> list[Seed]:
    """Thirty kinds: every delimiter, encoding, quoting, line end and mark, and sheets."""
    kinds = []
    encodings = ("utf-8", "cp1252", "mac_roman", "utf-16", "latin-1", "cp437")
    for n in range(25):
        decimal = ",."[n % 2]
        delimiter = ";,\t|"[n % 4]
        quoting = ("none", "some", "all")[n % 3]
        if delimiter == decimal and quoting == "none":
            quoting = "some"
        line_end = ("\r\n", "\n")[n // 2 % 2]
        kinds.append(Seed(n, "csv", encodings[n % 6], delimiter, quoting, decimal, line_end, n % 3))
    return kinds + [Seed(25 + n, "xlsx", decimal=",."[n % 2], top=n % 2) for n in range(5)]


HEAD = """\
mapping_version = 1
site_id = "S01"
[[rows.sites]]
site_id = "S01"
country = "AT"
setting = "private_practice"
[[rows.devices]]
device_id = "D1"
site_id = "S01"
[[rows.raters]]
rater_id = "R1"
site_id = "S01"
[[rows.participants]]
participant_id = "P1"
site_id = "S01"
sex = "female"
[[rows.participants]]
participant_id = "P2"
site_id = "S01"
sex = "male"
[sources.days]
file = "days.csv"
format = "csv"
encoding = "ascii"
delimiter = ","
[enrolment]
source = "days"
participant = "patient"
date = "date"
date_format = "%Y-%m-%d"
"""
DAYS = b"patient,date\n1,2021-04-01\n2,2021-04-20\n"


def _insert(data: bytearray, random: Random, start: int) -> None:
    at = random.randint(start, len(data))
    data[at:at] = random.choice(BYTES)


def _flip(data: bytearray, random: Random, start: int) -> None:
    if len(data) > start:
        data[random.randrange(start, len(data))] = random.randrange(256)


def _cut(data: bytearray, random: Random, start: int) -> None:
    at = random.randint(start, len(data))
    del data[at : at + random.randint(1, 30)]


def _truncate(data: bytearray, random: Random, start: int) -> None:
    del data[random.randint(start, len(data)) :]


def _repeat(data: bytearray, random: Random, start: int) -> None:
    at = random.randint(start, len(data))
    data[at:at] = data[at : at + random.randint(1, 120)]


DAMAGES: list[Callable[[bytearray, Random, int], None]] = [
    _insert, _insert, _insert, _flip, _flip, _cut, _truncate, _repeat,
]  # fmt: skip


def _odd_cells(rows: list[list[str]], random: Random) -> None:
    for _ in range(random.randint(0, 4)):
        row = random.choice(rows)
        row[random.randrange(len(row))] = random.choice(HOSTILE)
    if random.random() < 0.2:
        rows.append(list(random.choice(rows)))
    if random.random() < 0.2:
        random.choice(rows).append(random.choice(HOSTILE))
    if random.random() < 0.2:
        row = random.choice(rows)
        del row[random.randrange(len(row))]
    if random.random() < 0.1:
        rows.insert(random.randrange(len(rows)), [""] * len(HEADER))


class _Odd(Seed):
    def rows(self, random: Random) -> list[list[str]]:
        rows = Seed.rows(self, random)
        _odd_cells(rows, random)
        return rows


def mutated(seed: Seed, random: Random) -> bytes:
    """One damaged file of a kind: odd cells and lines, then odd bytes, mostly below the header."""
    if seed.format == "xlsx":
        return _mutated_sheet(seed, random)
    data = bytearray(_Odd(**seed.__dict__).text(random))
    plain = len(seed.text(Random(0)).splitlines()[0]) * (1 + seed.top)
    for _ in range(random.randint(0, 4)):
        start = 0 if random.random() < 0.04 else plain
        random.choice(DAMAGES)(data, random, min(start, len(data)))
    return bytes(data)


def _mutated_sheet(seed: Seed, random: Random) -> bytes:
    rows = seed.rows(random)
    _odd_cells(rows, random)
    book = Workbook()
    sheet = book.active
    sheet.title = "S"
    for line in [["Export"]] * seed.top + [HEADER]:
        sheet.append(line)
    for row in rows:
        sheet.append([_sheet_value(text, random) for text in row])
    if random.random() < 0.1:
        sheet.row_dimensions[random.randint(3, 12)].hidden = True
    if random.random() < 0.1:
        sheet.merge_cells(start_row=5, end_row=6, start_column=2, end_column=3)
    data = io.BytesIO()
    book.save(data)
    held = bytearray(data.getvalue())
    if random.random() < 0.1:
        random.choice(DAMAGES)(held, random, 0)
    return bytes(held)


def _sheet_value(text: str, random: Random) -> object:
    text = "".join(c for c in text if c >= " ")[:2_000]
    chance = random.random()
    if chance < 0.02:
        return random.choice(
            [None, True, 1e300, 10**20, -0.0, dt.date(2021, 5, 1), dt.time(1, 2), "=A1", "#N/A"]
        )
    if chance < 0.6 and text.replace(",", ".").replace(".", "", 1).isdecimal() and text.isascii():
        return float(text.replace(",", "."))
    return text
