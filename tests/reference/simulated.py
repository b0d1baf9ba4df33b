"""Coverage of the interval of a reference limit, measured on simulated participants."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from cohortkit.reference.interval import value_at_rank
from cohortkit.reference.ranks import limit_ranks

LEVEL = 0.90


@dataclass(frozen=True)
class Sample:
    """n participants of a population, and the limit asked for."""

    n: int
    share: float
    shape: str = "normal"  # normal | skewed | rounded to 0.1 mm


SAMPLES = (
    *(Sample(n, 0.975) for n in (39, 60, 120, 240, 1000)),
    Sample(120, 0.975, "skewed"),
    Sample(120, 0.975, "rounded to 0.1 mm"),
    Sample(60, 0.95),
    Sample(120, 0.95),
    Sample(120, 0.95, "skewed"),
)


def population(sample: Sample):
    """Invented gaps in mm: mean 1.5, SD 0.4; skewed as a gamma with the same two."""
    if sample.shape == "skewed":
        return stats.gamma(1.5**2 / 0.16, scale=0.16 / 1.5)
    return stats.norm(1.5, 0.4)


def exact(sample: Sample) -> float:
    """The coverage that the binomial says, for a population without ties."""
    ranks = limit_ranks(sample.n, sample.share, LEVEL)
    below = stats.binom(sample.n, sample.share)
    return float(below.cdf(ranks.upper - 1) - below.cdf(ranks.lower - 1))


def measure(sample: Sample, n_sim: int, seed: int = 20_260) -> float:
    """Share of simulated samples whose interval holds the population's limit.

    Rounded gaps: the limit is that of the rounded population.
    """
    rng = np.random.default_rng(seed)
    whole = population(sample)
    values = np.sort(whole.rvs((n_sim, sample.n), random_state=rng))
    truth = float(whole.ppf(sample.share))
    if sample.shape.startswith("rounded"):
        values, truth = np.round(values, 1), float(np.round(truth, 1))
    ranks = limit_ranks(sample.n, sample.share, LEVEL)
    low, high = (
        np.array([value_at_rank(row, rank) for row in values])
        for rank in (ranks.lower, ranks.upper)
    )
    return float(np.mean((low <= truth) & (truth <= high)))
