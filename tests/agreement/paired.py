"""Reads of two raters that the tests of the limits of agreement share; all invented."""

from __future__ import annotations

import numpy as np
import pandas as pd

PLAIN = {"subject": "subject", "rater": "rater", "value": "value", "participant": None}


def two_columns(table: pd.DataFrame, first: str, second: str, keep: list[str]) -> pd.DataFrame:
    """Wide columns of two raters as one row per read."""
    return table.melt(keep, [first, second], var_name="rater", value_name="value")


def fingers(k=20, per=(1, 2, 3), *, between=0.15, within=0.1, seed=2) -> pd.DataFrame:
    """Two raters, k participants with several scans each, in the format's own columns."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(k):
        shift = between * rng.standard_normal()
        for j in range(per[i % len(per)]):
            gap = 1.5 + 0.3 * rng.standard_normal()
            noise = within * rng.standard_normal()
            for rater, value in (("R1", gap + 0.1 + shift + noise), ("R2", gap)):
                rows.append((f"p{i}", f"p{i}|left|{j}", f"s{i}-{j}", rater, value))
    names = ["participant_id", "finger_id", "scan_id", "rater_id", "gap_mm"]
    return pd.DataFrame(rows, columns=names)


def triple(estimate) -> list[float]:
    return [estimate.value, estimate.lower, estimate.upper]


def codes(result) -> set[str]:
    return {c.code for c in result.cautions}
