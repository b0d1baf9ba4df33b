"""Which rows are used, and whose they are."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.errors import TableError
from cohortkit.mixed.rows import counts, persons_left_out, used_rows


@pytest.fixture
def table():
    return pd.DataFrame(
        {
            "participant_id": ["a", "a", "b", "b", "c"],
            "side": ["left", "right", "left", "left", "left"],
            "digit": ["ring"] * 5,
            "rater_id": [1, 2, 1, 2, 1],
            "gap_mm": [1.0, 2.0, np.nan, 3.0, 4.0],
        }
    )


def test_rows_without_missing_values_and_where_they_stood(table):
    used, kept, dropped = used_rows(table, "gap_mm", [["rater_id"]], ["side"], "drop")
    assert list(used.columns) == ["gap_mm", "rater_id", "side"]
    assert list(kept) == [0, 1, 3, 4]
    assert dropped == 1


def test_an_absent_column_is_named_with_its_argument(table):
    with pytest.raises(TableError, match=r"no column 'judge'.*argument 'random'"):
        used_rows(table, "gap_mm", [["judge"]], [], "stop")
    with pytest.raises(TableError, match=r"no column 'reading'.*argument 'value'"):
        used_rows(table, "reading", [["rater_id"]], [], "stop")


def test_a_doubled_column_is_refused(table):
    twice = pd.concat([table, table[["side"]]], axis=1)
    with pytest.raises(TableError, match="2 columns 'side'"):
        used_rows(twice, "gap_mm", [["rater_id"]], ["side"], "drop")


def test_text_values_are_refused(table):
    with pytest.raises(TableError, match="must be a finite number"):
        used_rows(table.assign(gap_mm="x"), "gap_mm", [["rater_id"]], [], "stop")


def test_counts_of_persons_fingers_and_readings(table):
    kept = pd.Index([0, 1, 3, 4])
    assert counts(table, kept, "participant_id") == {
        "n_participants": 3, "n_fingers": 4, "n_readings": 4,
    }  # fmt: skip
    assert counts(table.drop(columns="side"), kept, "participant_id")["n_fingers"] is None
    assert counts(table, kept, None)["n_participants"] is None
    assert counts(table.assign(finger_id="f"), kept, "participant_id")["n_fingers"] == 1


def test_persons_are_left_out_if_they_repeat_and_no_factor_splits_by_person(table):
    every = pd.Index(range(5))
    assert persons_left_out(table, every, [["rater_id"]], "participant_id")
    assert persons_left_out(table, every, [["participant_id", "side"]], "participant_id")
    assert not persons_left_out(table, every, [["participant_id"]], "participant_id")
    assert not persons_left_out(table, every, [["rater_id"]], None)
    assert not persons_left_out(table, every, [["rater_id"]], "person")
    assert not persons_left_out(table, pd.Index([0, 2, 4]), [["rater_id"]], "participant_id")


def test_another_name_for_persons_will_do(table):
    table["climber"] = table["participant_id"].str.upper()
    assert not persons_left_out(table, pd.Index(range(5)), [["climber"]], "participant_id")
