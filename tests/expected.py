"""Expected figures kept beside the repository (folder of check values), by case and statistic."""

from __future__ import annotations

import math
from pathlib import Path

import pandas as pd
import pytest


def figures(folder: Path, case: str) -> pd.DataFrame:
    """Rows of expected.csv for one case, by statistic: value, ci_low, ci_high, tolerance."""
    table = pd.read_csv(folder / "expected.csv")
    return table[table["case"] == case].set_index("statistic")


def assert_equals(found: tuple[float, float, float], row: pd.Series) -> None:
    """Value and limits agree within the row's tolerance; 'nan' there means not reached."""
    for ours, theirs in zip(found, row[["value", "ci_low", "ci_high"]], strict=True):
        if math.isnan(theirs):
            continue
        if math.isinf(theirs):
            assert ours == theirs
            continue
        assert ours == pytest.approx(theirs, abs=row["tolerance"])
