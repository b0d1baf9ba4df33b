"""Percentage agreement, overall and specific to each category, for two or more raters."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Unpack

import numpy as np

from cohortkit import checks
from cohortkit.agreement.coefficients import (
    CategoryAgreement,
    Request,
    Target,
    answer,
)
from cohortkit.agreement.pairwise import category_table
from cohortkit.agreement.ratings import RatingOptions, Ratings, rated
from cohortkit.agreement.smooth import Statistic
from cohortkit.estimate import Caution, Estimate

INTERVALS = ("logit", "bootstrap")
_RARE = 10  # subjects that anybody put in a category


def specific_agreement(
    data: Any,
    *,
    categories: Sequence[Any] | None = None,
    interval: str = "logit",
    level: float = 0.95,
    missing: str = "stop",
    **options: Unpack[RatingOptions],
) -> CategoryAgreement:
    """If one rater says 'complete', how likely does another say so too?

    Parameters
    ----------
    data, categories, level
        As in `cohen_kappa`.
    interval
        ``"logit"`` (default): specific agreement by jackknife on the logit scale,
        overall agreement by Wilson on the effective number of subjects; or
        ``"bootstrap"``. Both are clustered by participant.
    missing
        ``"stop"``, or ``"drop"`` to leave out and count missing ratings.
    **options
        Column names and bootstrap numbers, see `RatingOptions`.

    Returns
    -------
    CategoryAgreement
        ``overall_agreement``, the share of agreeing pairs of ratings, and
        ``specific_agreement`` for each category
        (``result["specific_agreement@category=complete"]``). With absent ratings
        every pair counts alike, not every subject. Not corrected for chance.

    Raises
    ------
    EstimateError, TableError
        As in `cohen_kappa`.

    Notes
    -----
    sum r_k (r_k - 1) / sum r_k (r - 1), with r_k of the r ratings of a subject in
    category k: Dice 1945 for two raters, de Vet et al. 2017 for more.
    """
    checks.one_of("interval", interval, INTERVALS)
    request = Request.of("fisher_z" if interval == "logit" else interval, level, options)
    ratings = rated(
        data, categories=categories, order_matters=False, missing=missing, options=options
    )
    targets, parts = share_targets(ratings.counts, ratings.categories)
    found = answer(targets, parts, ratings, request)
    return CategoryAgreement(
        question="How often do two raters agree, and how often on each category?",
        estimates=found.estimates,
        cautions=(
            *ratings.cautions,
            *_off_level(found.estimates[1:], ratings, interval),
            *found.cautions,
        ),
        settings={**ratings.settings, **request.settings(), "interval": interval},
        errors=found.errors,
        table=category_table(ratings),
    )


def share_targets(counts: np.ndarray, categories: Sequence[Any]) -> tuple[list[Target], np.ndarray]:
    """Overall and specific agreement, and what each subject adds to their two sums."""
    q = counts.shape[1]
    agreeing = counts * (counts - 1)
    possible = counts * (counts.sum(axis=1, keepdims=True) - 1)
    parts = np.hstack([agreeing, possible]).astype(float)

    def share_of(k: int) -> Statistic:
        return lambda sums: sums[..., k] / sums[..., q + k]

    overall = Target(
        "overall_agreement",
        "share of agreeing pairs of ratings",
        lambda sums: sums[..., :q].sum(axis=-1) / sums[..., q:].sum(axis=-1),
        "share",
        base=possible.sum(axis=1),
    )
    each = [
        Target(
            "specific_agreement",
            "share of the other ratings that agree, given one in this category (Dice 1945; de Vet "
            "et al. 2017)",
            share_of(k),
            "logit",
            group=f"category={category}",
            base=possible[:, k],
        )
        for k, category in enumerate(categories)
    ]
    return [overall, *each], parts


def _off_level(estimates: Sequence[Estimate], ratings: Ratings, interval: str) -> list[Caution]:
    """Categories whose interval was measured to be too short, or too wide."""
    rare, wide = [], []
    measured = len(ratings.raters) == 2 and interval == "logit"
    for k, category in enumerate(ratings.categories):
        used = int((ratings.codes == k).any(axis=1).sum())
        other = int(((ratings.codes >= 0) & (ratings.codes != k)).any(axis=1).sum())
        if 0 < used < _RARE:
            rare.append(str(category))
        elif used and other >= _RARE and measured and estimates[k].level > 0:
            wide.append(str(category))
    found = {
        "rare_category": (
            rare,
            f"Fewer than {_RARE} subjects were put there by anybody: {', '.join(rare)}. Intervals "
            "of so rare a category covered 90 % instead of 95 % with 30 participants, 93 and 97 % "
            "with 20 (two raters).",
        ),
        "wide_specific_agreement": (
            wide,
            "Intervals of specific agreement between two raters are wider than they say where a "
            "category takes neither few nor nearly all subjects: most covered 97 to 99 % instead of "
            f"95 %: {', '.join(wide)}.",
        ),
    }
    return [Caution(code, message) for code, (holds, message) in found.items() if holds]
