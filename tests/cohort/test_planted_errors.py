"""Errors planted at known places are all found in one pass, and nothing else is."""

from __future__ import annotations

from random import Random

import pytest

from cohortkit.cohort.validation import import_clinic
from tests.cohort.mutations import DAYS, HEAD, HEADER, Seed

ROWS = 60
CELLS = {
    "scan": [("a b", "pattern"), ("02. Apr", "date_where_text_expected"), ("", "required_missing")],
    "patient": [("77", "parent_missing"), ("", "required_missing")],
    "side": [("mitte", "unknown_code"), ("", "required_missing"), ("#NV", "excel_error")],
    "finger": [("VI", "unknown_code"), ("2", "unknown_code")],
    "date": [("31.02.2021", "date_not_in_format"), ("5/5/2021", "date_not_in_format"),
             ("05.05.0021", "date_out_of_range"), ("", "required_missing")],
    "warm": [("vielleicht", "unknown_code")],
    "pulley": [("A5", "unknown_code"), ("Feb-04", "date_where_text_expected")],
    "reader": [("R9", "parent_missing"), ("R 1", "pattern"), ("", "required_missing")],
    "rest": [("0.11", "wrong_decimal_mark"), ("abc", "not_a_number"), ("1.234", "ambiguous_thousands"),
             ("0,1 cm", "unit_in_cell"), ("<0,2", "limit_not_declared"), ("0,0", "gap_above_zero")],
    "load": [("2,1E-1", "exponent_notation"), ("21", "above_maximum"), ("-0,2", "below_minimum"),
             ("nan", "not_a_number"), ("#DIV/0!", "excel_error"), ("1'234", "thousands_mark")],
}  # fmt: skip
LINES = {
    "extra_field": lambda line: line + ";x",
    "short_row": lambda line: line.rpartition(";")[0],
    "stray_quote": lambda line: line.replace("R1", 'R"1'),
    "unclosed_quote": lambda line: line.replace("R1", '"R1'),
    "nul_character": lambda line: line.replace("R1", "R\x001"),
    "bare_carriage_return": lambda line: line.replace("R1", "R\r1"),
}
Planted = set[tuple[int, str, str]]


def clean_rows(random: Random) -> list[list[str]]:
    rows = []
    for n in range(ROWS):
        gaps = [f"0,{random.randint(8, 14):02d}", f"0,{random.randint(15, 30)}"]
        person, day = "12"[n // 2 % 2], f"{1 + n // 2 % 28:02d}.05.2021"
        rows.append(
            [f"s{n // 2}", person, "re", "III", day, "ja", ["A2", "A4"][n % 2], "R1", *gaps, ""]
        )
    return rows


def plant(random: Random, n_errors: int) -> tuple[list[str], Planted]:
    """Lines of a file, and line, column and code of each error in it."""
    rows = clean_rows(random)
    planted: Planted = set()
    free = [(row, column) for row in range(ROWS) for column in CELLS]
    for row, column in random.sample(free, n_errors):
        cell, code = random.choice(CELLS[column])
        rows[row][HEADER.index(column)] = cell
        planted.add((row + 2, column, code))
    lines = [";".join(row) for row in rows]
    untouched = sorted(set(range(ROWS)) - {line - 2 for line, _, _ in planted})
    for row in random.sample(untouched, min(4, len(untouched))):
        code = random.choice(sorted(LINES))
        lines[row] = LINES[code](lines[row])
        planted.add((row + 2, "", code))
        untouched.remove(row)
    if untouched:
        lines.append(lines[random.choice(untouched)])
        planted.add((len(lines) + 1, "", "duplicate_record"))
    return [";".join(HEADER), *lines], planted


def found_in(folder, lines: list[str]) -> tuple[Planted, int]:
    """Line, column and code of each refusal in the file, and the number of refused records."""
    seed = Seed(0, "csv")
    folder.mkdir()
    (folder / "days.csv").write_bytes(DAYS)
    (folder / seed.file).write_bytes("\n".join(lines).encode())
    (folder / "mapping.toml").write_text(HEAD + seed.mapping())
    intake = import_clinic(folder / "mapping.toml")
    held = intake.problems[
        (intake.problems["severity"] == "refuse") & (intake.problems["source"] == "f0")
    ]
    places = zip(held["line"], held["column"], held["code"], strict=True)
    refused = intake.counts.set_index("source").loc["f0", "refused"]
    return {(int(line), column, code) for line, column, code in places}, int(refused)


def consequences(planted: Planted) -> Planted:
    """What has to be said besides: a lost participant, a code with an empty part."""
    more = {(line, "patient", "no_enrolment_date") for line, column, code in planted
            if (column, code) == ("patient", "parent_missing")}  # fmt: skip
    more |= {(line, column, "id_part_missing") for line, column, code in planted
             if column in ("scan", "reader") and code == "required_missing"}  # fmt: skip
    return more


@pytest.mark.parametrize("number", range(50))
def test_every_planted_error_is_found_in_one_pass(tmp_path, number):
    random = Random(number)
    lines, planted = plant(random, random.randint(1, 45))
    found, refused = found_in(tmp_path / "clinic", lines)
    assert planted - found == set()
    extra = {f for f in found - planted - consequences(planted) if f[2] != "parent_refused"}
    assert extra == set()
    assert refused >= len({line for line, _, _ in planted})


def test_a_clean_file_raises_no_alarm(tmp_path):
    lines = [";".join(HEADER), *(";".join(row) for row in clean_rows(Random(1)))]
    assert found_in(tmp_path / "clinic", lines) == (set(), 0)
