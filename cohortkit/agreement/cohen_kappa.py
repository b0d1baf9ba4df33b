"""Cohen's kappa of two raters, unweighted or weighted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Unpack

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.agreement.coefficients import (
    CategoryAgreement,
    Published,
    Request,
    Target,
    answer,
)
from cohortkit.agreement.ratings import (
    RatingOptions,
    Ratings,
    prevalence_caution,
    rarity_caution,
    rated,
)
from cohortkit.agreement.smooth import Statistic, influence
from cohortkit.agreement.weighting import SOURCES, WEIGHTS, agreement_weights
from cohortkit.display import counted
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.estimate import Caution

_FCE = "large-sample normal interval (Fleiss, Cohen & Everitt 1969)"


def cohen_kappa(
    data: Any,
    *,
    weights: str = "unweighted",
    categories: Sequence[Any] | None = None,
    raters: Sequence[Any] | None = None,
    interval: str = "fisher_z",
    level: float = 0.95,
    missing: str = "stop",
    **options: Unpack[RatingOptions],
) -> CategoryAgreement:
    """Agreement of two raters beyond what their own habits would give by chance.

    Parameters
    ----------
    data
        One row per rating: a table or an analysis set.
    weights
        ``"unweighted"``, or ``"linear"`` or ``"quadratic"`` for categories with an
        order, where a near miss counts less than a far one.
    categories
        In rising order. None takes the order of an ordered Categorical, else the
        schema's for a column of the format, else that of numbers.
    raters
        The two raters; None if the table holds just two.
    interval
        ``"fisher_z"`` (default; clustered by participant), ``"published"`` (Fleiss,
        Cohen & Everitt 1969; independent subjects only) or ``"bootstrap"``.
    level
        Coverage of each interval.
    missing
        ``"stop"``, or ``"drop"`` to leave out missing ratings and subjects that
        one of the two did not rate, and count them.
    **options
        Column names and bootstrap numbers, see `RatingOptions`.

    Returns
    -------
    CategoryAgreement
        ``cohen_kappa``, ``observed_agreement``, ``expected_agreement`` (the latter
        two weighted alike; no interval for what is expected). `table` is the
        square table of counts.

    Raises
    ------
    ArgumentError
        The order of the categories is needed and not known.
    EstimateError
        Not two raters; subjects that only one of them rated.
    TableError
        Missing values, absent columns, ratings outside the categories.

    Notes
    -----
    (p_o - p_e) / (1 - p_e). Cohen 1960, 1968. NaN if both raters put everything
    in one category.
    """
    checks.one_of("weights", weights, WEIGHTS)
    request = Request.of(interval, level, options)
    pair = _two(raters)
    ratings = rated(
        data, categories=categories, order_matters=weights != "unweighted", missing=missing,
        options=options, raters=pair,
    )  # fmt: skip
    ratings, n_alone = _complete(ratings, missing)
    w = agreement_weights(weights, len(ratings.categories))
    targets, parts = kappa_targets(ratings.codes, w, weights)
    found = answer(targets, parts, ratings, request)
    return CategoryAgreement(
        question=f"How well do {ratings.raters[0]} and {ratings.raters[1]} agree beyond chance?",
        estimates=found.estimates,
        cautions=(*ratings.cautions, *_cautions(ratings, n_alone), *found.cautions),
        settings={**ratings.settings, "weights": weights, **request.settings()},
        errors=found.errors,
        table=_square(ratings, parts),
    )


def kappa_targets(
    codes: np.ndarray, w: np.ndarray, weights: str
) -> tuple[list[Target], np.ndarray]:
    """What to estimate, and the cells of each subject, shape (n, q^2), whose sums it needs."""
    n, q = len(codes), len(w)
    parts = np.zeros((n, q * q))
    parts[np.arange(n), codes[:, 0] * q + codes[:, 1]] = 1.0
    kappa, observed, expected = _statistics(w)
    with np.errstate(divide="ignore", invalid="ignore"):
        effect = influence(parts, kappa)
        null = null_error(parts.sum(axis=0).reshape(q, q), w)
    chance = float(expected(parts.sum(axis=0)))
    how = SOURCES[weights]
    targets = [
        Target(
            "cohen_kappa",
            f"Cohen's kappa, {how} (Cohen 1960, 1968)",
            kappa,
            "z",
            chance=chance,
            published=Published(math.sqrt(float(effect @ effect)) / n, math.inf, _FCE),
            null_error=null,
        ),
        Target(
            "observed_agreement", f"share of agreement, {how}", observed, "share", base=np.ones(n)
        ),
        Target("expected_agreement", f"from the raters' own shares, {how}", expected, "none"),
    ]
    return targets, parts


def null_error(table: np.ndarray, w: np.ndarray) -> float:
    """Standard error of kappa if the raters were independent (Fleiss, Cohen & Everitt 1969)."""
    n = table.sum()
    rows, columns = table.sum(axis=1) / n, table.sum(axis=0) / n
    expected = rows @ w @ columns
    spread = w - (w @ columns)[:, None] - (rows @ w)[None, :]
    variance = (rows @ spread**2 @ columns - expected**2) / (n * (1 - expected) ** 2)
    return math.sqrt(variance) if variance >= 0 else math.nan


def _statistics(w: np.ndarray) -> tuple[Statistic, Statistic, Statistic]:
    """Kappa, observed and expected agreement as functions of the sums of cells."""
    q = len(w)

    def shares(sums: np.ndarray) -> np.ndarray:
        return (sums / sums.sum(axis=-1, keepdims=True)).reshape(*sums.shape[:-1], q, q)

    def observed(sums: np.ndarray) -> np.ndarray:
        return (w * shares(sums)).sum(axis=(-1, -2))

    def expected(sums: np.ndarray) -> np.ndarray:
        p = shares(sums)
        return ((p.sum(axis=-1) @ w) * p.sum(axis=-2)).sum(axis=-1)

    def kappa(sums: np.ndarray) -> np.ndarray:
        chance = expected(sums)
        return (observed(sums) - chance) / (1 - chance)

    return kappa, observed, expected


def _two(raters: Sequence[Any] | None) -> list[Any] | None:
    if raters is None:
        return None
    if isinstance(raters, str) or len(raters) != 2 or len(set(raters)) != 2:
        raise ArgumentError(
            "Argument 'raters' takes two different raters",
            found=repr(raters),
            next_step="give two, as raters=('R1', 'R2')",
        )
    return list(raters)


def _complete(ratings: Ratings, missing: str) -> tuple[Ratings, int]:
    """Subjects that both raters rated; how many only one did."""
    if len(ratings.raters) != 2:
        raise EstimateError(
            "Cohen's kappa compares two raters",
            found=f"{counted(len(ratings.raters), 'rater')}: "
            + ", ".join(map(str, ratings.raters[:12])),
            next_step="name two with raters=(first, second), or use fleiss_kappa, gwet_ac or "
            "krippendorff_alpha",
        )
    both = np.all(ratings.codes >= 0, axis=1)
    alone = int((~both).sum())
    if alone and missing == "stop":
        raise EstimateError(
            "Not every subject was rated by both raters",
            found=f"{alone} of {counted(len(both), 'subject')} by one rater only",
            next_step="find out why, then pass missing='drop' to leave them out and count them",
        )
    return (ratings.subset(both) if alone else ratings), alone


def _cautions(ratings: Ratings, n_alone: int) -> list[Caution]:
    found = [*prevalence_caution(ratings), *rarity_caution(ratings)]
    if n_alone:
        message = f"Subjects that one rater alone had rated, left out: {n_alone}."
        found.append(Caution("rated_by_one", message))
    constant = [
        str(r)
        for r, column in zip(ratings.raters, ratings.codes.T, strict=True)
        if np.ptp(column) == 0
    ]
    if len(constant) == 1:
        message = (
            f"Rater {constant[0]} used one category throughout, so kappa is 0 whatever the other "
            "rater did."
        )
        found.append(Caution("rater_used_one_category", message))
    return found


def _square(ratings: Ratings, parts: np.ndarray) -> pd.DataFrame:
    q = len(ratings.categories)
    names = [str(c) for c in ratings.categories]
    counts = parts.sum(axis=0).reshape(q, q).astype(int)
    return pd.DataFrame(counts, index=pd.Index(names, name=str(ratings.raters[0])), columns=names)
