"""A copy of a reading would pass for a repeat without any error: refused where it shows."""

from __future__ import annotations

import pandas as pd
import pytest

from cohortkit.agreement.shared_rows import each_reading_once
from cohortkit.errors import EstimateError
from tests.agreement.asked import AGAIN, ONCE, table, table_for

COUNTING = list(AGAIN)


def doubled(data: pd.DataFrame) -> pd.DataFrame:
    return pd.concat([data, data.iloc[[2]]], ignore_index=True)


@pytest.mark.parametrize("name", [*ONCE, *COUNTING])
def test_every_estimator_refuses_a_copy(name):
    data = table_for(name)
    assert (AGAIN | ONCE)[name](data).estimates
    with pytest.raises(EstimateError, match="more than"):
        (AGAIN | ONCE)[name](doubled(data))


@pytest.mark.parametrize("name", COUNTING)
def test_a_table_that_numbers_no_readings_is_not_checked(name):
    if name == "limits_replicates, varying":  # pairs by read_no
        return
    data = doubled(table(reads=2)).drop(columns="read_no")
    assert AGAIN[name](data).estimates


def test_what_is_found_is_named():
    with pytest.raises(EstimateError) as caught:
        each_reading_once(doubled(table(reads=2)), "scan_id", "rater_id", "gap_mm")
    # by hand: the third row is the first reading of scan s0 by b
    assert caught.value.found == "1 further row, the first: scan_id 's0', rater_id 'b', read_no 1"
    assert "take the copies out" in caught.value.next_step


@pytest.mark.parametrize(
    ("column", "other"),
    [("scan_id", "s0, again"), ("pulley", "A4"), ("caliper_site", "mid"), ("load", "resisted"),
     ("read_mode", "stored"), ("reads_averaged", 3), ("rater_id", "c"), ("read_no", 9)],
)  # fmt: skip
def test_readings_that_differ_in_what_the_format_counts_by_are_two(column, other):
    columns = {"pulley": "A2", "caliper_site": None, "load": "rest", "read_mode": "live"}
    data = doubled(table().assign(**columns, reads_averaged=1))
    with pytest.raises(EstimateError):
        each_reading_once(data, "finger_id", "rater_id")
    data[column] = data[column].astype(object)
    data.loc[len(data) - 1, column] = other
    each_reading_once(data, "finger_id", "rater_id")


def test_ids_of_readings_are_unique():
    data = table().assign(reading_id=lambda d: d.index.astype(str))
    each_reading_once(data, "scan_id", None)
    data.loc[5, "reading_id"] = "4"
    with pytest.raises(EstimateError, match="reading_id '4'"):
        each_reading_once(data, "scan_id", "rater_id")


def test_rows_without_an_id_or_a_value_are_not_compared():
    data = doubled(table())
    data.loc[len(data) - 1, "gap_mm"] = None
    each_reading_once(data, "scan_id", "rater_id", "gap_mm")
    with pytest.raises(EstimateError):
        each_reading_once(data, "scan_id", "rater_id")
    for column in ("scan_id", "rater_id", "read_no"):
        nobody = doubled(table())
        nobody.loc[[2, len(nobody) - 1], column] = None
        each_reading_once(nobody, "scan_id", "rater_id")


def test_without_a_rater_nothing_is_known():
    data = doubled(table()).drop(columns="rater_id")
    each_reading_once(data, "scan_id", None)
