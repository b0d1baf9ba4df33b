"""One rule for how numbers look."""

from __future__ import annotations

import math

import pytest

from cohortkit import display


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (1.2345, "mm", "1.23"),
        (0.98765, "1", "0.988"),
        (181.4, "d", "181"),
        (-0.0001, "1", "-0.0001"),
        (-0.00049, "1", "-0.00049"),
        (0.0, "mm", "0.00"),
        (-0.0, "mm", "0.00"),
        (1e10, "mm", "1e+10"),
        (math.nan, "d", "not reached"),
        (math.nan, "mm", "undefined"),
        (math.inf, "d", "no limit"),
        (-math.inf, "mm", "no lower limit"),
    ],
)
def test_number_by_unit(value, unit, text):
    assert display.number(value, unit) == text


def test_one_has_no_plural():
    assert [display.counted(n, "rater") for n in range(3)] == ["0 raters", "1 rater", "2 raters"]


def test_interval_is_in_brackets_or_absent():
    assert display.interval(1.0, 2.0, "mm") == "[1.00, 2.00]"
    assert display.interval(math.nan, math.nan, "mm") == ""
    assert display.interval(1.0, math.nan, "d") == "[1, not reached]"


def test_unit_is_appended_to_numbers_only():
    assert display.with_unit("1.23", "mm") == "1.23 mm"
    assert display.with_unit("0.010", "mm/{read_no}") == "0.010 mm per read_no"
    assert display.with_unit("0.010", "/{age_years}") == "0.010 per age_years"
    assert display.with_unit("0.9", "1") == "0.9"
    assert display.with_unit("not reached", "d") == "not reached"


def test_sample_sizes_name_each_level_that_exists():
    counts = {"n_participants": 1, "n_fingers": None, "n_readings": 4}
    assert display.sample_sizes({"n_participants": 3, "n_episodes": 1}) == (
        "3 participants, 1 episode"
    )
    assert display.sample_sizes(counts) == "1 participant, 4 readings"


def test_text_table_keeps_columns_straight():
    table = display.text_table(["a", "long heading"], [["wide cell", "x"]])
    assert table.splitlines() == [
        "a          long heading",
        "---------  ------------",
        "wide cell  x",
    ]


def test_html_table_escapes():
    assert "<td>&lt;b&gt;</td>" in display.html_table(["h"], [["<b>"]])


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "p < 0.001"), (0.0004, "p < 0.001"), (0.0312, "p = 0.031"), (0.0999, "p = 0.10"),
     (0.43, "p = 0.43"), (1.0, "p = 1.00")],
)  # fmt: skip
def test_a_p_value_is_never_zero(value, text):
    assert display.p_value(value) == text
