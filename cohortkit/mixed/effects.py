"""Predicted effects of single levels (raters, sites), shrunken towards zero."""

from __future__ import annotations

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
from cohortkit.mixed.design import Floats, build
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
    n_draws: int = N_DRAWS,
    seed: int = SEED,
) -> Effects:
    """How far each level of one random factor lies from the mean of all.

    The target is the level's own effect u_j in y = b + sum_k Z_k u_k + e: what it adds to a
    reading, against the mean of all such levels at large (not only of those in the table).
    What the levels of one outer factor share (the raters of one site) belongs to that
    factor, if it is in the model, and is not in u_j.

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
        If `of` is no factor of `random`.
    TableError, EstimateError
        As `cohortkit.mixed.fit`.

    References
    ----------
    See `cohortkit.mixed.prediction`.
    """
    checks.proportion("level", level)
    checks.count("n_draws", n_draws, 100)
    wanted = [k for k, columns in enumerate(random) if list(columns) == list(of)]
    if not wanted:
        raise ArgumentError(
            "Argument 'of' names one of the random factors",
            found=repr(list(of)),
            next_step="use one of " + ", ".join(repr(list(columns)) for columns in random),
        )
    used, kept, dropped = rows.used_rows(data, value, random, (), missing)
    modelled = checks.as_frame(data).iloc[kept]
    one_kind(modelled)
    with one_thread():
        model = fit_design(build(used, value=value, random=random, fixed=()), "reml")
        found = _predicted(model, wanted[0], level, n_draws, seed)
    factor = model.design.factors[wanted[0]]
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
            *cautions.few_levels(model.design),
            *cautions.shared_elsewhere(factor, model.design),
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


def _predicted(model: Model, position: int, level: float, n_draws: int, seed: int) -> _Predicted:
    factor, scale = model.design.factors[position], model.design.scale
    values, error = prediction.Predictor(model, position).at(model.best.point.v)
    zero = model.best.v[position + 1] == 0
    values = np.zeros(factor.size) if zero else scale * values
    try:
        limits, made, share = prediction.limits(
            model, position, level=level, n_draws=n_draws, seed=seed
        )
    except EstimateError as reason:
        half = np.full(factor.size, np.nan) if zero else norm.ppf((1 + level) / 2) * scale * error
        limits = np.column_stack([values - half, values + half])
        note = cautions.effects_at_zero(factor.name, 0) if zero else cautions.known(reason)
        return _Predicted(values, limits, "normal interval at those variances", (note,))
    words = f"interval: quantiles over {made} generalised draws of the variances, seed {seed}"
    notes = [cautions.effects_at_zero(factor.name, made)] if zero else []
    if made and share < cautions.RULED_OUT:
        notes.append(cautions.zero_not_ruled_out(factor.name))
    return _Predicted(values, limits, words if made else "no interval", tuple(notes))
