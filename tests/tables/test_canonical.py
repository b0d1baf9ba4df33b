"""The canonical CSV form: exact, reversible, the same for any order of rows."""

from __future__ import annotations

import csv
import io
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortkit.errors import TableError
from cohortkit.tables.canonical import from_csv_bytes, sha256, to_csv_bytes
from cohortkit.tables.schema import TABLE_NAMES, empty, table
from tests.tables.rows import cohort, rows


def test_the_bytes_of_a_small_table():
    frame = rows(
        "devices",
        {"device_id": "D2", "transducer_mhz": None, "pixel_mm": 0.1},
        {"device_id": "D10", "transducer_mhz": 18, "pixel_mm": None},
    )
    # by hand: sorted by device_id as text, so D10 stands before D2
    expected = (
        b'"device_id","site_id","transducer_mhz","pixel_mm"\n'
        b'"D10","S1","18.0",""\n'
        b'"D2","S1","","0.1"\n'
    )
    assert to_csv_bytes(frame, "devices") == expected


def test_yes_no_and_whole_numbers():
    text = to_csv_bytes(cohort()["visits"], "visits").decode()
    assert text.splitlines()[1].startswith('"E1","1","42","44","restricted","14","2","5.0","210.0"')
    assert text.endswith('"22.7","false"\n')


def test_visits_sort_by_number_and_not_as_text():
    frame = rows("visits", {"visit": 10}, {"visit": 9})
    lines = to_csv_bytes(frame, "visits").decode().splitlines()
    assert [line.split(",")[1] for line in lines[1:]] == ['"9"', '"10"']


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_tables_come_back_as_they_were(name):
    for frame in (cohort()[name], empty(name)):
        back = from_csv_bytes(to_csv_bytes(frame, name), name)
        pd.testing.assert_frame_equal(back, frame)


def test_order_of_rows_and_columns_and_index_do_not_matter():
    changes = [{"reading_id": f"G{i}", "gap_mm": i / 7} for i in range(1, 30)]
    frame = rows("readings", *changes)
    shuffled = frame.sample(frac=1, random_state=3).iloc[:, ::-1]
    assert to_csv_bytes(shuffled, "readings") == to_csv_bytes(frame, "readings")


def test_rows_with_one_key_are_ordered_too():
    changes = [{"status": "none"}, {"status": "complete"}]
    forward, backward = rows("tears", *changes), rows("tears", *changes[::-1])
    assert to_csv_bytes(forward, "tears") == to_csv_bytes(backward, "tears")


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0, 12, allow_subnormal=True), min_size=1, max_size=20))
def test_numbers_come_back_to_the_last_bit(gaps):
    frame = rows("readings", *({"reading_id": f"G{i:02}", "gap_mm": g} for i, g in enumerate(gaps)))
    back = from_csv_bytes(to_csv_bytes(frame, "readings"), "readings")
    assert back["gap_mm"].tolist() == gaps


@settings(max_examples=80, deadline=None)
@given(st.lists(st.text(st.characters(exclude_categories=["Cs"]), min_size=1), max_size=5))
def test_any_text_survives_a_plain_csv_reader(texts):
    frame = pd.DataFrame({"a": pd.Series(texts, dtype="string"), "b": 1})
    data = to_csv_bytes(frame).decode("utf-8")
    read = list(csv.reader(io.StringIO(data, newline="")))
    assert read == [["a", "b"], *([text, "1"] for text in texts)]


@pytest.mark.parametrize("storage", ["string[python]", "string[pyarrow]", object])
def test_storage_of_text_does_not_matter(storage):
    frame = rows("sites", {}, {"site_id": "S2"})
    other = frame.astype(dict.fromkeys(frame.columns, storage))
    assert to_csv_bytes(other, "sites") == to_csv_bytes(frame, "sites")


def test_minus_zero_is_zero():
    frame = rows("scans", {"mcp_deg": -0.0})
    other = rows("scans", {"mcp_deg": 0.0})
    assert to_csv_bytes(frame, "scans") == to_csv_bytes(other, "scans")


def test_a_frame_without_schema_keeps_order_and_types():
    frame = pd.DataFrame(
        {
            "text": ["b", "a", None],
            "whole": pd.array([2, None, 1], dtype="Int64"),
            "number": [math.inf, np.nan, 1e-9],
            "yes": pd.array([True, None, False], dtype="boolean"),
        }
    )
    expected = b'"text","whole","number","yes"\n"b","2","inf","true"\n"a","","",""\n"","1","1e-09","false"\n'
    assert to_csv_bytes(frame) == expected


def test_other_values_are_refused():
    with pytest.raises(TableError, match="Timestamp"):
        to_csv_bytes(pd.DataFrame({"day": [pd.Timestamp("2024-05-01")]}))
    with pytest.raises(TableError, match="unknown note"):
        to_csv_bytes(cohort()["sites"].assign(note="x"), "sites")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\n",
        b'"site_id","country"\n',
        b'"country","site_id","setting"\n',
        b'"site_id","country","setting"\n"S1","AT"\n',
        b'"site_id","country","setting"\n"S1","AT","x","y"\n',
        b'"site_id","country","setting"\n\n',
        b'"site_id","country","setting"\n"S1","AT","pri\xe4"\n',
        b'"site_id","country","setting"\n"S1","AT","priv',
    ],
)
def test_damaged_bytes_are_refused(data):
    with pytest.raises(TableError):
        from_csv_bytes(data, "sites")


def test_hash_is_the_standard_one():
    # source: FIPS 180-4 example, SHA-256 of "abc"
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256(b"abc") == expected


def test_every_cell_is_quoted():
    for name, frame in cohort().items():
        for line in to_csv_bytes(frame, name).decode().splitlines():
            cells = line.split('","')
            assert len(cells) == len(table(name).fields)
            assert line[0] == line[-1] == '"'
