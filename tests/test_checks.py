"""Argument and table checks: one message each, with the value found."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit import checks
from cohortkit.errors import ArgumentError, EstimateError, TableError


class Rows:
    rows = pd.DataFrame({"a": [1]})


def test_as_frame_takes_a_table_or_a_set():
    assert checks.as_frame(Rows()) is Rows.rows
    assert checks.as_frame(Rows.rows) is Rows.rows
    with pytest.raises(TableError, match="list"):
        checks.as_frame([1, 2])


@pytest.mark.parametrize(
    ("allowed", "words"),
    [(["a"], "takes 'a'"), (["a", "b"], "'a' or 'b'"), (["a", "b", "c"], "'a', 'b' or 'c'")],
)
def test_one_of_lists_every_choice(allowed, words):
    assert checks.one_of("form", "a", allowed) == "a"
    with pytest.raises(ArgumentError, match=words):
        checks.one_of("form", "z", allowed)


@pytest.mark.parametrize("value", [0, 1, -0.1, 95, "0.9", float("nan"), None])
def test_proportion_refuses_the_ends_and_percentages(value):
    assert checks.proportion("level", 0.9) == 0.9
    with pytest.raises(ArgumentError, match="level"):
        checks.proportion("level", value)


@pytest.mark.parametrize("value", [0, 2.5, True, "3", None])
def test_count_takes_whole_numbers_only(value):
    assert checks.count("n_boot", np.int64(5)) == 5
    with pytest.raises(ArgumentError, match="n_boot"):
        checks.count("n_boot", value)


def test_columns_renames_to_roles_and_leaves_out_none():
    frame = pd.DataFrame({"patient": ["p", "q"], "score": [1.0, 2.0]}, index=[7, 9])
    picked = checks.columns(frame, {"subject": "patient", "value": "score", "participant": None})
    assert list(picked.columns) == ["subject", "value"]
    assert list(picked.index) == [0, 1]


def test_columns_may_serve_two_roles():
    frame = pd.DataFrame({"patient": ["p"]})
    picked = checks.columns(frame, {"subject": "patient", "participant": "patient"})
    assert picked.loc[0].tolist() == ["p", "p"]


def test_columns_names_the_absent_and_the_doubled():
    with pytest.raises(TableError, match="no column 'judge' for the rater"):
        checks.columns(pd.DataFrame({"a": [1]}), {"rater": "judge"})
    twice = pd.DataFrame([[1, 2]], columns=["judge", "judge"])
    with pytest.raises(TableError, match="2 columns called 'judge'"):
        checks.columns(twice, {"rater": "judge"})


@pytest.mark.parametrize("bad", ["1,4", float("inf"), float("-inf"), "abc"])
def test_numeric_counts_what_is_no_number(bad):
    with pytest.raises(TableError, match="1 other values"):
        checks.numeric(pd.DataFrame({"value": [1.0, bad, None]}), "value")


def test_numeric_keeps_missing_as_missing():
    values = checks.numeric(pd.DataFrame({"value": pd.array([1, None], dtype="Int64")}), "value")
    assert values.dtype == "float64"
    assert np.isnan(values[1])


def test_missing_stops_by_default_and_counts_when_dropped():
    frame = pd.DataFrame({"value": [1.0, np.nan, 3.0], "rater": ["a", "b", None]})
    with pytest.raises(TableError, match=r"value \(1\), rater \(1\)"):
        checks.without_missing(frame, "stop")
    kept, dropped = checks.without_missing(frame, "drop")
    assert (len(kept), dropped) == (1, 2)
    with pytest.raises(ArgumentError, match="'stop' or 'drop'"):
        checks.without_missing(frame, "ignore")


def test_present_names_what_is_asked_for_and_what_stands_there():
    ids = pd.Series([1, 2, 2], name="rater_id")
    checks.present(ids, (1, 2), "rater")
    checks.present(pd.Series([], dtype=object), ("a",), "rater")
    with pytest.raises(EstimateError, match="no such rater") as caught:
        checks.present(ids, ("1", 2), "rater")
    assert "'1' (text) was asked for" in caught.value.found
    assert "column 'rater_id' holds 1, 2 (whole numbers)" in caught.value.found
    many = pd.Series([f"r{i}" for i in range(20)], name="judge")
    with pytest.raises(EstimateError, match=r"\.\.\. \(text\)"):
        checks.present(many, (1.5,), "rater")


def test_in_order_follows_the_categories_of_a_categorical():
    column = pd.Series(pd.Categorical(["a", "b", None], ["b", "unused", "a"]))
    assert checks.in_order(column) == ["b", "a"]
    assert checks.in_order(pd.Series([10, 2, 2])) == [2, 10]


def test_ids_that_read_alike_are_told():
    for column in ([1, "1"], ["2", 2.0], [3, "x", "3"]):
        with pytest.raises(TableError, match="'who' holds ids that read alike"):
            checks.columns(pd.DataFrame({"who": column}), {"rater": "who"})
    table = pd.DataFrame({"who": [1, "R1", "R1", None], "size": [1, "1", 2.5, None]})
    found = checks.columns(table, {"rater": "who", "value": "size"})
    assert found["rater"].tolist()[:3] == [1, "R1", "R1"]


def test_ids_without_an_order_are_told():
    table = pd.DataFrame({"who": [1, pd.Timestamp("2020-01-02")]})
    with pytest.raises(TableError, match=r"'who' mixes types of ids.*Timestamp, int"):
        checks.columns(table, {"rater": "who"})


@pytest.mark.parametrize("ids", [["2", "10", "1", None], [2, 10, 1, None], [2.0, 10.0, 1.0, None]])
def test_codes_follow_the_text_of_the_ids(ids):
    # by hand: as text 1, 10, 2
    assert checks.codes(pd.Series(ids, dtype=object)).tolist() == [2, 1, 0, -1]
    assert checks.codes(pd.Series(ids)).tolist() == [2, 1, 0, -1]


def test_columns_give_a_categorical_as_its_plain_values():
    table = pd.DataFrame({"c": pd.Categorical([2, 1, 2], [3, 2, 1])})
    found = checks.columns(table, {"rater": "c"})["rater"]
    assert not isinstance(found.dtype, pd.CategoricalDtype)
    assert found.tolist() == [2, 1, 2]
    gaps = pd.DataFrame({"c": pd.Categorical([2, None], [2, 1])})
    assert checks.columns(gaps, {"rater": "c"})["rater"].isna().tolist() == [False, True]
