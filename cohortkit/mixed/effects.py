"""Predicted effects of single levels (raters, sites), shrunken towards zero."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import norm

from cohortkit import checks
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.mixed import cautions, prediction, rows
from cohortkit.mixed.averaged import averaged_caution, one_kind
from cohortkit.mixed.components import DEFAULT_RANDOM
from cohortkit.mixed.design import Factor, Floats, build
from cohortkit.mixed.model import Model, fit_design
from cohortkit.mixed.threads import one_thread

N_DRAWS, SEED = 1000, 20250101


@dataclass(frozen=True, repr=False, eq=False)
class Effects(Result):
    """One estimate ``effect`` per level; `group` names the level."""


def effects(  # noqa: PLR0913
    data: Any,
    *,
    of: Sequence[str] = ("rater_id",),
    value: str = "gap_mm",
    random: Sequence[Sequence[str]] = DEFAULT_RANDOM,
    level: float = 0.95,
    missing: str = "stop",
    participant: str | None = "participant_id",
    unit: str = "mm",
    plus: Sequence[Sequence[str]] = (),
    n_draws: int = N_DRAWS,
    seed: int = SEED,
) -> Effects:
    """How far each level of one random factor lies from the mean of all.

    The target is the level's own effect u_j in y = b + sum_k Z_k u_k + e: what it adds to a
    reading, against the mean of all such levels at large (not only of those in the table).
    Levels are taken as drawn one by one. What those of one outer factor share (the raters of
    one site) needs that factor in the model; it is not in u_j then, unless it is named in
    `plus`.

    The value is the best linear unbiased prediction at the REML variances: levels with few
    readings are drawn towards zero. The interval allows for the variances being estimates:
    quantiles of the prediction's normal distribution over generalised draws of the
    variances, of those in which the factor varies.

    Parameters
    ----------
    data
        A tidy table or analysis set, one row per reading.
    of
        Columns of the factor whose levels are wanted; one of `random`.
    value, random, missing, participant, unit
        As in `cohortkit.mixed.fit`.
    level
        Coverage of the prediction intervals.
    plus
        Factors of `random` in which that of `of` is nested, and whose effects are added:
        ``of=["rater_id"], plus=[["rater_site"]]`` asks for a rater's whole shift, with that of
        the rater's site.
    n_draws, seed
        Draws of the variances (fewer for tables of more than 4,000 levels).

    Returns
    -------
    Effects
        Estimates in `unit`, in sorted order of the levels. Participants and fingers are
        those of the level's own readings.

    Raises
    ------
    ArgumentError
        If `of` is no factor of `random`, or is not nested in those of `plus`.
    TableError, EstimateError
        As `cohortkit.mixed.fit`.

    References
    ----------
    See `cohortkit.mixed.prediction`.
    """
    checks.proportion("level", level)
    checks.count("n_draws", n_draws, 100)
    wanted = [_position("of", of, random), *(_position("plus", one, random) for one in plus)]
    used, kept, dropped = rows.used_rows(data, value, random, (), missing)
    modelled = checks.as_frame(data).iloc[kept]
    one_kind(modelled)
    with one_thread():
        model = fit_design(build(used, value=value, random=random, fixed=()), "reml")
        factor, *outer = (model.design.factors[k] for k in wanted)
        _nested_in(factor, outer)
        found = _predicted(model, wanted, level, n_draws, seed)
    estimates = []
    for position, (lower, upper) in enumerate(found.limits):
        own = np.flatnonzero(factor.codes == position)
        names = (f"{column}={used[column].iloc[own[0]]}" for column in of)
        estimates.append(
            Estimate(
                name="effect",
                value=float(found.values[position]),
                lower=float(lower),
                upper=float(upper),
                level=np.nan if np.isnan(lower) else level,
                unit=unit,
                method=f"best linear unbiased prediction at the REML variances; {found.words}",
                group="; ".join(names),
                **rows.counts(data, kept[own], participant),
            )
        )
    return Effects(
        question=f"How far does each {' and '.join(of)} lie from the mean of all?",
        estimates=tuple(estimates),
        cautions=(
            *cautions.dropped(dropped),
            *averaged_caution(modelled),
            *cautions.quantities_pooled(modelled, itertools.chain(*random)),
            *cautions.few_levels(model.design),
            *cautions.shared_elsewhere(factor, outer, model.design),
            *found.cautions,
        ),
        settings={
            "of": list(of),
            "value": value,
            "random": [list(columns) for columns in random],
            "level": level,
            "missing": missing,
            "participant": participant,
            "unit": unit,
            "plus": [list(columns) for columns in plus],
            "n_draws": n_draws,
            "seed": seed,
        },
    )


@dataclass(frozen=True)
class _Predicted:
    """Effects and limits in the caller's units, (levels,) and (levels, 2), with their words."""

    values: Floats
    limits: Floats
    words: str
    cautions: tuple[Caution, ...]


def _position(name: str, columns: Sequence[str], random: Sequence[Sequence[str]]) -> int:
    for position, factor in enumerate(random):
        if list(columns) == list(factor):
            return position
    raise ArgumentError(
        f"Argument '{name}' names one of the random factors",
        found=repr(list(columns)),
        next_step="use one of " + ", ".join(repr(list(factor)) for factor in random),
    )


def _nested_in(factor: Factor, outer: list[Factor]) -> None:
    for other in outer:
        if other is factor or not cautions.nested(factor, other):
            raise ArgumentError(
                f"Effects of {other.name} can be added where each {factor.name} has one of it",
                where="argument 'plus'",
                found=f"a {factor.name} that occurs with several {other.name}"
                if other is not factor
                else f"{factor.name} itself",
                next_step=f"leave {list(other.columns)} out of plus",
            )


def _predicted(
    model: Model, positions: list[int], level: float, n_draws: int, seed: int
) -> _Predicted:
    scale, entries = model.design.scale, np.array(positions) + 1
    name = " and ".join(model.design.factors[position].name for position in positions)
    values, error = prediction.Predictor(model, positions).at(model.best.point.v)
    zero = not model.best.v[entries].any()
    values, nothing = (0 * values if zero else scale * values), np.full(len(values), np.nan)
    try:
        limits, made, share = prediction.limits(
            model, positions, level=level, n_draws=n_draws, seed=seed
        )
    except EstimateError as reason:
        half = nothing if zero else norm.ppf((1 + level) / 2) * scale * error
        limits = np.column_stack([values - half, values + half])
        note = cautions.effects_at_zero(name, 0) if zero else cautions.known(reason)
        return _Predicted(values, limits, "normal interval at those variances", (note,))
    words = f"interval: quantiles over {made} generalised draws of the variances, seed {seed}"
    notes = [cautions.effects_at_zero(name, made)] if zero else []
    if made and share < cautions.RULED_OUT:
        notes.append(cautions.zero_not_ruled_out(name))
    if made and len(positions) > 1:
        notes.append(cautions.effects_added(name))
    return _Predicted(values, limits, words if made else "no interval", tuple(notes))
