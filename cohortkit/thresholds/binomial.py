"""A proportion with its interval, for independent rows and for rows clustered by participant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

WILSON = "Wilson score interval (Wilson 1927)"
EXACT = "Clopper-Pearson interval (Clopper & Pearson 1934)"
CLUSTERED = (
    "effective sample size from the ratio estimator over participants, design effect not below 1, "
    "t quantile (Rao & Scott 1992; Korn & Graubard 1998)"
)


@dataclass(frozen=True)
class Proportion:
    """A proportion, its limits, and the number of independent rows it is worth."""

    value: float
    lower: float
    upper: float
    effective_n: float
    method: str


def proportion(hit: np.ndarray, cluster: np.ndarray, *, kind: str, level: float) -> Proportion:
    """Share of hits with its interval.

    Parameters
    ----------
    hit
        (n,) true or false.
    cluster
        (n,) participant codes. If each stands once, rows are independent.
    kind
        "wilson" or "clopper_pearson".
    level
        Coverage.
    """
    n_effective = effective_size(hit, cluster, level)
    share = float(np.mean(hit))
    limits = _LIMITS[kind](share, n_effective, level)
    repeats = len(np.unique(cluster)) < len(cluster)
    named = WILSON if kind == "wilson" else EXACT
    method = f"{named} on the {CLUSTERED}" if repeats else named
    return Proportion(share, *limits, n_effective, method)


def effective_size(hit: np.ndarray, cluster: np.ndarray, level: float) -> float:
    """Number of independent rows that carry as much as these clustered ones.

    With n rows in I participants of m_i rows and x_i hits, p = sum(x) / n:
    design effect = I/(I-1) sum((x_i - m_i p)^2) / (n p (1-p)), not below 1. If p is 0
    or 1 the rows say nothing about it, so it is set to its largest possible value,
    sum(m_i^2)/n. The size is shrunk by (z/t)^2 with I-1 degrees of freedom. NaN
    where rows repeat within a single participant.
    """
    n = len(hit)
    sizes = np.bincount(cluster)
    hits = np.bincount(cluster, weights=hit)[sizes > 0]
    sizes = sizes[sizes > 0]
    clusters = len(sizes)
    if clusters == n:
        return float(n)
    if clusters < 2:
        return float("nan")
    share = hits.sum() / n
    if share in (0.0, 1.0):
        effect = float((sizes**2).sum()) / n
    else:
        between = float(((hits - sizes * share) ** 2).sum()) * clusters / (clusters - 1)
        effect = max(1.0, between / (n * share * (1 - share)))
    tail = 0.5 + level / 2
    shrink = (stats.norm.ppf(tail) / stats.t.ppf(tail, clusters - 1)) ** 2
    return float(n / effect * shrink)


def wilson(share: float, n: float, level: float) -> tuple[float, float]:
    """Wilson score limits of a proportion on n (not necessarily whole) independent rows."""
    z2 = stats.norm.ppf(0.5 + level / 2) ** 2
    centre = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = np.sqrt(z2 * (share * (1 - share) / n + z2 / (4 * n**2))) / (1 + z2 / n)
    lower = 0.0 if share == 0 else float(centre - half)
    return lower, 1.0 if share == 1 else float(centre + half)


def clopper_pearson(share: float, n: float, level: float) -> tuple[float, float]:
    """Clopper-Pearson limits; for a size that is not whole, in the form of Korn & Graubard."""
    tail = (1 - level) / 2
    hits = share * n
    lower = 0.0 if share == 0 else float(stats.beta.ppf(tail, hits, n - hits + 1))
    upper = 1.0 if share == 1 else float(stats.beta.ppf(1 - tail, hits + 1, n - hits))
    return lower, upper


_LIMITS = {"wilson": wilson, "clopper_pearson": clopper_pearson}
KINDS = tuple(_LIMITS)
