"""Reading the rows of an outcome question."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.errors import ArgumentError, TableError
from cohortkit.outcomes.rows import (
    day_column,
    days_argument,
    group_notes,
    read_rows,
    row_notes,
    split,
)
from tests.outcomes.planted import table

ROLES = ("left", "right")


def test_default_columns_that_are_absent_are_done_without():
    rows, dropped, column = read_rows(table([0, 5], [10, 20]), ROLES, {}, "stop")
    assert set(rows) == {"left", "right", "participant", "group"}
    assert (dropped, column) == (0, "grade")


def test_rows_of_no_participant_are_independent_by_declaration():
    rows, _, column = read_rows(table([0, 5], [10, 20]), ROLES, {"participant": None}, "stop")
    group = next(split(rows, ROLES, column))
    assert group.cluster.tolist() == [0, 1]
    assert not group.has_participants
    assert group.estimate("x", (1, 0, 2), 0.9, "m", "d").n_participants is None


def test_groups_keep_their_rows_together():
    data = table([0, 5, 7], [10, 20, 30]).assign(grade=["II", "I", "II"])
    rows, _, column = read_rows(data, ROLES, {}, "stop")
    first, second = split(rows, ROLES, column)
    assert (first.label, second.label) == ("grade=I", "grade=II")
    assert second.first.tolist() == [0, 7]


def test_numbers_as_groups():
    data = table([0, 5], [10, 20]).assign(grade=[2, 1])
    rows, _, column = read_rows(data, ROLES, {}, "stop")
    assert [g.label for g in split(rows, ROLES, column)] == ["grade=1", "grade=2"]


def test_days_asked_for_are_sorted_and_unique():
    assert days_argument([365, 180, 180]) == (180.0, 365.0)
    with pytest.raises(ArgumentError):
        days_argument([np.nan])


@pytest.mark.parametrize("infinite", [True, False])
def test_infinity_is_allowed_where_it_means_not_yet(infinite):
    rows = pd.DataFrame({"right": [1.0, np.inf]})
    if infinite:
        assert day_column(rows, "right", infinite=True).tolist() == [1.0, np.inf]
    else:
        with pytest.raises(TableError, match="1 other values"):
            day_column(rows, "right", infinite=False)


def test_integer_extension_days():
    rows = pd.DataFrame({"left": pd.array([1, 2], dtype="Int64")})
    assert day_column(rows, "left", infinite=True).tolist() == [1.0, 2.0]


def test_notes_on_a_group_name_it():
    rows, _, column = read_rows(table([0, 5], [10, 20]), ROLES, {}, "stop")
    group = next(split(rows, ROLES, column))
    assert [n.code for n in group_notes(group, 0)] == ["few_participants", "no_returner"]
    assert "(grade=II)" in group_notes(group, 1)[0].message


def test_ends_that_compete_are_counted_in_each_group():
    ends = ["", "surgery", "gave_up", "surgery", ""]
    grades = ["I", "III", "III", "IV", "IV"]
    rows = pd.DataFrame({"competing": ends, "group": grades})
    (note,) = row_notes(rows, 0)
    # by hand: none of one, both of two, one of two
    assert "by group I 0 of 1, III 2 of 2, IV 1 of 2" in note.message
    assert "what would be if nobody had ended so" in note.message
    (note,) = row_notes(rows.assign(group="I"), 0)
    assert "by group" not in note.message
    (note,) = row_notes(rows.drop(columns="group"), 0)
    assert "3 of 5 episodes ended otherwise (gave up 1, surgery 2)" in note.message
