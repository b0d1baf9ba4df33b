"""Which categories there are, and in which order."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement.categories import encode, ordered_categories
from cohortkit.errors import ArgumentError, TableError


def order(values, column="value", given=None, order_matters=True):
    return ordered_categories(pd.Series(values), column, given, order_matters=order_matters)


def test_tear_status_has_the_order_of_the_schema():
    expected = ("none", "strain", "partial", "complete")
    assert order(["complete", "none"], "status") == expected
    assert order(pd.array(["partial"], dtype="string"), "status") == expected


def test_grades_rise():
    assert order(["IV", "II"], "grade") == ("I", "II", "III", "IV")


def test_a_column_of_the_format_with_foreign_values_is_not_taken_for_it():
    with pytest.raises(ArgumentError, match="order of the categories is not known"):
        order(["torn", "none"], "status")
    assert order(["torn", "none"], "status", order_matters=False) == ("none", "torn")


@pytest.mark.parametrize("dtype", ["int64", "Int64", "float64", "Float64"])
def test_numbers_have_their_own_order(dtype):
    found = order(pd.Series([10, 2, 5, 2], dtype=dtype))
    assert found == (2, 5, 10)
    assert encode(pd.Series([10, 2, 5, 2], dtype=dtype), found).tolist() == [2, 0, 1, 0]


def test_yes_and_no():
    assert order(pd.Series([True, False], dtype="boolean")) == (False, True)


def test_words_need_an_order_only_where_it_matters():
    assert order(["b", "c", "a"], order_matters=False) == ("a", "b", "c")
    with pytest.raises(ArgumentError, match="rising order") as stop:
        order(["mild", "severe"])
    assert "mild, severe" in str(stop.value)


def test_the_callers_order_wins():
    assert order(["b", "a"], given=["b", "a", "c"]) == ("b", "a", "c")
    assert order(["none"], "status", given=["complete", "none"]) == ("complete", "none")


@pytest.mark.parametrize("given", [[], ["a", "a"], "ab"])
def test_given_categories_are_different(given):
    with pytest.raises(ArgumentError, match="different categories"):
        order(["a"], given=given)


def test_a_rating_outside_the_categories_is_named():
    with pytest.raises(TableError, match="none of the categories given") as stop:
        order(["a", "z"], given=["a", "b"])
    assert "Found: z" in str(stop.value)


def test_codes_are_places():
    assert encode(pd.Series(["b", "a", "b"]), ("a", "b")).dtype == np.intp
    assert encode(pd.Series(["b", "a", "b"]), ("a", "b")).tolist() == [1, 0, 1]
