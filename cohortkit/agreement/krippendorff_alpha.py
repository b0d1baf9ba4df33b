"""Krippendorff's alpha: any number of raters, absent ratings, four kinds of scale."""

from __future__ import annotations

import numbers
from collections.abc import Sequence
from typing import Any, Unpack

import numpy as np

from cohortkit import checks
from cohortkit.agreement.coefficients import (
    CategoryAgreement,
    Published,
    Request,
    Target,
    answer,
)
from cohortkit.agreement.pairwise import GWET_ERROR, category_table
from cohortkit.agreement.ratings import RatingOptions, prevalence_caution, rarity_caution, rated
from cohortkit.agreement.smooth import independent_error
from cohortkit.errors import ArgumentError

METRICS = ("nominal", "ordinal", "interval", "ratio")
_MOST_RANKS = 100


def krippendorff_alpha(
    data: Any,
    *,
    metric: str = "ordinal",
    categories: Sequence[Any] | None = None,
    interval: str = "fisher_z",
    level: float = 0.95,
    missing: str = "stop",
    **options: Unpack[RatingOptions],
) -> CategoryAgreement:
    """One minus observed over expected disagreement.

    Parameters
    ----------
    data, categories, interval, level
        As in `cohen_kappa`; ``"published"`` is the linearised interval of Gwet 2014,
        which for ``metric="ordinal"`` also counts that the distances are estimated.
    metric
        ``"nominal"``; ``"ordinal"`` for categories with an order; ``"interval"``
        and ``"ratio"`` for numbers, ratio with a true zero and none below it.
    missing
        ``"stop"``, or ``"drop"`` to leave out and count missing ratings.
    **options
        Column names and bootstrap numbers, see `RatingOptions`.

    Returns
    -------
    CategoryAgreement
        ``krippendorff_alpha``. Subjects with one rating do not count; NaN if all
        ratings are equal.

    Raises
    ------
    ArgumentError
        The metric does not fit the values, or their order is not known.
    EstimateError, TableError
        As in `cohen_kappa`.

    Notes
    -----
    Krippendorff 2004: coincidences o_ck of the values of one subject, each pair
    weighing 1 / (m - 1) for m ratings; 1 - (N - 1) sum o d^2 / sum n_c n_k d^2.
    """
    checks.one_of("metric", metric, METRICS)
    request = Request.of(interval, level, options)
    everything = rated(
        data, categories=categories, order_matters=metric == "ordinal", missing=missing,
        options=options,
    )  # fmt: skip
    ratings = everything.subset((everything.codes >= 0).sum(axis=1) > 1)
    targets, parts = alpha_targets(ratings.counts, ratings.categories, metric)
    found = answer(targets, parts, ratings, request)
    return CategoryAgreement(
        question="How much less do raters differ than by chance? (Krippendorff)",
        estimates=found.estimates,
        cautions=(
            *ratings.cautions,
            *prevalence_caution(ratings),
            *rarity_caution(ratings),
            *found.cautions,
        ),
        settings={**ratings.settings, "metric": metric, **request.settings()},
        errors=found.errors,
        table=category_table(ratings),
    )


def alpha_targets(
    counts: np.ndarray, categories: Sequence[Any], metric: str
) -> tuple[list[Target], np.ndarray]:
    """Alpha as a function of sums over subjects, and what each subject adds to them.

    `counts` has shape (n, q), each row with at least two ratings. Parts are the
    coincidences of each subject for the ordinal metric, whose distances depend on
    all subjects; else the subject's own disagreement and its counts.
    """
    if metric == "ordinal":
        parts, between = _coincidences(counts), None
    else:
        between = distances(categories, metric)
        own = ((counts @ between) * counts).sum(axis=1) / (counts.sum(axis=1) - 1)
        parts = np.column_stack([own, counts])

    def both(sums: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Sum of disagreements, sum of products of counts with distances, N."""
        if between is not None:
            n = sums[..., 1:]
            return sums[..., 0], ((n @ between) * n).sum(axis=-1), n.sum(axis=-1)
        q = counts.shape[1]
        o = sums.reshape(*sums.shape[:-1], q, q)
        n = o.sum(axis=-1)
        d = _rank_distances(n)
        return (o * d).sum(axis=(-1, -2)), _quadratic(n, d), n.sum(axis=-1)

    def alpha(sums: np.ndarray) -> np.ndarray:
        observed, expected, total = both(sums)
        return 1 - (total - 1) * observed / expected

    apart, expected, total = both(parts.sum(axis=0))

    def linearised(sums: np.ndarray) -> np.ndarray:
        """Alpha with N for N - 1, and the difference of the two held but for its own N."""
        some, chance, n = both(sums)
        return 1 - n * some / chance + total * apart / expected / n

    widest = float((_rank_distances(counts.sum(axis=0)) if between is None else between).max())
    with np.errstate(divide="ignore", invalid="ignore"):
        error = independent_error(parts, linearised)
        chance = float(1 - expected / (total * (total - 1)) / np.float64(widest))
    return [
        Target(
            "krippendorff_alpha",
            f"Krippendorff's alpha, {metric} (Krippendorff 2004)",
            alpha,
            "z",
            chance=chance,
            published=Published(error, len(parts) - 1, GWET_ERROR),
        )
    ], parts


def distances(categories: Sequence[Any], metric: str) -> np.ndarray:
    """Squared distances between values, shape (q, q).

    Raises
    ------
    ArgumentError
        If the metric needs numbers and a value is none, or a ratio scale meets a
        negative one.
    """
    if metric == "nominal":
        return 1.0 - np.eye(len(categories))
    bad = [c for c in categories if not isinstance(c, numbers.Real)]
    if bad:
        raise ArgumentError(
            f"Metric '{metric}' needs numbers",
            found=repr(bad[0]),
            next_step="use metric='ordinal' for categories with an order, else 'nominal'",
        )
    values = np.array([float(c) for c in categories])
    apart = values[:, None] - values
    if metric == "interval":
        return apart**2
    if (values < 0).any():
        raise ArgumentError(
            "Metric 'ratio' needs numbers of at least 0",
            found=repr(float(values.min())),
            next_step="use metric='interval'",
        )
    total = values[:, None] + values
    return (apart / np.where(total > 0, total, 1.0)) ** 2


def _coincidences(counts: np.ndarray) -> np.ndarray:
    n, q = counts.shape
    if q > _MOST_RANKS:
        raise ArgumentError(
            f"Metric 'ordinal' takes at most {_MOST_RANKS} different values",
            found=str(q),
            next_step="use metric='interval' for measurements",
        )
    pairs = counts[:, :, None] * counts[:, None, :] - np.eye(q) * counts[:, :, None]
    return (pairs / (counts.sum(axis=1) - 1)[:, None, None]).reshape(n, q * q)


def _rank_distances(n: np.ndarray) -> np.ndarray:
    """Squared differences of mid-ranks, from the counts of the categories in order."""
    middle = np.cumsum(n, axis=-1) - n / 2
    return (middle[..., :, None] - middle[..., None, :]) ** 2


def _quadratic(n: np.ndarray, d: np.ndarray) -> np.ndarray:
    return (n[..., :, None] * d * n[..., None, :]).sum(axis=(-1, -2))
