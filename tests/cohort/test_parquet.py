"""Parquet holds what the canonical CSV holds."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from cohortkit.cohort.parquet import from_parquet_bytes, table_from_parquet, to_parquet_bytes
from cohortkit.errors import IntegrityError
from cohortkit.tables.canonical import to_csv_bytes
from cohortkit.tables.schema import TABLE_NAMES, empty
from tests.cohort.clinics import small

# Threads of this process; jemalloc's own are left out, as they never ask for the GIL.
THREADS = """
import os
import numpy as np
import pandas as pd
from cohortkit.cohort.parquet import from_parquet_bytes, to_parquet_bytes
def threads():
    names = [open(f"/proc/self/task/{t}/comm").read() for t in os.listdir("/proc/self/task")]
    return sum("jemalloc" not in name for name in names)
frame = pd.DataFrame(np.ones((50_000, 20))).rename(columns=str)
before = threads()
data = to_parquet_bytes(frame)
written = threads()
assert from_parquet_bytes(data, "x").shape == frame.shape
print(written - before, threads() - before)
"""


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_a_table_comes_back_as_it_was(name):
    frame = small("S01").tables[name]
    back = table_from_parquet(to_parquet_bytes(frame), name)
    pd.testing.assert_frame_equal(back, frame)
    assert to_csv_bytes(back, name) == to_csv_bytes(frame, name)


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_a_table_without_rows_keeps_its_types(name):
    back = table_from_parquet(to_parquet_bytes(empty(name)), name)
    pd.testing.assert_frame_equal(back, empty(name))


def test_missing_values_of_every_type_stay_missing():
    frame = pd.DataFrame(
        {
            "t": pd.array(["a", None, "ü\n\u2028\x00"], dtype="string"),
            "i": pd.array([2**53, None, -1], dtype="Int64"),
            "n": pd.array([0.1 + 0.2, float("nan"), -0.0], dtype="float64"),
            "b": pd.array([True, None, False], dtype="boolean"),
        }
    )
    pd.testing.assert_frame_equal(from_parquet_bytes(to_parquet_bytes(frame), "x"), frame)


def test_the_same_frame_gives_the_same_bytes():
    frame = small("S01").tables["readings"]
    assert to_parquet_bytes(frame) == to_parquet_bytes(frame.copy())


@pytest.mark.parametrize("data", [b"", b"PAR1", b"x" * 1000])
def test_other_bytes_are_an_error_that_names_the_place(data):
    with pytest.raises(IntegrityError, match="table 'scans'"):
        table_from_parquet(data, "scans")


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="threads are counted in /proc")
def test_no_pool_thread_is_started_that_could_outlive_the_work():
    command = [sys.executable, "-c", THREADS]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["0", "0"]
