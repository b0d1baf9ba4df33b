"""Predicted effects of single levels (raters, sites), shrunken towards zero."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import norm
from threadpoolctl import threadpool_limits

from cohortkit import checks
from cohortkit.errors import ArgumentError
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.mixed import cautions, rows
from cohortkit.mixed.averaged import averaged_caution, one_kind
from cohortkit.mixed.components import DEFAULT_RANDOM
from cohortkit.mixed.design import Floats, build
from cohortkit.mixed.likelihood import Factorisation
from cohortkit.mixed.model import Model, fit_design


@dataclass(frozen=True, repr=False, eq=False)
class Effects(Result):
    """One estimate ``effect`` per level; `group` names the level."""


def effects(
    data: Any,
    *,
    of: Sequence[str] = ("rater_id",),
    value: str = "gap_mm",
    random: Sequence[Sequence[str]] = DEFAULT_RANDOM,
    level: float = 0.95,
    missing: str = "stop",
    participant: str | None = "participant_id",
    unit: str = "mm",
) -> Effects:
    """How far each level of one random factor lies from the mean of all.

    Best linear unbiased prediction at the REML variances: u = v_k Z_k' P y, with
    prediction error variance v_k I - v_k^2 Z_k' P Z_k. Levels with few readings are
    drawn towards zero.

    Parameters
    ----------
    data
        A tidy table or analysis set, one row per reading.
    of
        Columns of the factor whose levels are wanted; one of `random`.
    value, random, missing, participant, unit
        As in `cohortkit.mixed.fit`.
    level
        Coverage of the prediction intervals. They hold for the fitted variances
        as if known, so that with few levels they are somewhat too narrow.

    Returns
    -------
    Effects
        Estimates in sorted order of the levels; without interval where the factor's
        variance is estimated as zero. Participants and fingers are those
        of the level's own readings.

    Raises
    ------
    ArgumentError
        If `of` is no factor of `random`.
    TableError, EstimateError
        As `cohortkit.mixed.fit`.

    References
    ----------
    Henderson 1975, Biometrics 31: 423-447 (from memory).
    """
    checks.proportion("level", level)
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
    with threadpool_limits(1):  # the matrices are small, and threads would wait in turn
        model = fit_design(build(used, value=value, random=random, fixed=()), "reml")
        found, error = predictions(model, wanted[0])
    flat = not error.any()
    half = np.full(len(error), np.nan) if flat else norm.ppf((1 + level) / 2) * error
    codes = model.design.factors[wanted[0]].codes
    estimates = []
    for position in range(len(found)):
        own = np.flatnonzero(codes == position)
        names = (f"{column}={used[column].iloc[own[0]]}" for column in of)
        estimates.append(
            Estimate(
                name="effect",
                value=float(found[position]),
                lower=float(found[position] - half[position]),
                upper=float(found[position] + half[position]),
                level=np.nan if flat else level,
                unit=unit,
                method="best linear unbiased prediction at the REML variances; normal interval "
                "with the variances taken as known",
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
            *(_no_spread(":".join(of)) if flat else ()),
        ),
        settings={
            "of": list(of),
            "value": value,
            "random": [list(columns) for columns in random],
            "level": level,
            "missing": missing,
            "participant": participant,
            "unit": unit,
        },
    )


def _no_spread(name: str) -> tuple[Caution, ...]:
    return (
        Caution(
            "singular_fit",
            f"The variance of {name} is estimated as zero, so every effect is drawn to zero and "
            "has no interval. The data show no such variance; they do not prove that there is "
            "none.",
        ),
    )


def predictions(model: Model, position: int) -> tuple[Floats, Floats]:
    """Effects of one factor's levels and their standard errors of prediction, (levels,)."""
    factor = model.design.factors[position]
    variance = model.best.v[position + 1]
    if variance == 0:
        return np.zeros(factor.size), np.zeros(factor.size)
    equations, v = model.equations, model.best.point.v
    solver = Factorisation(equations, v[1:] / v[0])
    response = model.problem.response
    seen = solver.backward(*solver.forward(response.levels[:, None], response.fixed[:, None]))[0][
        :, 0
    ]
    places = np.flatnonzero(equations.factor_of == position)
    order = places[np.argsort(equations.order[places])]
    columns = equations.cross[:, order].toarray()
    tied = solver.backward(*solver.forward(columns, equations.fixed[order].T))[0][order]
    ratio = variance / v[0]
    error = variance * (1 - ratio * np.diag(tied))
    scale = model.design.scale
    return scale * ratio * seen[order], scale * np.sqrt(np.maximum(error, 0.0))
