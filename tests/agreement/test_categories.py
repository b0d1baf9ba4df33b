"""Which categories there are, and in which order."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit import agreement
from cohortkit.agreement.categories import declared_order, encode, ordered_categories
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


def test_whole_numbers_are_shown_as_such():
    # by hand: a column of whole numbers with a gap is read as floats
    assert list(map(str, order([2.0, 1.0, np.nan][:2]))) == ["1", "2"]
    assert list(map(str, order([2.0, 1.5]))) == ["1.5", "2"]
    assert list(map(str, order([2.0, 1.0], given=(1.0, 2.0, 3.0)))) == ["1", "2", "3"]
    rows = pd.DataFrame({"episode_id": [1, 1, 2, 2, 3, 3], "rater_id": ["a", "b"] * 3})
    rows["size"] = pd.Series([1.0, 2.0, 1.0, 1.0, 2.0, 2.0])
    found = agreement.fleiss_kappa(rows, value="size", participant=None)
    assert found.settings["categories"] == ["1", "2"]
    rows["size"] = pd.Series([1.0, 2.0, 1.0, 1.0, 3.0, 3.0])
    found = agreement.fleiss_kappa(rows, value="size", participant=None)
    groups = [e.group for e in found if e.name == "category_kappa"]
    assert groups == ["category=1", "category=2", "category=3"]


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


def graded(ordered=True):
    """Invented: 12 subjects, two raters, grades whose order is not that of the alphabet."""
    names = ["mild", "moderate", "severe"]
    first = [0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2]
    second = [0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 0]
    return pd.DataFrame(
        {
            "subject": [*range(12)] * 2,
            "rater": ["a"] * 12 + ["b"] * 12,
            "value": pd.Categorical.from_codes(first + second, names, ordered=ordered),
        }
    )


OWN = {"subject": "subject", "rater": "rater", "value": "value", "participant": None, "n_boot": 200}


def test_an_ordered_categorical_brings_its_order():
    table = graded()
    text = table.assign(value=table["value"].astype(str))
    names = ("mild", "moderate", "severe")
    for ask in (agreement.krippendorff_alpha, agreement.gwet_ac, agreement.cohen_kappa):
        kind = (
            {"metric": "ordinal"} if ask is agreement.krippendorff_alpha else {"weights": "linear"}
        )
        found, told = ask(table, **kind, **OWN), ask(text, categories=names, **kind, **OWN)
        assert [e.value for e in found] == [e.value for e in told]
        assert found.settings["categories"] == list(names)
        with pytest.raises(ArgumentError, match="ordered Categorical"):
            ask(text, **kind, **OWN)
        with pytest.raises(ArgumentError, match="order of the categories is not known"):
            ask(graded(ordered=False), **kind, **OWN)


def test_categories_that_nobody_used_stay_and_the_callers_come_first():
    table = graded()
    wide = table.assign(value=table["value"].cat.add_categories(["worst"]))
    assert agreement.gwet_ac(wide, **OWN).settings["categories"][-1] == "worst"
    other = ("severe", "moderate", "mild")
    found = agreement.gwet_ac(table, categories=other, **OWN)
    assert found.settings["categories"] == list(other)
    assert declared_order(pd.Series([1, 2])) is None
