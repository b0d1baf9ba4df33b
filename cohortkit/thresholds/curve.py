"""The empirical ROC curve and the area under it, on arrays.

The cut rule is the same everywhere: a gap at or above the cut is test positive.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats


@dataclass(frozen=True)
class Points:
    """The k+1 points of the curve of a sample with k different gaps, by rising cut.

    Any cut in (`above`, `up_to`] makes the same two groups; `cut` is its middle.
    The first cut (-inf) calls every row positive, the last (inf) none. If the
    lowest gap is an unseen one (-inf), the next cut is the lowest seen gap.
    """

    cut: np.ndarray
    above: np.ndarray
    up_to: np.ndarray
    sensitivity: np.ndarray
    specificity: np.ndarray

    def to_frame(self) -> pd.DataFrame:
        """One row per point."""
        return pd.DataFrame(
            {
                "cut": self.cut,
                "above": self.above,
                "up_to": self.up_to,
                "sensitivity": self.sensitivity,
                "specificity": self.specificity,
            }
        )


def roc_points(value: np.ndarray, positive: np.ndarray) -> Points:
    """Every different pair of sensitivity and specificity that a cut can give.

    Parameters
    ----------
    value
        (n,) gaps; -inf where the gap was too small to be seen.
    positive
        (n,) true or false by the reference standard, both present.
    """
    levels, code = np.unique(value, return_inverse=True)
    hits = np.bincount(code[positive], minlength=len(levels))
    others = np.bincount(code[~positive], minlength=len(levels))
    below_cut = np.concatenate([[0], np.cumsum(hits)])
    rejected = np.concatenate([[0], np.cumsum(others)])
    above = np.concatenate([[-np.inf], levels])
    up_to = np.concatenate([levels, [np.inf]])
    with np.errstate(invalid="ignore"):
        middle = (above + up_to) / 2
    unseen = np.isneginf(above[1:-1])
    middle[1:-1][unseen] = up_to[1:-1][unseen]
    middle[0], middle[-1] = -np.inf, np.inf
    return Points(
        cut=middle,
        above=above,
        up_to=up_to,
        sensitivity=1 - below_cut / hits.sum(),
        specificity=rejected / others.sum(),
    )


@dataclass(frozen=True)
class Components:
    """Structural components of the area (DeLong et al. 1988).

    `positive` (m,): share of negative rows that each positive row lies above;
    `negative` (n,): share of positive rows that each negative row lies below;
    a tie counts one half. Their mean is the area.
    """

    positive: np.ndarray
    negative: np.ndarray
    positive_cluster: np.ndarray
    negative_cluster: np.ndarray

    @property
    def area(self) -> float:
        """Area under the curve: the mean of the components."""
        return float(self.positive.mean())


def components(value: np.ndarray, positive: np.ndarray, cluster: np.ndarray) -> Components:
    """Structural components from midranks, in n log n steps."""
    high, low = value[positive], value[~positive]
    ranks = stats.rankdata(np.concatenate([high, low]))
    return Components(
        (ranks[: len(high)] - stats.rankdata(high)) / len(low),
        1 - (ranks[len(high) :] - stats.rankdata(low)) / len(high),
        cluster[positive],
        cluster[~positive],
    )


def clustered_variance(parts: Components, pseudo: float = 0.0) -> tuple[float, float]:
    """The area and its variance over participants (Obuchowski 1997).

    With S10, S01 and S11 the between-participant sums of squares and products of
    the components, variance = S10/m + S01/n + 2 S11/(mn). With one row per
    participant this is the variance of DeLong, DeLong & Clarke-Pearson 1988.

    `pseudo` adds that much of an average participant to each class, one whose gap
    ties with every other: it draws the area towards 1/2 and keeps the variance
    above 0 when the classes do not overlap.

    Returns
    -------
    tuple
        Area and variance; variance is NaN if a class has fewer than two participants.
    """
    size = int(max(parts.positive_cluster.max(), parts.negative_cluster.max())) + 1
    i10 = len(np.unique(parts.positive_cluster))
    i01 = len(np.unique(parts.negative_cluster))
    both = len(np.unique(np.concatenate([parts.positive_cluster, parts.negative_cluster])))
    m, n = len(parts.positive), len(parts.negative)
    extra_m, extra_n = pseudo * m / i10, pseudo * n / i01
    area = 0.5 * (
        (parts.positive.sum() + extra_m / 2) / (m + extra_m)
        + (parts.negative.sum() + extra_n / 2) / (n + extra_n)
    )
    if min(i10, i01) < 2:
        return area, float("nan")
    s10 = np.bincount(parts.positive_cluster, parts.positive - area, size)
    s01 = np.bincount(parts.negative_cluster, parts.negative - area, size)
    squares10 = (s10**2).sum() + (extra_m * (0.5 - area)) ** 2
    squares01 = (s01**2).sum() + (extra_n * (0.5 - area)) ** 2
    if pseudo:
        i10, i01, both = i10 + 1, i01 + 1, both + 2
    total_m, total_n = m + extra_m, n + extra_n
    return float(area), float(
        i10 / (i10 - 1) * squares10 / total_m**2
        + i01 / (i01 - 1) * squares01 / total_n**2
        + 2 * both / (both - 1) * (s10 * s01).sum() / (total_m * total_n)
    )
