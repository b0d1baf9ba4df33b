"""Simulated studies of a planned size, from raw readings and ratings: how wide are their intervals?

    python -m tests.agreement.planned_studies 2000

prints what docs/methods/planned_size.md says about widths.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from functools import cache, partial

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit.agreement import (
    cohen_kappa,
    fleiss_kappa,
    forms,
    limits_clustered,
    participants_for_icc,
    participants_for_kappa,
    participants_for_limits,
    participants_for_reliability,
    reliability,
)
from cohortkit.mixed import sequential
from cohortkit.mixed.design import build
from cohortkit.resampling import percentile_interval

BLOCK = 50  # tables that share the draws of their chi-squares


def readings(n: int, fingers: int, raters: int, sites: int = 1) -> pd.DataFrame:
    """Codes of a complete table, one reading each."""
    grid = np.mgrid[0:n, 0:fingers, 0:raters].reshape(3, -1)
    person, finger, rater = grid
    return pd.DataFrame(
        {
            "participant": person,
            "finger": person * fingers + finger,
            "rater": rater,
            "rater_site": rater // (raters // sites),
        }
    )


def values(codes: pd.DataFrame, variances: dict[str, float], n_sim: int, seed: int) -> np.ndarray:
    """Readings with these variances, (rows, n_sim)."""
    rng = np.random.default_rng(seed)
    found = math.sqrt(variances["residual"]) * rng.standard_normal((len(codes), n_sim))
    for name in codes:
        size = math.sqrt(variances.get(name, 0.0))
        found += size * rng.standard_normal((codes[name].max() + 1, n_sim))[codes[name].to_numpy()]
    return found


def icc_widths(
    codes: pd.DataFrame, variances: dict[str, float], kind: str, n_sim: int, seed: int = 1
) -> np.ndarray:
    """Widths of the generalised interval of `reliability`, as its engine makes them."""
    seen = values(codes, variances, n_sim, seed)
    names = [n for n in ("participant", "finger", "rater_site", "rater") if codes[n].nunique() > 1]
    if codes["finger"].nunique() == codes["participant"].nunique():
        names.remove("finger")
    rows = codes.assign(value=seen[:, 0])
    split = sequential.steps(build(rows, value="value", random=[[n] for n in names], fixed=()))
    widths = []
    for i, sums in enumerate(split.sums_of_squares(seen).T):
        if i % BLOCK == 0:
            spread = split.spread(999, seed=seed + i)
        draws = dict(zip(["residual", *names], sequential.solve(spread, sums).T, strict=True))
        low, high = percentile_interval(forms.reliability_of(draws, kind, forms.Plan()), 0.95)
        widths.append(high - low)
    return np.array(widths)


def estimated_icc_widths(
    codes: pd.DataFrame, variances: dict[str, float], n_sim: int, seed: int = 1
) -> np.ndarray:
    """Widths of `icc_consistency` of `reliability` itself."""
    seen = values(codes, variances, n_sim, seed)
    columns = {"value": "value", "participant": "participant", "finger": "finger"}
    columns |= {"scan": "finger", "rater": "rater", "site": None, "rater_site": None}
    widths = []
    for i in range(n_sim):
        found = reliability(codes.assign(value=seen[:, i]), n_boot=1000, **columns)
        estimate = found["icc_consistency"]
        widths.append(estimate.upper - estimate.lower)
    return np.array(widths)


def limit_widths(
    n: int, fingers: int, sd: float, correlation: float, n_sim: int, seed: int = 1
) -> np.ndarray:
    """Widths of the upper limit of `limits_clustered`."""
    rng = np.random.default_rng(seed)
    person = np.repeat(np.arange(n), fingers)
    rows = pd.DataFrame(
        {
            "participant_id": np.tile(person, 2),
            "finger_id": np.tile(np.arange(len(person)), 2),
            "scan_id": np.tile(np.arange(len(person)), 2),
            "rater_id": np.repeat(["a", "b"], len(person)),
        }
    )
    widths = []
    for _ in range(n_sim):
        own = math.sqrt(correlation) * rng.standard_normal(n)[person]
        d = sd * (own + math.sqrt(1 - correlation) * rng.standard_normal(len(person)))
        first = 2 + rng.standard_normal(len(person))
        found = limits_clustered(rows.assign(gap_mm=np.concatenate([first, first - d])))
        widths.append(found["upper_limit"].upper - found["upper_limit"].lower)
    return np.array(widths)


def truth_known(
    kappa: float, shares: np.ndarray, raters: int, size: int, rng: np.random.Generator
) -> np.ndarray:
    """Ratings (size, raters): each rater knows the truth with probability root kappa, or guesses."""
    truth = rng.choice(len(shares), size=(size, 1), p=shares)
    guess = rng.choice(len(shares), size=(size, raters), p=shares)
    return np.where(rng.random((size, raters)) < math.sqrt(kappa), truth, guess)


def impressions(
    alike: float, shares: np.ndarray, raters: int, size: int, rng: np.random.Generator
) -> np.ndarray:
    """Ratings (size, raters): normal impressions with a correlation, cut into categories."""
    seen = math.sqrt(alike) * rng.standard_normal((size, 1))
    seen = seen + math.sqrt(1 - alike) * rng.standard_normal((size, raters))
    return np.searchsorted(stats.norm.ppf(np.cumsum(shares)[:-1]), seen)


def impressed_pairs(alike: float, shares: np.ndarray) -> np.ndarray:
    """Probability of each pair of such ratings by two raters, from the bivariate normal."""
    edges = [-9.0, *stats.norm.ppf(np.cumsum(shares)[:-1]), 9.0]
    normal = stats.multivariate_normal(cov=[[1, alike], [alike, 1]])
    below = np.array([[normal.cdf([a, b]) for b in edges] for a in edges])
    return np.diff(np.diff(below, axis=0), axis=1)


def weighted_kappa(joint: np.ndarray, weights: str) -> float:
    """(p_o - p_e) / (1 - p_e) (Cohen 1968)."""
    place = np.arange(len(joint))
    apart = np.abs(place[:, None] - place) / (len(joint) - 1)
    w = 1 - apart ** {"linear": 1, "quadratic": 2}[weights]
    chance = joint.sum(axis=1) @ w @ joint.sum(axis=0)
    return float(((w * joint).sum() - chance) / (1 - chance))


Rated = Callable[[int, np.random.Generator], np.ndarray]


def kappa_widths(
    rated: Rated, n: int, n_sim: int, *, fingers: int = 1, correlation: float = 0.0,
    weights: str = "unweighted", categories: int = 2, seed: int = 1,
) -> np.ndarray:  # fmt: skip
    """Widths of `cohen_kappa` (two raters) or `fleiss_kappa`.

    A finger takes over the ratings of its participant's pattern with probability root of
    the correlation: then whatever two fingers add has just that correlation.
    """
    rng = np.random.default_rng(seed)
    widths = []
    for _ in range(n_sim):
        pattern = np.repeat(rated(n, rng), fingers, axis=0)
        own = rated(n * fingers, rng)
        copied = rng.random((n * fingers, 1)) < math.sqrt(correlation)
        ratings = np.where(copied, pattern, own)
        size, k = ratings.shape
        rows = pd.DataFrame(
            {
                "participant_id": np.repeat(np.arange(n), fingers * k),
                "episode_id": np.repeat(np.arange(size), k),
                "rater_id": np.tile(np.arange(k), size),
                "status": ratings.ravel(),
            }
        )
        ask = cohen_kappa if k == 2 else fleiss_kappa
        found = ask(rows, categories=list(range(categories)), weights=weights)
        estimate = next(iter(found))
        widths.append(estimate.upper - estimate.lower)
    return np.array(widths)


THREE = np.array([0.5, 0.3, 0.2])
TWO = np.array([0.7, 0.3])
RARE = np.array([0.9, 0.1])


@cache
def cases() -> dict[str, tuple[int, float, Callable[[int], np.ndarray]]]:
    """Plan in words to: participants, width planned, and the widths of so many studies."""
    found: dict[str, tuple[int, float, Callable[[int], np.ndarray]]] = {}

    def add(words: str, plan, simulate: Callable[[int, int], np.ndarray]) -> None:
        n = int(plan["participants"].value)
        found[words] = (n, plan["width"].value, partial(simulate, n))

    for icc, m, rho in ((0.8, 2, 0.5), (0.6, 4, 0.2)):
        parts = {"participant": icc * rho, "finger": icc * (1 - rho), "residual": 1 - icc}
        add(
            f"ICC {icc:g}, 3 raters, {m} fingers, correlation {rho:g} (median)",
            participants_for_icc(icc, 0.2, raters=3, fingers=m, correlation=rho),
            lambda n, n_sim, m=m, p=parts: icc_widths(readings(n, m, 3), p, "consistency", n_sim),
        )
    parts = {"participant": 1.0, "rater_site": 0.01, "rater": 0.02, "residual": 0.2}
    add(
        "ICC new site, 8 raters of 4 sites, 2 fingers (median)",
        participants_for_reliability(
            parts, 0.25, figure="icc_agreement_new_site", raters=8, reads=1, sites=4, fingers=2
        ),
        lambda n, n_sim: icc_widths(readings(n, 2, 8, 4), parts, "new_site", n_sim),
    )
    for m, rho in ((2, 0.5), (4, 0.2)):
        add(
            f"limits, SD 0.2, {m} fingers, correlation {rho:g} (median)",
            participants_for_limits(0.2, 0.1, fingers=m, correlation=rho),
            lambda n, n_sim, m=m, rho=rho: limit_widths(n, m, 0.2, rho, n_sim),
        )
    add(
        "kappa 0.6, 3 raters",
        participants_for_kappa(0.6, TWO, 0.25, raters=3),
        lambda n, n_sim: kappa_widths(partial(truth_known, 0.6, TWO, 3), n, n_sim),
    )
    add(
        "kappa 0.6, 2 raters, 3 fingers, correlation 0.3",
        participants_for_kappa(0.6, TWO, 0.25, fingers=3, correlation=0.3),
        lambda n, n_sim: kappa_widths(
            partial(truth_known, 0.6, TWO, 2), n, n_sim, fingers=3, correlation=0.3
        ),
    )
    for weights in ("linear", "quadratic"):
        add(
            f"kappa 0.6, {weights}, any miss",
            participants_for_kappa(0.6, THREE, 0.25, weights=weights, misses="any"),
            lambda n, n_sim, w=weights: kappa_widths(
                partial(truth_known, 0.6, THREE, 2), n, n_sim, weights=w, categories=3
            ),
        )
    near = weighted_kappa(impressed_pairs(0.7, THREE), "linear")
    for raters in (2, 4):
        add(
            f"kappa {near:.3f}, {raters} raters, linear, near misses",
            participants_for_kappa(near, THREE, 0.25, weights="linear", raters=raters),
            lambda n, n_sim, k=raters: kappa_widths(
                partial(impressions, 0.7, THREE, k), n, n_sim, weights="linear", categories=3
            ),
        )
    add(
        "kappa 0.85, rare category, 3 raters, 2 fingers, correlation 0.2",
        participants_for_kappa(0.85, RARE, 0.2, raters=3, fingers=2, correlation=0.2),
        lambda n, n_sim: kappa_widths(
            partial(truth_known, 0.85, RARE, 3), n, n_sim, fingers=2, correlation=0.2
        ),
    )
    return found


if __name__ == "__main__":
    for words, (n, wanted, simulate) in cases().items():
        w = simulate(int(sys.argv[1]))
        middle = np.median(w) if "median" in words else w.mean()
        error = (1.25 if "median" in words else 1.0) * w.std(ddof=1) / math.sqrt(len(w))
        sys.stdout.write(f"{words}: n {n}, planned {wanted:.4f}, met {middle:.4f} ({error:.4f})\n")
