"""From a table to factors, fixed columns and a centred response."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.mixed.design import build, factor_names, fixed_columns, level_codes
from tests.mixed.designs import crossed


@pytest.mark.parametrize(
    "random", ["subject", ["subject"], [], [[]], [["subject"], "rater"], [[1]]]
)
def test_random_is_a_list_of_lists_of_names(random):
    with pytest.raises(ArgumentError, match="list of random factors"):
        factor_names(random)


@pytest.mark.parametrize("random", [[["a"], ["a"]], [["a", "b"], ["b", "a"]], [["a", "a"]]])
def test_a_factor_is_named_once(random):
    with pytest.raises(ArgumentError, match="same columns twice"):
        factor_names(random)


def test_names_are_joined_by_a_colon():
    assert factor_names([["a"], ["a", "b"]]) == ["a", "a:b"]


def test_only_combinations_that_occur_are_levels():
    table = pd.DataFrame({"a": ["x", "x", "y"], "b": [1, 2, 1]})
    codes, size = level_codes(table, ["a", "b"])
    assert (list(codes), size) == ([0, 1, 2], 3)


def test_levels_may_be_of_several_kinds():
    table = pd.DataFrame({"a": [1, "x", 2.5, 1, "x", 2.5]})
    codes, size = level_codes(table, ["a"])
    assert size == 3
    assert len({(c, str(v)) for c, v in zip(codes, table["a"], strict=True)}) == 3


def test_fixed_columns_keep_numbers_and_step_from_the_first_level():
    table = pd.DataFrame({"x": [1.0, 2.0, 6.0], "g": ["b", "a", "c"], "yes": [True, False, True]})
    names, units, columns, back = fixed_columns(table, ["x", "g", "yes"])
    assert names == ["intercept", "x", "g[b]", "g[c]", "yes[True]"]
    assert units == ["", "x", "", "", ""]
    # by hand: the mean of 1, 2 and 6 is 3
    assert np.array_equal(columns[:, 1], [-2, -1, 3])
    assert np.array_equal(columns[:, 2:], [[1, 0, 1], [0, 0, 0], [0, 1, 1]])
    assert back[0, 1] == -3


def test_the_first_category_is_the_base():
    table = pd.DataFrame({"g": pd.Categorical(["b", "a", "c"], ["c", "b", "a", "unused"])})
    assert fixed_columns(table, ["g"])[0] == ["intercept", "g[b]", "g[a]"]


def test_nullable_columns_are_numbers():
    table = crossed(4, 3, 2, (1, 0.3, 0.5)).convert_dtypes()
    table["step"] = pd.array(range(len(table)), dtype="Int64")
    design = build(table, value="value", random=[["subject"]], fixed=["step"])
    assert design.fixed.names == ("intercept", "step")


def test_the_response_can_be_put_together_again():
    table = crossed(6, 4, 2, (1, 0.3, 0.5))
    table["value"] += 1e6
    table["x"] = np.arange(len(table)) + 1e8
    design = build(table, value="value", random=[["subject"]], fixed=["x"])
    again = design.offset + design.fixed.basis @ design.shift + design.scale * design.response
    assert again == pytest.approx(table["value"].to_numpy(), rel=1e-15)
    assert design.fixed.basis.T @ design.response == pytest.approx(np.zeros(2), abs=1e-12)
    assert (design.response**2).mean() == pytest.approx(1)


@pytest.mark.parametrize(
    ("column", "words"),
    [
        ("one", "do not carry separate effects"),
        ("twice", "do not carry separate effects"),
        ("word", "has one level"),
        ("endless", "infinite"),
    ],
)
def test_fixed_columns_that_say_nothing_are_refused(column, words):
    table = crossed(6, 4, 2, (1, 0.3, 0.5))
    table["x"] = np.arange(48.0)
    table["one"], table["twice"], table["word"] = 1.0, 2 * table["x"] + 3, "a"
    table["endless"] = np.where(table["x"] == 3, np.inf, table["x"])
    with pytest.raises(EstimateError, match=words):
        build(table, value="value", random=[["subject"]], fixed=["x", column])


def test_more_fixed_columns_than_rows_are_refused():
    table = crossed(4, 1, 1, (1, 0.3, 0.5))
    table["name"] = list("abcd")
    with pytest.raises(EstimateError, match="do not carry separate effects"):
        build(table, value="value", random=[["rater"]], fixed=["name", "subject"])


@pytest.mark.parametrize("offset", [0.0, 2.0, 0.1, 1e10 + 0.1])
def test_values_without_spread_are_refused(offset):
    table = crossed(6, 4, 2, (0, 0, 0))
    table["value"] = offset
    with pytest.raises(EstimateError, match="no spread"):
        build(table, value="value", random=[["subject"]], fixed=[])


def test_values_explained_by_the_fixed_part_are_refused():
    table = crossed(6, 4, 2, (0, 0, 0))
    table["x"] = np.arange(48.0)
    table["value"] = 3 * table["x"] + 1
    with pytest.raises(EstimateError, match="explain every value"):
        build(table, value="value", random=[["subject"]], fixed=["x"])


@pytest.mark.parametrize("rows", [0, 1, 2])
def test_fewer_than_three_rows_are_refused(rows):
    table = crossed(6, 4, 2, (1, 0.3, 0.5)).iloc[:rows]
    with pytest.raises(EstimateError, match="at least three rows"):
        build(table, value="value", random=[["subject"]], fixed=[])
