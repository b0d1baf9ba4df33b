"""Coverage of the intervals of `icc`, measured on simulated tables.

    python -m tests.agreement.simulated docs/methods 4000

writes coverage_icc.csv and .md; the same seed gives the same figures.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

from cohortkit.agreement import intervals
from cohortkit.agreement.anova import SumsOfSquares, sums_of_squares
from tests.covered import Page, Row, write

LEVEL = 0.95


@dataclass(frozen=True)
class Design:
    """n subjects by k raters, three variances, and how the values are disturbed."""

    n: int
    k: int
    subject: float
    rater: float
    error: float
    shape: str = "normal"  # normal | skewed subjects | rounded to 0.1 mm

    @property
    def truths(self) -> dict[str, float]:
        total = self.subject + self.rater + self.error
        agreement = self.subject / total
        return {
            "icc_a_1": agreement,
            "icc_a_1 f": agreement,
            "icc_1_1": agreement,
            "icc_c_1": self.subject / (self.subject + self.error),
            "sem_agreement": math.sqrt(self.rater + self.error),
            "sem_consistency": math.sqrt(self.error),
        }


DESIGNS = (
    Design(30, 3, 1, 0.1, 0.3),
    Design(30, 2, 1, 0.1, 0.3),
    Design(50, 8, 1, 0.1, 0.3),
    Design(30, 3, 1, 1, 0.3),
    Design(30, 2, 1, 1, 0.3),
    Design(15, 3, 0.5, 0.05, 0.5),
    Design(200, 8, 1, 0.1, 0.3),
    Design(30, 3, 1, 0, 0.3),
    Design(60, 5, 0.12, 0.01, 0.02),
    Design(60, 5, 0.12, 0.01, 0.02, "rounded to 0.1 mm"),
    Design(60, 5, 0.12, 0.01, 0.02, "skewed subjects"),
    Design(15, 3, 0.12, 0.01, 0.02, "skewed subjects"),
)


def tables(design: Design, n_sim: int, seed: int) -> np.ndarray:
    """Simulated reads, shape (n_sim, n, k)."""
    rng = np.random.default_rng(seed)
    n, k = design.n, design.k
    if design.shape == "skewed subjects":
        subjects = (rng.gamma(1.0, 1.0, (n_sim, n, 1)) - 1) * math.sqrt(design.subject)
    else:
        subjects = rng.standard_normal((n_sim, n, 1)) * math.sqrt(design.subject)
    values = 2 + subjects + rng.standard_normal((n_sim, 1, k)) * math.sqrt(design.rater)
    values = values + rng.standard_normal((n_sim, n, k)) * math.sqrt(design.error)
    return np.round(values, 1) if design.shape.startswith("rounded") else values


def measure(design: Design, n_sim: int, seed: int = 20_260) -> dict[str, float]:
    """Share of simulated tables whose interval holds the truth, by estimate."""
    ss = sums_of_squares(tables(design, n_sim, seed))
    truth = design.truths
    tail = (1 - LEVEL) / 2
    odds = np.full(n_sim, truth["icc_a_1"] / (1 - truth["icc_a_1"]))
    pivots = {
        "icc_a_1": in_parts(lambda part: intervals.icc_pivot(part, nodes=80), ss, odds),
        "sem_agreement": in_parts(
            intervals.sem_pivot, ss, np.full(n_sim, truth["sem_agreement"] ** 2)
        ),
    }
    covered = {name: (p > tail) & (p < 1 - tail) for name, p in pivots.items()}
    low, high = intervals.exact_f(ss.msr / ss.msw, ss.df[0], ss.df[1] + ss.df[2], ss.k, LEVEL)
    covered["icc_1_1"] = (low <= truth["icc_1_1"]) & (truth["icc_1_1"] <= high)
    low, high = intervals.exact_f(ss.msr / ss.mse, ss.df[0], ss.df[2], ss.k, LEVEL)
    covered["icc_c_1"] = (low <= truth["icc_c_1"]) & (truth["icc_c_1"] <= high)
    quantiles = stats.chi2.ppf([tail, 1 - tail], ss.df[2])
    ratio = ss.error / design.error
    covered["sem_consistency"] = (quantiles[0] <= ratio) & (ratio <= quantiles[1])
    usual = np.array([intervals.approximate_f(one(ss, i), LEVEL) for i in range(n_sim)])
    covered["icc_a_1 f"] = (usual[:, 0] <= truth["icc_a_1"]) & (truth["icc_a_1"] <= usual[:, 1])
    return {name: float(np.mean(covered[name])) for name in truth}


def one(ss: SumsOfSquares, i: int | slice) -> SumsOfSquares:
    """One table of many, or some of them."""
    return SumsOfSquares(ss.n, ss.k, ss.subjects[i], ss.raters[i], ss.error[i])


def in_parts(pivot, ss: SumsOfSquares, at: np.ndarray, size: int = 100) -> np.ndarray:
    """A pivot's distribution function for many tables without much memory."""
    parts = [slice(i, i + size) for i in range(0, len(at), size)]
    return np.concatenate([pivot(one(ss, part))(at[part]) for part in parts])


SHOWN = ("icc_a_1", "icc_a_1 f", "icc_c_1", "icc_1_1", "sem_agreement", "sem_consistency")


def label(design: Design) -> str:
    """A design in words, as the page has it."""
    variances = f"{design.subject:g} / {design.rater:g} / {design.error:g}"
    return f"{design.n} x {design.k} | {variances} | {design.shape}"


def coverage_rows(n_sim: int) -> list[Row]:
    """Coverage of every design and form."""
    return [
        Row(label(design), name, share, n_sim)
        for design in DESIGNS
        for name, share in measure(design, n_sim).items()
    ]


PAGE = Page(
    name="icc",
    title="the ICC and its errors of measurement",
    module="tests.agreement.simulated",
    columns=SHOWN,
    rows=coverage_rows,
    words='"icc_a_1 f" is `interval="f"`, the others the default; icc_1_1 is asked of the '
    'crossed table, where its truth is the share of subjects in the total variance. "skewed '
    'subjects" are exponential; values are rounded after they were drawn, and the truth is that '
    "before rounding.",
    design=("subjects x raters", "variance of subjects / raters / error", "values"),
)

if __name__ == "__main__":
    write(PAGE, Path(sys.argv[1]), int(sys.argv[2]))
