"""One text per row."""

from __future__ import annotations

import pandas as pd

from cohortkit.cohort.row_keys import row_keys
from cohortkit.tables.schema import empty, typed


def test_a_key_of_one_column_is_that_column():
    frame = typed(
        pd.DataFrame({"site_id": ["S2", "S1"], "country": "AT", "setting": "private_practice"}),
        "sites",
    )
    assert row_keys(frame, "sites").tolist() == ["S2", "S1"]


def test_a_key_of_several_columns_is_joined_and_whole_numbers_stay_whole():
    rows = {"episode_id": ["E1"], "kind": ["tape"], "start_day": [-3]}
    assert row_keys(typed(pd.DataFrame(rows), "treatments"), "treatments").tolist() == [
        "E1|-3|tape"
    ]


def test_a_missing_part_makes_the_key_missing():
    rows = {"episode_id": ["E1", None], "pulley": ["A2", "A2"], "status": ["none", "none"]}
    assert row_keys(typed(pd.DataFrame(rows), "tears"), "tears").isna().tolist() == [False, True]


def test_no_rows_give_no_keys():
    assert row_keys(empty("visits"), "visits").tolist() == []
