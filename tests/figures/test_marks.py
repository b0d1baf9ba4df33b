import pytest

from cohortkit.errors import TableError
from cohortkit.estimate import Estimate
from cohortkit.figures import marks
from cohortkit.tables.canonical import to_csv_bytes

ROWS = [
    marks.mark("p", "s", "point", x=1.5, y=2.0, unit="mm"),
    marks.mark("p", "t", "none", "Not estimated.", n_participants=3),
]


def test_frame_has_fixed_columns_and_types_whatever_is_given():
    table = marks.frame(ROWS)
    assert tuple(table.columns) == marks.COLUMNS
    assert str(table["n_participants"].dtype) == "Int64"
    assert str(table["x"].dtype) == "float64"
    assert marks.frame([]).dtypes.equals(table.dtypes)


def test_an_estimate_keeps_its_full_precision():
    estimate = Estimate("auc", 1 / 3, 0.1, 0.9, 0.95, "1", "m", n_participants=7)
    table = marks.frame([marks.estimate_mark("roc", "A2", "auc", estimate)])
    assert table["x"].iloc[0] == 1 / 3
    assert b'"0.3333333333333333"' in to_csv_bytes(table)  # by hand: 1/3 in shortest form


def test_rows_can_be_picked_by_text_columns():
    table = marks.frame(ROWS)
    assert list(marks.pick(table, mark="point", series="s")["x"]) == [1.5]
    assert marks.series_of(table) == ["s", "t"]


def test_reasons_are_joined_once_each():
    table = marks.frame([*ROWS, ROWS[1]])
    assert marks.reasons(table) == "Not estimated."
    assert marks.reasons(marks.frame(ROWS[:1])) == "nothing to show"


def test_n_is_written_with_the_right_number():
    row = {"n_participants": 1, "n_fingers": 1200, "n_readings": None}
    assert marks.n_text(row) == "1 participant, 1,200 fingers"


def test_another_table_is_refused():
    with pytest.raises(TableError, match="panel"):
        marks.checked(marks.frame(ROWS).drop(columns="panel"))
