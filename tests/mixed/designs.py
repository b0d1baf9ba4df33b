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


def four_readings() -> pd.DataFrame:
    """Three persons, two raters, four readings; the second rater read one person."""
    rows = [("a", "x", 2.181179175725191), ("b", "y", 1.9405460488891921),
            ("c", "y", -0.7292961698218429), ("c", "y", -0.7868971987035845)]  # fmt: skip
    return pd.DataFrame(rows, columns=["subject", "rater", "value"])


def spanned_by_factors() -> pd.DataFrame:
    """Two persons and four raters, whose levels reproduce any five readings: no residual needed."""
    rows = [("a", "w", 3.9), ("a", "z", 3.8), ("b", "w", -1.0), ("b", "x", -1.1), ("b", "y", -1.0)]
    return pd.DataFrame(rows, columns=["subject", "rater", "value"])


def scanned_once_but_one() -> pd.DataFrame:
    """Six persons, eleven scans; one scan was read twice, and the two readings hardly differ."""
    scans = {"a": (1.8073441302934234, 0.1768868219216701), "b": (1.4891934650369032, 1.456686),
             "c": (3.221769, 3.287326), "d": (1.217087, -0.345682), "e": (1.348269, 2.069649),
             "f": (2.548936,)}  # fmt: skip
    rows = [(s, f"{s}{k}", y) for s, values in scans.items() for k, y in enumerate(values)]
    return pd.DataFrame(
        [*rows, ("a", "a0", 1.8070019138704654)], columns=["subject", "scan", "value"]
    )


def nested_scans(seed: int, residual: float) -> pd.DataFrame:
    """10 subjects x 2 scans x 2 reads, planted SDs 1 and 0.5, and the residual's."""
    rng = np.random.default_rng(seed)
    subject, scan = np.repeat(np.arange(10), 4), np.repeat(np.arange(20), 2)
    value = rng.normal(size=10)[subject] + 0.5 * rng.normal(size=20)[scan]
    value += residual * rng.normal(size=40)
    return pd.DataFrame({"subject": subject, "scan": scan, "value": value})


def tiny_design(seed: int) -> tuple[pd.DataFrame, list[list[str]], str]:
    """Few rows, variances of zero, and a residual down to 1e-4 mm: table, factors, method."""
    rng = np.random.default_rng([seed, 5])
    subjects, raters = int(rng.integers(2, 9)), int(rng.integers(2, 5))
    sds = np.where(rng.random(3) < 0.3, 0, np.exp(rng.normal(-0.5, 0.8, 3)))
    table = crossed(subjects, raters, 2, (sds[0], sds[1], 10 ** rng.uniform(-4, 0)), seed)
    cell = sds[2] * rng.normal(size=(subjects, raters))
    table["value"] += cell[table["subject"], table["rater"]]
    table = table[rng.random(len(table)) > rng.choice([0.2, 0.5])].reset_index(drop=True)
    kind = str(rng.choice(["crossed", "interaction", "nested"]))
    return table, FACTORS[kind], ("reml", "ml")[seed % 2]


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
