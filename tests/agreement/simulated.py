"""Coverage of the intervals of this room, measured on simulated tables.

``measure`` is what the tables of docs/methods were made with: the same seed
gives the same figures.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from cohortkit.agreement import intervals
from cohortkit.agreement.anova import SumsOfSquares, sums_of_squares
from cohortkit.agreement.limits import limit_factors

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


@dataclass(frozen=True)
class Differences:
    """n differences of mean 0.1 and SD 0.2 mm, of a shape."""

    n: int
    shape: str = "normal"  # normal | rounded to 0.1 mm | skewed


DIFFERENCES = (
    *(Differences(n) for n in (2, 3, 10, 17, 30, 100)),
    Differences(30, "rounded to 0.1 mm"),
    Differences(30, "skewed"),
    Differences(100, "skewed"),
)


def measure_limits(design: Differences, n_sim: int, seed: int = 20_260) -> dict[str, float]:
    """Share of simulated samples whose interval holds the truth, by estimate.

    The truth of a limit is mean -+ 1.96 SD of the population, whatever its shape.
    """
    rng = np.random.default_rng(seed)
    n = design.n
    mean, sd = 0.1, 0.2
    if design.shape == "skewed":
        d = mean + sd * (rng.gamma(2.0, 1.0, (n_sim, n)) - 2) / math.sqrt(2)
    else:
        d = mean + sd * rng.standard_normal((n_sim, n))
    if design.shape.startswith("rounded"):
        d = np.round(d, 1)
    centre, spread = d.mean(axis=1), d.std(axis=1, ddof=1)
    z = stats.norm.ppf(0.975)
    half = stats.t.ppf(0.975, n - 1) / math.sqrt(n)
    factors = {
        "bias": ((-half, half), mean),
        "lower_limit": (limit_factors(n, -z, LEVEL), mean - z * sd),
        "upper_limit": (limit_factors(n, z, LEVEL), mean + z * sd),
    }
    return {
        name: float(np.mean((centre + low * spread <= truth) & (truth <= centre + high * spread)))
        for name, ((low, high), truth) in factors.items()
    }
