"""Small tables of ratings that the tests of categories share."""

from __future__ import annotations

import numpy as np
import pandas as pd

OWN = {"subject": "subject", "rater": "rater", "value": "value", "participant": None}


def from_grid(grid, raters=None) -> pd.DataFrame:
    """One row per rating of a (subjects, raters) grid; None is no rating."""
    rows = [
        (i, f"r{j}" if raters is None else raters[j], value)
        for i, line in enumerate(grid)
        for j, value in enumerate(line)
        if pd.notna(value)
    ]
    return pd.DataFrame(rows, columns=["subject", "rater", "value"])


def from_square(table, categories) -> pd.DataFrame:
    """One row per rating of a square table, rows the first rater."""
    rows, subject = [], 0
    for i, line in enumerate(table):
        for j, n in enumerate(line):
            for _ in range(n):
                rows += [(subject, "A", categories[i]), (subject, "B", categories[j])]
                subject += 1
    return pd.DataFrame(rows, columns=["subject", "rater", "value"])


def from_counts(counts) -> pd.DataFrame:
    """One row per rating where only the number of raters in each category is known."""
    grid = [np.repeat(np.arange(1, len(line) + 1), line).tolist() for line in counts]
    return from_grid(grid)


def triple(estimate) -> tuple[float, float, float]:
    """Value and limits."""
    return estimate.value, estimate.lower, estimate.upper


def codes(result) -> set[str]:
    """Codes of the cautions."""
    return {c.code for c in result.cautions}
