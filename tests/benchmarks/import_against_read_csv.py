"""Import and validation as a ratio to pandas ``read_csv`` alone on the same file.

Run: ``python tests/benchmarks/import_against_read_csv.py [readings]``
Prints seconds of each step, the ratio, and the peak memory of this process.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from cohortkit.cohort.identity import IdCoding
from cohortkit.cohort.pooling import pool
from cohortkit.cohort.release import freeze
from cohortkit.cohort.validation import import_clinic

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from tests.benchmarks.big_clinic import write_big_clinic


def seconds(work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.perf_counter()
    answer = work()
    return time.perf_counter() - start, answer


def main() -> None:
    readings = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        mapping = write_big_clinic(folder, readings)
        alone = min(seconds(lambda: pd.read_csv(folder / "readings.csv"))[0] for _ in range(3))
        took_import, intake = seconds(lambda: import_clinic(mapping))
        took_pool, pooled = seconds(lambda: pool([intake]))
        ids = IdCoding.open("hmac", folder / "key.txt")
        took_freeze, release = seconds(lambda: freeze(pooled, folder / "release", ids=ids))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        counts = intake.counts[["read", "accepted", "refused", "blank"]].sum().to_dict()
        print(f"records {counts}; readings in the release {len(release.tables['readings'])}")
        print(f"read_csv alone, readings only  {alone:7.2f} s")
        print(
            f"import + validation, all       {took_import:7.2f} s, ratio {took_import / alone:.1f}"
        )
        print(f"pool                           {took_pool:7.2f} s")
        print(f"freeze                         {took_freeze:7.2f} s")
        print(f"peak memory                    {peak:7.0f} MB")


if __name__ == "__main__":
    main()
