"""Gwet's AC1 and AC2: agreement beyond chance that stays put where one category is common."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Unpack

import numpy as np

from cohortkit import checks
from cohortkit.agreement.coefficients import CategoryAgreement, Request, Target, answer
from cohortkit.agreement.pairwise import (
    category_table,
    corrected_target,
    gwet_chance,
    pair_parts,
    percent_target,
    uniform_chance,
)
from cohortkit.agreement.ratings import RatingOptions, rated
from cohortkit.agreement.weighting import SOURCES, WEIGHTS, agreement_weights


def gwet_ac(
    data: Any,
    *,
    weights: str = "unweighted",
    categories: Sequence[Any] | None = None,
    interval: str = "fisher_z",
    level: float = 0.95,
    missing: str = "stop",
    **options: Unpack[RatingOptions],
) -> CategoryAgreement:
    """Agreement of two or more raters beyond Gwet's chance agreement.

    Parameters
    ----------
    data, weights, categories, interval, level
        As in `cohen_kappa`. Unweighted gives AC1, weighted AC2. The number of
        categories counts: give all that a rater could have used, also those that
        nobody did. ``"published"`` is the interval of Gwet 2008.
    missing
        ``"stop"``, or ``"drop"`` to leave out and count missing ratings.
    **options
        Column names and bootstrap numbers, see `RatingOptions`.

    Returns
    -------
    CategoryAgreement
        ``gwet_ac``, ``brennan_prediger`` (all categories equally likely; with two
        categories the prevalence- and bias-adjusted kappa) and
        ``percent_agreement``.

    Raises
    ------
    ArgumentError, EstimateError, TableError
        As in `cohen_kappa`.

    Notes
    -----
    Gwet 2008, 2014; Brennan & Prediger 1981. Defined, and 1, if all ratings fall in
    one category.
    """
    checks.one_of("weights", weights, WEIGHTS)
    request = Request.of(interval, level, options)
    ratings = rated(
        data, categories=categories, order_matters=weights != "unweighted", missing=missing,
        options=options,
    )  # fmt: skip
    targets, parts = gwet_targets(ratings.counts, weights)
    found = answer(targets, parts, ratings, request)
    return CategoryAgreement(
        question="How well do raters agree beyond chance? (Gwet)",
        estimates=found.estimates,
        cautions=(*ratings.cautions, *found.cautions),
        settings={**ratings.settings, "weights": weights, **request.settings()},
        errors=found.errors,
        table=category_table(ratings),
    )


def gwet_targets(counts: np.ndarray, weights: str) -> tuple[list[Target], np.ndarray]:
    """What to estimate, and the parts of each subject whose sums it needs."""
    w = agreement_weights(weights, counts.shape[1])
    parts = pair_parts(counts, w)
    how = SOURCES[weights]
    name = "AC1" if weights == "unweighted" else "AC2"
    targets = [
        corrected_target(
            "gwet_ac", f"Gwet's {name}, {how} (Gwet 2008, 2014)", parts, gwet_chance(w)
        ),
        corrected_target(
            "brennan_prediger",
            f"all categories equally likely, {how} (Brennan & Prediger 1981)",
            parts,
            uniform_chance(w),
        ),
        percent_target(parts, f"share of agreeing pairs of ratings, {how}"),
    ]
    return targets, parts
