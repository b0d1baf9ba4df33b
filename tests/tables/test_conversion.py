"""Clean values become typed columns; nothing is guessed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.errors import TableError
from cohortkit.tables.schema import DTYPES, TABLE_NAMES, empty, table, typed
from tests.tables.rows import BASE, cohort


def reading(**change):
    return typed(pd.DataFrame([{**BASE["readings"], **change}], dtype=object), "readings")


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_columns_have_the_declared_order_and_type(name):
    for frame in (cohort()[name], empty(name), typed(empty(name), name)):
        assert tuple(frame.columns) == table(name).column_names
        for field in table(name).fields:
            assert str(frame[field.name].dtype) == DTYPES[field.type]
        assert frame.index.equals(pd.RangeIndex(len(frame)))


def test_text_and_values_give_the_same_frame():
    as_text = {
        column: "" if value is None else str(value).lower() if isinstance(value, bool) else value
        for column, value in BASE["readings"].items()
    }
    as_text |= {"gap_mm": "1.2", "read_no": "1", "reads_averaged": "1"}
    pd.testing.assert_frame_equal(reading(**as_text), reading())


@pytest.mark.parametrize("missing", [None, "", np.nan, pd.NA, float("nan")])
def test_missing_has_many_spellings_and_one_meaning(missing):
    frame = reading(gap_mm=missing, load_method=missing, blinded_to_prior=missing, read_no=missing)
    assert frame[["gap_mm", "load_method", "blinded_to_prior", "read_no"]].isna().all(axis=None)


def test_numbers_from_text_are_the_nearest_double():
    frame = reading(gap_mm="0.30000000000000004")
    assert frame["gap_mm"].iloc[0] == 0.1 + 0.2


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("gap_mm", "1,2"),
        ("gap_mm", "1.2 mm"),
        ("gap_mm", " 1.2"),
        ("gap_mm", "1_0"),
        ("gap_mm", "inf"),
        ("gap_mm", float("inf")),
        ("gap_mm", "nan"),
        ("gap_mm", True),
        ("gap_mm", "0x1p3"),
        ("gap_mm", "١"),
        ("read_no", "1.0"),
        ("read_no", 1.5),
        ("read_no", "one"),
        ("read_no", True),
        ("read_no", 10**17),
        ("read_no", "9" * 400),
        ("below_resolution", "yes"),
        ("below_resolution", "True"),
        ("below_resolution", 1),
        ("scan_id", 7),
        ("scan_id", 7.0),
        ("scan_id", ["a"]),
    ],
)
def test_other_values_are_refused_with_their_place(column, value):
    with pytest.raises(TableError) as caught:
        reading(**{column: value})
    assert f"column '{column}'" in caught.value.where
    assert "readings" in caught.value.where


def test_whole_numbers_may_come_as_floats():
    assert reading(read_no=2.0)["read_no"].iloc[0] == 2
    assert reading(read_no=np.int64(2))["read_no"].iloc[0] == 2


def test_optional_columns_may_be_absent():
    frame = typed(pd.DataFrame({"device_id": ["D1"], "site_id": ["S1"]}), "devices")
    assert tuple(frame.columns) == table("devices").column_names
    assert frame[["transducer_mhz", "pixel_mm"]].isna().all(axis=None)


def test_columns_come_in_any_order():
    shuffled = cohort()["scans"].iloc[:, ::-1]
    pd.testing.assert_frame_equal(typed(shuffled, "scans"), cohort()["scans"])


@pytest.mark.parametrize(
    ("columns", "found"),
    [
        (["site_id", "setting"], "absent country"),
        (["site_id", "country", "setting", "name"], "unknown name"),
        (["site_id", "country", "setting", "site_id"], "twice site_id"),
    ],
)
def test_other_columns_are_refused(columns, found):
    with pytest.raises(TableError) as caught:
        typed(pd.DataFrame([["S1"] * len(columns)], columns=columns), "sites")
    assert found in caught.value.found


def test_the_given_frame_is_left_alone():
    frame = pd.DataFrame([BASE["readings"]], dtype=object, index=[9])
    before = frame.copy(deep=True)
    typed(frame, "readings")
    pd.testing.assert_frame_equal(frame, before)


def test_typed_is_idempotent():
    for name, frame in cohort().items():
        pd.testing.assert_frame_equal(typed(frame, name), frame)
