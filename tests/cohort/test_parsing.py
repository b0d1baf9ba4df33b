"""One cell, one value or one code."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cohortkit.cohort.mapping_parts import Fill
from cohortkit.cohort.parsing import CellReader, constant, constant_fault
from cohortkit.cohort.reasons import REASONS
from cohortkit.tables.schema import Field, table

GAP = table("readings").field("gap_mm")
AGE = table("participants").field("age_years")
SEX = table("participants").field("sex")
POP = table("episodes").field("audible_pop")
SCAN = table("scans").field("scan_id")
FREE = dataclasses.replace(GAP, minimum=None, maximum=None)


def read(text: str, about: Field = GAP, *, decimal: str = ",", missing=("",), **fill):
    reader = CellReader(Fill(columns=("x",), **fill), about, decimal, frozenset(missing))
    return reader.read(text)


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    # by hand: the numbers as written
    [("2,1", ",", 2.1), ("2.1", ".", 2.1), ("2", ",", 2.0), (",5", ",", 0.5), ("+2,0", ",", 2.0),
     ("0,123", ",", 0.123), ("1,234", ",", 1.234)],
)  # fmt: skip
def test_numbers(text, decimal, value):
    assert read(text, decimal=decimal).value == value


@pytest.mark.parametrize(
    ("text", "decimal", "code"),
    [
        ("1.234", ",", "ambiguous_thousands"),
        ("1,234", ".", "ambiguous_thousands"),
        ("0.123", ",", "wrong_decimal_mark"),
        ("2.1", ",", "wrong_decimal_mark"),
        (".5", ",", "wrong_decimal_mark"),
        ("1.234.567", ",", "thousands_mark"),
        ("1,234.5", ".", "thousands_mark"),
        ("1e2", ".", "exponent_notation"),
        ("2 mm", ",", "unit_in_cell"),
        ("95%", ".", "unit_in_cell"),
        ("<0,3", ",", "limit_not_declared"),
        ("≥3", ",", "limit_not_declared"),
        ("1.2.23", ",", "date_where_text_expected"),
        ("2,", ",", "not_a_number"),
        ("--2", ",", "not_a_number"),
        ("1_000", ".", "not_a_number"),
        ("٣", ".", "not_a_number"),
        ("0x10", ".", "unit_in_cell"),
        ("1" * 31, ".", "number_too_long"),
    ],
)
def test_texts_that_are_no_number(text, decimal, code):
    assert read(text, decimal=decimal).code == code


@given(st.decimals(min_value=0, max_value=12, places=3))
def test_every_plain_decimal_is_read_exactly(number):
    text = format(number, "f")
    assert read(text, FREE, decimal=".").value == float(number)
    assert read(text.replace(".", ","), FREE, decimal=",").value == float(number)


@given(st.text(max_size=20))
def test_any_text_gives_a_value_or_a_known_code(text):
    for about in (GAP, AGE, SEX, POP, SCAN):
        found = read(text, about)
        assert found.code in REASONS or not found.code
        assert not (found.code and found.value is not None)


def test_range_is_judged_in_the_unit_of_the_format():
    # by hand: 1,3 cm are 13 mm
    found = read("1,3", unit="cm")
    assert (found.code, found.facts["value"], found.facts["limit"]) == ("above_maximum", "13", "12")


@pytest.mark.parametrize(("text", "value"), [("31", 31), ("31,0", 31), ("+31", 31)])
def test_whole_numbers(text, value):
    assert read(text, AGE).value == value


@pytest.mark.parametrize(
    ("text", "code"), [("31,5", "not_a_whole_number"), ("9" * 30, "number_too_long")]
)
def test_texts_that_are_no_whole_number(text, code):
    free = dataclasses.replace(AGE, minimum=None, maximum=None)
    assert read(text, free).code == code


def test_missing_only_if_declared():
    assert read("").value is None
    assert read(" ").code == ""
    assert read("k.A.").code == "not_a_number"
    assert read("k.A.", missing=("k.A.",)).code == ""
    assert read("-", SCAN, missing=()).code == "pattern"
    assert read("-", SCAN, missing=("-",)).value is None


def test_codes_win_over_missing_and_nothing_else_is_taken():
    codes = {"-": "female", " m ": "male"}
    assert read("-", SEX, missing=("-",), codes=codes).value == "female"
    assert read("m", SEX, codes=codes).value == "male"
    assert read("female", SEX, codes=codes).code == "unknown_code"
    assert read("female", SEX).value == "female"


def test_yes_and_no():
    assert read("true", POP).value is True
    assert read("FALSE", POP).value is False
    assert read("ja", POP).code == "not_yes_or_no"
    assert read("ja", POP, codes={"ja": True, "nein": "false"}).value is True
    assert read("nein", POP, codes={"ja": True, "nein": "false"}).value is False


def test_text_that_means_yes():
    texts = {"text_is": ("n.d.",)}
    assert read("n.d.", POP, **texts).value is True
    assert read("2,1", POP, **texts).value is False
    assert read("", POP, **texts).value is None
    assert read("#NV", POP, **texts).code == "excel_error"


def test_prefix_and_pattern():
    assert read("7", SCAN, prefix="S01-").value == "S01-7"
    assert read("a/b", SCAN).code == "pattern"
    assert read("a\n", SCAN, missing=()).value == "a"
    assert read("x" * 65, SCAN).code == "pattern"


@pytest.mark.parametrize(
    ("value", "about", "good"),
    [
        ("female", SEX, True),
        ("frau", SEX, False),
        (True, POP, True),
        ("true", POP, True),
        (1, POP, False),
        (3, GAP, True),
        ("3", GAP, False),
        (True, GAP, False),
        (float("nan"), GAP, False),
        (13, GAP, False),
        (31.5, AGE, False),
        (7, SCAN, False),
    ],
)
def test_constants_of_the_mapping(value, about, good):
    assert (constant_fault(value, about) == "") is good
    assert (constant(value, about).code == "") is good


@pytest.mark.parametrize("cell", ["", "  ", "\u00a0"])
def test_an_empty_cell_is_missing_even_if_no_text_is(cell):
    found = read(cell, missing=())
    assert (found.value, found.code) == (None, "")


def test_an_empty_cell_may_be_given_a_meaning():
    assert read("", SEX, missing=(), codes={"": "not_stated"}).value == "not_stated"
    assert read("", POP, missing=(), text_is=("",)).value is True
