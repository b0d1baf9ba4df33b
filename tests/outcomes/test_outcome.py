"""The outcome type and its checks."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.errors import TableError
from cohortkit.outcomes import Outcome


def test_kinds_of_rows():
    outcome = Outcome.from_columns([0, 30, 50, 0], [20, np.inf, 50, np.inf])
    assert outcome.exact.tolist() == [False, False, True, False]
    assert outcome.ended.tolist() == [False, True, False, True]


def test_seen_takes_the_visit_that_found_it():
    day, found = Outcome.from_columns([10, 30, 50], [20, np.inf, 50]).seen()
    assert day.tolist() == [20, 30, 50]
    assert found.tolist() == [True, False, True]


@pytest.mark.parametrize(
    ("left", "right", "words"),
    [
        ([5, 20], [9, 10], "the left day lies after the right day"),
        ([5, -1], [9, 10], "a day lies before day 0"),
        ([5, np.nan], [9, 10], "a day is missing"),
        ([5, 1], [9, np.nan], "a day is missing"),
        ([5, np.inf], [9, np.inf], "is infinite"),
    ],
)
def test_what_is_no_interval_is_refused_by_row(left, right, words):
    with pytest.raises(TableError, match=words) as caught:
        Outcome.from_columns(left, right)
    assert "row 1 (counted from 0)" in str(caught.value)
    assert "1 rows" in caught.value.found


def test_takes_extension_columns():
    outcome = Outcome.from_columns(pd.array([1, 2], dtype="Int64"), pd.Series([3.0, np.inf]))
    assert outcome.left.tolist() == [1.0, 2.0]


def test_no_rows_is_a_valid_empty_outcome():
    assert len(Outcome.from_columns([], []).left) == 0
