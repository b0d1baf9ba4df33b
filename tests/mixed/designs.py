"""Random designs and small typed tables for the tests of this room."""

from __future__ import annotations

import numpy as np
import pandas as pd

# Yield of dyestuff, g of standard colour, six batches of five samples.
# source: Davies & Goldsmith 1972, Statistical Methods in Research and Production, 4th ed., table 6.2
DYESTUFF = {
    "A": (1545, 1440, 1440, 1520, 1580),
    "B": (1540, 1555, 1490, 1560, 1495),
    "C": (1595, 1550, 1605, 1510, 1560),
    "D": (1445, 1440, 1595, 1465, 1545),
    "E": (1595, 1630, 1515, 1635, 1625),
    "F": (1520, 1455, 1450, 1480, 1445),
}

# Ratings of six subjects by four judges.
# source: Shrout & Fleiss 1979, Psychol Bull 86: 420-428, table 2
SHROUT_FLEISS = (
    (9, 2, 5, 8),
    (6, 1, 3, 2),
    (8, 4, 6, 8),
    (7, 1, 2, 6),
    (10, 5, 6, 9),
    (6, 2, 4, 7),
)

FACTORS = {
    "crossed": [["subject"], ["rater"]],
    "interaction": [["subject"], ["rater"], ["subject", "rater"]],
    "nested": [["subject"], ["subject", "rater"]],
    "three": [["group"], ["subject"], ["rater"]],
}


def dyestuff() -> pd.DataFrame:
    """The table above, one row per sample."""
    rows = [(batch, y) for batch, values in DYESTUFF.items() for y in values]
    return pd.DataFrame(rows, columns=["batch", "yield"])


def shrout_fleiss() -> pd.DataFrame:
    """The table above, one row per rating."""
    rows = [(s, j, y) for s, line in enumerate(SHROUT_FLEISS) for j, y in enumerate(line)]
    return pd.DataFrame(rows, columns=["subject", "judge", "rating"])


def crossed(subjects, raters, reads, sds, seed=0) -> pd.DataFrame:
    """Balanced subject x rater table with planted standard deviations (subject, rater, residual)."""
    rng = np.random.default_rng(seed)
    grid = np.meshgrid(range(subjects), range(raters), range(reads), indexing="ij")
    subject, rater, _ = (a.ravel() for a in grid)
    value = (
        sds[0] * rng.normal(size=subjects)[subject]
        + sds[1] * rng.normal(size=raters)[rater]
        + sds[2] * rng.normal(size=len(subject))
    )
    return pd.DataFrame({"subject": subject, "rater": rater, "value": value})


def no_variance() -> pd.DataFrame:
    """All 12 subject means and all 4 rater means are equal: both variances are zero."""
    table = crossed(12, 4, 1, (0, 0, 0))
    table["value"] = (table["subject"] + table["rater"]) % 2.0
    return table


def random_design(seed: int) -> tuple[pd.DataFrame, list[list[str]], list[str]]:
    """A table, its random factors and its fixed columns.

    A planted variance is zero with probability 0.4; half of the tables lose 10
    to 50 % of their rows.
    """
    rng = np.random.default_rng([seed, 7])
    kind = str(rng.choice(list(FACTORS)))
    reads = int(rng.integers(2 if kind in {"interaction", "nested"} else 1, 4))
    grid = (int(rng.integers(4, 12)), int(rng.integers(2, 6)), reads)
    table = crossed(*grid, (0, 0, 1), seed)
    table["group"] = table["subject"] % 3
    if rng.random() < 0.5:
        table = table[rng.random(len(table)) > rng.uniform(0.1, 0.5)].reset_index(drop=True)
    for columns in FACTORS[kind]:
        sd = 0.0 if rng.random() < 0.4 else float(np.exp(rng.normal(-0.3, 0.8)))
        level = table.groupby(columns).ngroup().to_numpy()
        table["value"] += sd * rng.normal(size=level.max(initial=-1) + 1)[level]
    table["covariate"] = rng.normal(size=len(table))
    return table, FACTORS[kind], ["covariate"] if rng.random() < 0.4 else []
