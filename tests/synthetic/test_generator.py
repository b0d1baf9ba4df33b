"""Whole cohorts against the format and its rules."""

from __future__ import annotations

import pandas as pd
import pytest

from cohortkit.errors import ArgumentError
from cohortkit.synthetic.design import read_design
from cohortkit.synthetic.generator import generate, reading_rows
from cohortkit.tables.rules import judge
from cohortkit.tables.schema import TABLE_NAMES, pandera_schema, table
from tests.synthetic.cohorts import shipped

DESIGN = read_design()


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_tables_are_those_of_the_format(name):
    frame = shipped().tables[name]
    assert tuple(frame.columns) == tuple(table(name).column_names)
    pandera_schema(name).validate(frame)


def test_no_rule_refuses_a_row():
    breaches = judge(shipped().tables).breaches
    assert breaches[breaches["severity"] == "refuse"].empty


def test_the_same_seed_gives_the_same_cohort():
    again = generate(DESIGN)
    for name in TABLE_NAMES:
        pd.testing.assert_frame_equal(again.tables[name], shipped().tables[name])


def test_another_seed_gives_other_people_and_the_same_raters():
    other = generate(DESIGN, seed=DESIGN.seed + 5)
    assert other.tables["raters"].equals(shipped().tables["raters"])
    assert other.hidden["raters"].equals(shipped().hidden["raters"])
    assert not other.tables["participants"].equals(shipped().tables["participants"])


@pytest.mark.parametrize("scale", [0, -1, float("nan")])
def test_a_scale_that_is_not_above_zero_is_refused(scale):
    with pytest.raises(ArgumentError, match="above 0"):
        generate(DESIGN, scale=scale)


def test_a_small_cohort_is_whole():
    small = generate(DESIGN, scale=0.1)
    assert len(small.tables["participants"]) == 55  # by hand: (300 + 250) / 10
    breaches = judge(small.tables).breaches
    assert breaches[breaches["severity"] == "refuse"].empty


@pytest.mark.parametrize("n", [1, 500, 12_345])
def test_reading_rows_makes_exactly_so_many_of_one_clinic(n):
    tables = reading_rows(n, seed=3)
    assert len(tables["readings"]) == n
    assert set(tables) == set(TABLE_NAMES)
    assert len(tables["sites"]) == 1
    breaches = judge(tables).breaches
    assert breaches[breaches["severity"] == "refuse"].empty


def test_reading_rows_follow_their_seed():
    first, second = reading_rows(300, seed=1), reading_rows(300, seed=1)
    assert first["readings"].equals(second["readings"])
    assert not first["readings"].equals(reading_rows(300, seed=2)["readings"])
