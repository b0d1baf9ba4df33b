"""What changes how a fitted variance component may be used."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution
from cohortkit.mixed.design import Design, Factor, Floats

FEW_LEVELS = 5
FEW_FOR_INTERVALS = 10
KINDS = ("pulley", "load", "reference_structure", "read_mode", "injured")
RULED_OUT = 0.975  # share of draws in which a factor varies, from which zero is ruled out


def nested(inner: Factor, outer: Factor) -> bool:
    """Whether each level of `inner` occurs with one level of `outer` only."""
    pairs = np.unique(inner.codes * np.intp(outer.size) + outer.codes)
    return len(pairs) == inner.size


def undeclared_nesting(design: Design) -> list[Caution]:
    """Factors that lie within another although their columns do not say so."""
    factors = design.factors
    within = {
        (inner.name, outer.name): set(outer.columns) <= set(inner.columns)
        for inner in factors
        for outer in factors
        if inner is not outer and nested(inner, outer)
    }
    # A factor within a second that is within a third needs no word about the third.
    closest = [
        (inner, outer)
        for (inner, outer), declared in within.items()
        if not declared
        and not any((inner, f.name) in within and (f.name, outer) in within for f in factors)
    ]
    if not closest:
        return []
    pairs = "; ".join(f"{inner} within {outer}" for inner, outer in closest)
    return [
        Caution(
            "nested_not_crossed",
            f"Nested in these rows, not crossed: {pairs}. Levels of the outer factor are compared "
            "through different levels of the inner one, and take up whatever those share.",
        )
    ]


def quantities_pooled(rows: pd.DataFrame, modelled: Iterable[str]) -> list[Caution]:
    """Columns of the format that say what was measured, vary, and are not in the model."""
    known = set(modelled)
    varied = [
        name for name in KINDS if name in rows and name not in known and rows[name].nunique() > 1
    ]
    if not varied:
        return []
    return [
        Caution(
            "quantities_pooled",
            f"The rows mix values of {', '.join(varied)}, and the model does not know: differences "
            "between them count as error, or as spread of whatever goes with them.",
        )
    ]


def few_levels(design: Design) -> list[Caution]:
    """Factors whose variance rests on very few levels."""
    return [
        Caution(
            "few_levels",
            f"The variance of {f.name} rests on {f.size} levels; take its value as a rough figure.",
        )
        for f in design.factors
        if f.size < FEW_LEVELS
    ]


def boundary(singular: tuple[str, ...]) -> list[Caution]:
    """Components at zero."""
    if not singular:
        return []
    names = ", ".join(singular)
    return [
        Caution(
            "singular_fit",
            f"Estimated as exactly zero, the edge of what is possible: {names}. "
            "The data show no such variance; they do not prove that there is none.",
        )
    ]


def persons_left_out(participant: str | None) -> list[Caution]:
    """Persons repeat, and the model does not know; None if it does."""
    if participant is None:
        return []
    return [
        Caution(
            "participant_left_out",
            f"Rows of the same {participant} repeat, but {participant} is not a random factor: "
            "the other variances take up differences between persons, and no interval is given.",
        )
    ]


def dropped(count: int) -> list[Caution]:
    """Rows left out because the caller said so."""
    if not count:
        return []
    return [Caution("rows_dropped", f"{count} rows with missing values were left out.")]


def narrow_with_few_levels(design: Design) -> list[Caution]:
    """Full-likelihood profile limits are too short where a variance rests on few levels."""
    names = _fewer(design, FEW_FOR_INTERVALS)
    if not names:
        return []
    return [
        Caution(
            "interval_few_levels",
            f"With fewer than {FEW_FOR_INTERVALS} levels ({names}) profile limits on the ML scale "
            "hold the variance, and the mean, less often than they say; prefer "
            "intervals=Profile('reml').",
        )
    ]


def mean_with_few_levels(design: Design) -> list[Caution]:
    """T limits of the mean are a little short where a variance rests on very few levels."""
    names = _fewer(design, FEW_LEVELS)
    if not names:
        return []
    return [
        Caution(
            "interval_few_levels",
            f"With fewer than {FEW_LEVELS} levels ({names}) t limits of the mean are a little too "
            "short: they covered 92 to 93 % instead of 95 % with 3 levels that differ much.",
        )
    ]


def _fewer(design: Design, few: int) -> str:
    return ", ".join(f.name for f in design.factors if f.size < few)


def restricted_with_few_levels(design: Design) -> list[Caution]:
    """Even restricted profile limits are a little short where a variance rests on very few."""
    names = _fewer(design, FEW_LEVELS)
    if not names:
        return []
    return [
        Caution(
            "interval_few_levels",
            f"With fewer than {FEW_LEVELS} levels ({names}) restricted profile limits of the "
            "variance, and t limits of the mean, are a little too short: they covered 92 to 93 % "
            "instead of 95 % with 3 levels.",
        )
    ]


def held_at_zero(design: Design, sds: Floats) -> list[Caution]:
    """Intervals of factors that start at zero; `sds` (K + 1, 2), residual first."""
    lower = sds[1:, 0]
    names = [f"sd_{f.name}" for f, low in zip(design.factors, lower, strict=True) if low == 0]
    if not names:
        return []
    return [
        Caution(
            "interval_at_zero",
            f"Zero is not ruled out for {', '.join(names)}. Where a factor makes no difference at "
            "all, such intervals held that zero in 97 to 100 % of simulated tables instead of "
            "95 %: they are too wide there.",
        )
    ]


def limits_not_found(design: Design, sds: Floats, fixed: Floats) -> list[Caution]:
    """Profile limits that are NaN, (K + 1, 2) with the residual first, and (p, 2)."""
    names = ["sd_residual", *(f"sd_{f.name}" for f in design.factors)]
    names += [f"fixed_{name}" for name in design.fixed.names]
    missing = [
        f"{side} limit of {name}"
        for name, pair in zip(names, np.vstack([sds, fixed]), strict=False)
        for side, limit in zip(("lower", "upper"), pair, strict=True)
        if np.isnan(limit)
    ]
    if not missing:
        return []
    return [
        Caution(
            "limit_not_found",
            f"Not found, and given as NaN: {', '.join(missing)}. The likelihood could not be "
            "followed that far, as happens with very few rows; the rest stands.",
        )
    ]


def failed_refits(count: int, tried: int) -> list[Caution]:
    """Bootstrap replicates without a fit."""
    if not count:
        return []
    return [
        Caution(
            "bootstrap_failures",
            f"{count} of {tried} bootstrap refits failed and are not in the intervals.",
        )
    ]


def effects_at_zero(name: str, draws: int) -> Caution:
    """Effects of a factor whose variance is estimated as zero; `draws` are behind intervals."""
    rest = (
        "their intervals allow for a variance that was missed"
        if draws
        else "they have no interval, because hardly any variance above zero fits the readings"
    )
    return Caution(
        "singular_fit",
        f"The variance of {name} is estimated as zero, so every effect is drawn to zero; {rest}. "
        "The data show no such variance; they do not prove that there is none.",
    )


def zero_not_ruled_out(name: str) -> Caution:
    """Intervals of effects are too wide where the levels hardly differ."""
    return Caution(
        "interval_at_zero",
        f"The readings do not rule out that {name} makes no difference at all. Where it makes "
        "none, or hardly any, intervals of effects held them in 98 to 100 % of simulated tables "
        "instead of 95 %: they are too wide there.",
    )


def effects_added(names: str) -> Caution:
    """Intervals of the sum of a level's effect and those of the levels in which it lies."""
    return Caution(
        "interval_of_sum",
        f"The intervals are about the sum of {names}: they held it in 97 to 99 % of simulated "
        "tables instead of 95 %, and are a little too wide.",
    )


def known(reason: EstimateError) -> Caution:
    """Intervals of effects without draws of the variances."""
    return Caution(
        "interval_variances_known",
        "The intervals take the variances as known, and are too short where a factor has few "
        f"levels (87 % instead of 95 % with 4, 92 % with 8). {reason}",
    )


def shared_elsewhere(factor: Factor, added: list[Factor], design: Design) -> list[Caution]:
    """What the levels of a factor share within one that it is nested in, is not in their effects.

    Unless the effects of that one are added.
    """
    others = (f for f in design.factors if not any(f is one for one in (factor, *added)))
    outer = [f.name for f in others if nested(factor, f)]
    if not outer:
        return []
    names = " and ".join(outer)
    return [
        Caution(
            "shared_shift_elsewhere",
            f"Each {factor.name} occurs with one {names} only: what those of one {names} share "
            f"counts as {names}, and is not in their effects.",
        )
    ]
