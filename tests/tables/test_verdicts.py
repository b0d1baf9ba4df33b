"""The few operations that rules share."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.tables.verdicts import (
    beside,
    differ,
    equal,
    get,
    known,
    numbers,
    positions,
    said,
    site_of_scans,
    taken,
    verdict,
)
from tests.tables.rows import cohort


def text(*values):
    return pd.Series(values, dtype="string")


def test_positions_take_the_first_and_say_minus_one():
    at = positions(text("b", "x", None, "a"), text("a", "b", "b", None))
    assert at.tolist() == [1, -1, -1, 0]


@pytest.mark.parametrize("empty", [0, 1])
def test_positions_in_and_of_nothing(empty):
    at = positions(text(*["a"] * empty), text())
    assert at.tolist() == [-1] * empty


def test_taken_is_missing_where_nothing_was_found():
    at = np.array([1, -1])
    assert taken(text("a", "b"), at).isna().tolist() == [False, True]
    assert taken(pd.Series([1, 2], dtype="Int64"), at).isna().tolist() == [False, True]
    assert taken(pd.Series([1.0, 2.0]), at).isna().tolist() == [False, True]


def test_beside_looks_up_several_columns():
    left = pd.DataFrame({"k": text("b", "x")})
    right = pd.DataFrame({"k": text("a", "b"), "v": [1.0, 2.0], "w": text("p", "q")})
    found = beside(left, "k", right, "v", "w")
    assert found["v"].tolist()[0] == 2.0
    assert found["w"].tolist()[0] == "q"
    assert found.isna().all(axis=1).tolist() == [False, True]


def test_missing_values_are_neither_equal_nor_different():
    left, right = text("a", None, "a", None), text("a", "a", "b", None)
    assert equal(left, "a").tolist() == [True, False, True, False]
    assert differ(left, right).tolist() == [False, False, True, False]
    assert known(pd.DataFrame({"l": left, "r": right}), "l", "r").tolist() == [
        True,
        False,
        True,
        False,
    ]


def test_numbers_turn_missing_into_nan():
    values = numbers(pd.Series([1, None], dtype="Int64"))
    assert values[0] == 1
    assert np.isnan(values[1])


def test_a_row_that_cannot_be_judged_is_not_broken():
    frame = pd.DataFrame({"a": [1, 2, 3]})
    judged, broken = np.array([True, False, True]), np.array([True, True, False])
    answer = verdict("readings", judged, broken, ("a",), said(frame, "a is {}", "a"))
    assert answer.broken.tolist() == [True, False, False]
    assert answer.messages == ["a is 1"]


def test_braces_in_a_value_stay_text():
    frame = pd.DataFrame({"a": ["{0.__class__}"]})
    assert said(frame, "a is {}", "a")(np.array([0])) == ["a is {0.__class__}"]


def test_an_absent_table_has_no_rows_and_all_columns():
    assert len(get({}, "readings")) == 0
    assert "gap_mm" in get({}, "readings").columns


def test_site_of_scans_is_the_participants():
    tables = cohort(scans=[{}, {"participant_id": "X9"}])
    assert site_of_scans(tables)["site_id"].isna().tolist() == [False, True]
