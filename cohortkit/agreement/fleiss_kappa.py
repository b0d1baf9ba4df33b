"""Fleiss' kappa of any number of raters, over all categories and for each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Unpack

import numpy as np

from cohortkit import checks
from cohortkit.agreement.coefficients import CategoryAgreement, Request, Target, answer
from cohortkit.agreement.pairwise import (
    category_table,
    corrected_target,
    fleiss_chance,
    pair_parts,
    percent_target,
)
from cohortkit.agreement.ratings import RatingOptions, prevalence_caution, rarity_caution, rated
from cohortkit.agreement.weighting import SOURCES, WEIGHTS, agreement_weights


def fleiss_kappa(
    data: Any,
    *,
    weights: str = "unweighted",
    categories: Sequence[Any] | None = None,
    interval: str = "fisher_z",
    level: float = 0.95,
    missing: str = "stop",
    **options: Unpack[RatingOptions],
) -> CategoryAgreement:
    """Agreement of several exchangeable raters beyond chance.

    Raters need not be the same persons for every subject, and need not be equally
    many. For two raters this is Scott's pi, not Cohen's kappa.

    Parameters
    ----------
    data, weights, categories, interval, level
        As in `cohen_kappa`; ``"published"`` is the interval of Gwet 2008.
    missing
        ``"stop"``, or ``"drop"`` to leave out and count missing ratings.
    **options
        Column names and bootstrap numbers, see `RatingOptions`.

    Returns
    -------
    CategoryAgreement
        ``fleiss_kappa``, ``percent_agreement``, and unweighted also
        ``category_kappa`` for each category against all others
        (``result["category_kappa@category=partial"]``).

    Raises
    ------
    ArgumentError, EstimateError, TableError
        As in `cohen_kappa`.

    Notes
    -----
    Fleiss 1971; standard error without agreement of Fleiss, Nee & Landis 1979, if
    every subject has equally many ratings; form with absent ratings Gwet 2014.
    """
    checks.one_of("weights", weights, WEIGHTS)
    request = Request.of(interval, level, options)
    ratings = rated(
        data, categories=categories, order_matters=weights != "unweighted", missing=missing,
        options=options,
    )  # fmt: skip
    found = answer(*fleiss_targets(ratings.counts, ratings.categories, weights), ratings, request)
    return CategoryAgreement(
        question="How well do raters agree beyond chance? (Fleiss)",
        estimates=found.estimates,
        cautions=(
            *ratings.cautions,
            *prevalence_caution(ratings),
            *rarity_caution(ratings),
            *found.cautions,
        ),
        settings={**ratings.settings, "weights": weights, **request.settings()},
        errors=found.errors,
        table=category_table(ratings),
    )


def fleiss_targets(
    counts: np.ndarray, categories: Sequence[Any], weights: str
) -> tuple[list[Target], np.ndarray]:
    """What to estimate, and the parts it is estimated from."""
    q = counts.shape[1]
    w = agreement_weights(weights, q)
    how = SOURCES[weights]
    parts = pair_parts(counts, w)
    main = corrected_target(
        "fleiss_kappa", f"Fleiss' kappa, {how} (Fleiss 1971)", parts, fleiss_chance(w)
    )
    targets = [
        replace(main, null_error=null_error(counts) if weights == "unweighted" else math.nan),
        percent_target(parts, f"share of agreeing pairs of ratings, {how}"),
    ]
    if weights != "unweighted" or q < 3:
        return targets, parts
    blocks = [parts]
    for k, category in enumerate(categories):
        two = np.column_stack([counts[:, k], counts.sum(axis=1) - counts[:, k]])
        block = pair_parts(two, np.eye(2))
        alone = corrected_target(
            "category_kappa",
            "Fleiss' kappa of one category against all others (Fleiss 1971)",
            block,
            fleiss_chance(np.eye(2)),
            group=f"category={category}",
        )
        targets.append(_on_columns(alone, sum(b.shape[1] for b in blocks), 4))
        blocks.append(block)
    return [_on_columns(t, 0, parts.shape[1]) for t in targets[:2]] + targets[2:], np.hstack(blocks)


def null_error(counts: np.ndarray) -> float:
    """Standard error if there were no agreement beyond chance (Fleiss, Nee & Landis 1979).

    NaN unless every subject has the same number of ratings.
    """
    size = counts.sum(axis=1)
    if np.ptp(size) > 0:
        return math.nan
    n, m = len(counts), int(size[0])
    p = counts.sum(axis=0) / (n * m)
    spread = float((p * (1 - p)).sum())
    if spread == 0:
        return math.nan
    skew = float((p * (1 - p) * (1 - 2 * p)).sum())
    return math.sqrt(2 * (spread**2 - skew) / (n * m * (m - 1))) / spread


def _on_columns(target: Target, start: int, width: int) -> Target:
    """The same target on its own columns of a wider table of parts."""
    inner = target.statistic
    return replace(target, statistic=lambda sums: inner(sums[..., start : start + width]))
