"""A proportion with its interval, for independent rows and for rows clustered by participant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from cohortkit import checks
from cohortkit.errors import ArgumentError

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
        (n,) participant codes, whole numbers from 0. If each stands once, rows are
        independent.
    kind
        "wilson" or "clopper_pearson".
    level
        Coverage.

    Returns
    -------
    Proportion
        Without a row (n = 0) share and limits are NaN: nothing is known.

    Raises
    ------
    ArgumentError
        As `effective_size`, and for an unknown `kind`.
    """
    checks.one_of("kind", kind, KINDS)
    n_effective = effective_size(hit, cluster, level)
    share = float(np.mean(hit)) if len(hit) else float("nan")
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
    where rows repeat within a single participant; 0 without a row.

    Raises
    ------
    ArgumentError
        If `hit` is neither true nor false, `cluster` holds other than whole numbers from
        0, the two differ in length, or `level` does not lie between 0 and 1.
    """
    checks.proportion("level", level)
    _check_rows(hit, cluster)
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
    """Wilson score limits of a proportion.

    (p + z^2/2n -+ sqrt(z^2 p(1-p)/n + z^4/4n^2)) / (1 + z^2/n), z the normal quantile of
    1/2 + level/2 (Wilson 1927).

    Parameters
    ----------
    share
        Hits divided by rows, 0 to 1.
    n
        Independent rows, not necessarily whole, as `effective_size` gives them.
    level
        Coverage.

    Returns
    -------
    tuple of float
        Lower and upper limit. Both NaN if nothing is known: n is 0, or `share` or `n` NaN.

    Raises
    ------
    ArgumentError
        If `share` lies outside 0 to 1 (such as a count), `n` is negative or infinite, or
        `level` does not lie between 0 and 1.
    """
    if not _known(share, n, level):
        return float("nan"), float("nan")
    z2 = stats.norm.ppf(0.5 + level / 2) ** 2
    centre = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = np.sqrt(z2 * (share * (1 - share) / n + z2 / (4 * n**2))) / (1 + z2 / n)
    lower = 0.0 if share == 0 else float(centre - half)
    return lower, 1.0 if share == 1 else float(centre + half)


def clopper_pearson(share: float, n: float, level: float) -> tuple[float, float]:
    """Clopper-Pearson limits of a proportion, by quantiles of the beta distribution.

    For a size that is not whole, in the form of Korn & Graubard (1998). Parameters,
    returns and errors as for `wilson`.
    """
    if not _known(share, n, level):
        return float("nan"), float("nan")
    tail = (1 - level) / 2
    hits = share * n
    lower = 0.0 if share == 0 else float(stats.beta.ppf(tail, hits, n - hits + 1))
    upper = 1.0 if share == 1 else float(stats.beta.ppf(1 - tail, hits + 1, n - hits))
    return lower, upper


def _known(share: float, n: float, level: float) -> bool:
    """Whether a share of so many rows says anything. Stops at what no rows can give."""
    checks.proportion("level", level)
    if share < 0 or share > 1:
        raise ArgumentError(
            "Argument 'share' is a proportion from 0 to 1",
            found=repr(share),
            next_step="divide the hits by the rows, as 46 / 47",
        )
    if n < 0 or n == np.inf:
        raise ArgumentError(
            "Argument 'n' is a number of rows, 0 or more",
            found=repr(n),
            next_step="give the number of independent rows, which may be a fraction",
        )
    return n > 0 and not np.isnan(share)


def _check_rows(hit: np.ndarray, cluster: np.ndarray) -> None:
    """Stop at rows that are no hits and misses of coded participants."""
    if len(hit) != len(cluster):
        raise ArgumentError(
            "Arguments 'hit' and 'cluster' have one value for each row",
            found=f"{len(hit)} hits and {len(cluster)} participant codes",
            next_step="give both for the same rows",
        )
    if not np.isin(hit, (0, 1)).all():
        raise ArgumentError(
            "Argument 'hit' holds true or false for each row",
            found=repr(hit[~np.isin(hit, (0, 1))][0]),
            next_step="give one value for each row, not counts",
        )
    if len(cluster) and (not np.issubdtype(cluster.dtype, np.integer) or cluster.min() < 0):
        raise ArgumentError(
            "Argument 'cluster' holds participant codes, whole numbers from 0",
            found=f"{cluster.dtype}, the smallest {cluster.min()!r}",
            next_step="number the participants, for example with pandas.factorize",
        )


_LIMITS = {"wilson": wilson, "clopper_pearson": clopper_pearson}
KINDS = tuple(_LIMITS)
