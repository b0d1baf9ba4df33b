"""Agreement of any number of raters by pairs of ratings, corrected for chance in three ways.

Source of the common form with absent ratings and weights: Gwet 2008, 2014.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from cohortkit.agreement.coefficients import Published, Target
from cohortkit.agreement.ratings import Ratings, prevalence
from cohortkit.agreement.smooth import Statistic, independent_error

Chance = Callable[[np.ndarray], np.ndarray]

GWET_ERROR = "linearised variance over independent subjects, t interval (Gwet 2008, 2014)"


def pair_parts(counts: np.ndarray, w: np.ndarray) -> np.ndarray:
    """What each subject adds, shape (n, 2 + q).

    Agreement of its pairs of ratings (0 without a pair), whether it has a pair,
    and its shares of the categories. `counts` is (n, q), each row with a rating.
    """
    size = counts.sum(axis=1)
    agreeing = (counts * (counts @ w - 1)).sum(axis=1)
    paired = size > 1
    agreement = np.where(paired, agreeing / np.maximum(size * (size - 1), 1), 0.0)
    return np.column_stack([agreement, paired, counts / size[:, None]])


def observed(sums: np.ndarray) -> np.ndarray:
    """Mean agreement of pairs, every subject with a pair counting alike."""
    return sums[..., 0] / sums[..., 1]


def fleiss_chance(w: np.ndarray) -> Chance:
    """Two ratings drawn from the pooled shares agree (Scott 1955; Fleiss 1971)."""
    return lambda p: ((p @ w) * p).sum(axis=-1)


def gwet_chance(w: np.ndarray) -> Chance:
    """Chance agreement of Gwet 2008: small where one category takes nearly all."""
    q = len(w)
    scale = w.sum() / (q * (q - 1)) if q > 1 else 0.0
    return lambda p: scale * (p * (1 - p)).sum(axis=-1)


def uniform_chance(w: np.ndarray) -> Chance:
    """All categories equally likely (Brennan & Prediger 1981)."""
    return lambda p: np.full(p.shape[:-1], w.mean(), dtype=p.dtype)


def corrected(chance: Chance) -> Statistic:
    """(observed - chance) / (1 - chance) as a function of the sums of `pair_parts`."""

    def statistic(sums: np.ndarray) -> np.ndarray:
        expected = chance(_shares(sums))
        return (observed(sums) - expected) / (1 - expected)

    return statistic


def corrected_target(
    name: str, words: str, parts: np.ndarray, chance: Chance, group: str = ""
) -> Target:
    """A chance-corrected coefficient with the standard error of Gwet."""
    pairs = parts[:, 1].sum()

    def with_pairs_fixed(sums: np.ndarray) -> np.ndarray:
        expected = chance(_shares(sums))
        return (sums[..., 0] - expected * sums[..., 1]) / (pairs * (1 - expected))

    with np.errstate(divide="ignore", invalid="ignore"):
        error = independent_error(parts, with_pairs_fixed)
    return Target(
        name,
        words,
        corrected(chance),
        "z",
        group=group,
        chance=float(chance(_shares(parts.sum(axis=0)))),
        published=Published(error, len(parts) - 1, GWET_ERROR),
    )


def percent_target(parts: np.ndarray, words: str) -> Target:
    """Share of agreeing pairs, with the standard error of Gwet."""
    pairs = parts[:, 1].sum()
    error = independent_error(parts, lambda sums: sums[..., 0] / pairs)
    return Target(
        "percent_agreement",
        words,
        observed,
        "share",
        base=parts[:, 1],
        published=Published(error, len(parts) - 1, GWET_ERROR),
    )


def category_table(ratings: Ratings) -> pd.DataFrame:
    """Ratings in each category: category, ratings, share."""
    share = prevalence(ratings.codes, len(ratings.categories))
    return pd.DataFrame(
        {
            "category": [str(c) for c in ratings.categories],
            "ratings": ratings.counts.sum(axis=0),
            "share": share,
        }
    )


def _shares(sums: np.ndarray) -> np.ndarray:
    shares = sums[..., 2:]
    return shares / shares.sum(axis=-1, keepdims=True)
