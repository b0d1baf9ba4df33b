"""Intervals of a fitted model: by profile likelihood, by bootstrap, or none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy.stats import t as student

from cohortkit import checks
from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution
from cohortkit.mixed import bootstrap, cautions, profile
from cohortkit.mixed.design import Floats
from cohortkit.mixed.fitting import Problem
from cohortkit.mixed.fixed_effects import coefficients
from cohortkit.mixed.model import Model, refit
from cohortkit.mixed.scale import scale_of


@dataclass(frozen=True)
class Profile:
    """Profile-likelihood intervals.

    `scale` ``"ml"`` profiles the full likelihood whatever the method of the fit;
    ``"reml"`` the restricted one for variances (coefficients have none, and keep
    their t intervals).
    """

    scale: Literal["ml", "reml"] = "ml"


@dataclass(frozen=True)
class Bootstrap:
    """Intervals of a parametric bootstrap, by draws; see `cohortkit.mixed.bootstrap`.

    `workers` changes the time, never the answer.
    """

    n_boot: int = 999
    seed: int = 20250101
    workers: int = 1


T_LIMITS = "t with Satterthwaite degrees of freedom"

Choice = Literal["profile", "bootstrap"] | Profile | Bootstrap | None


@dataclass(frozen=True)
class Limits:
    """Limits in the caller's units: sds (K + 1, 2), residual first; coefficients (p, 2).

    NaN where there is no interval. The two words say how each was found.
    """

    sds: Floats
    fixed: Floats
    sds_by: str
    fixed_by: str
    cautions: tuple[Caution, ...] = ()
    draws: pd.DataFrame | None = None


def chosen(intervals: Choice) -> Profile | Bootstrap | None:
    """The settings behind an `intervals` argument."""
    if isinstance(intervals, Profile):
        checks.one_of("scale", intervals.scale, ("ml", "reml"))
        return intervals
    if isinstance(intervals, Bootstrap):
        checks.count("n_boot", intervals.n_boot, 2)
        checks.count("workers", intervals.workers)
        return intervals
    checks.one_of("intervals", intervals, (None, "profile", "bootstrap"))
    if intervals is None:
        return None
    return Profile() if intervals == "profile" else Bootstrap()


def find(model: Model, choice: Profile | Bootstrap | None, level: float) -> Limits:
    """Limits of every standard deviation and coefficient."""
    if isinstance(choice, Profile):
        return by_profile(model, choice, level)
    if isinstance(choice, Bootstrap):
        return by_bootstrap(model, choice, level)
    none = np.full((len(model.variances), 2), np.nan)
    return Limits(none, t_limits(model, level), "", T_LIMITS)


def t_limits(model: Model, level: float) -> Floats:
    """Coefficient -+ t quantile times standard error; no limits without degrees of freedom."""
    found = model.coefficients
    half = student.ppf((1 + level) / 2, found.df) * found.error
    return np.column_stack([found.value - half, found.value + half])


def by_profile(model: Model, choice: Profile, level: float) -> Limits:
    """Profile limits; see `cohortkit.mixed.profile`."""
    best = refit(model, choice.scale)
    problem = Problem(model.equations, model.problem.response, choice.scale)
    count = len(model.variances)
    sds = model.design.scale * np.array(
        [profile.sd_limits(problem, best, position, level) for position in range(count)]
    )
    words = f"profile likelihood ({choice.scale.upper()})"
    at_zero = cautions.held_at_zero(model.design, sds)
    if choice.scale == "reml":
        few = cautions.restricted_with_few_levels(model.design)
        few += cautions.limits_not_found(model.design, sds, np.empty((0, 2)))
        return Limits(sds, t_limits(model, level), words, T_LIMITS, (*few, *at_zero))
    at_ml = coefficients(model.design, problem, best)
    fixed = np.empty((len(at_ml.value), 2))
    for position in range(len(fixed)):
        start = at_ml.shift[position], at_ml.error[position] / model.design.scale
        limits = profile.coefficient_limits(model.design, best, position, start, level)
        least_squares = at_ml.value[position] - model.design.scale * at_ml.shift[position]
        fixed[position] = least_squares + model.design.scale * np.array(limits)
    narrow = cautions.narrow_with_few_levels(model.design)
    narrow += cautions.limits_not_found(model.design, sds, fixed)
    return Limits(sds, fixed, words, words, (*narrow, *at_zero))


def simulator_of(model: Model) -> bootstrap.Simulator:
    """What simulates responses of a fitted model, and turns their fits into draws."""
    equations, now, method = model.equations, model.best.point.v, model.problem.method
    scales = (scale_of(equations, now[1:] / now[0], k, method) for k in range(len(now) - 1))
    return bootstrap.Simulator(
        model.design, equations, model.products, method, model.best.v, tuple(scales)
    )


def by_bootstrap(model: Model, choice: Bootstrap, level: float) -> Limits:
    """Quantiles of draws; see `cohortkit.mixed.bootstrap`."""
    if model.best.v[0] == 0:
        raise EstimateError(
            "A fit without a residual has no bootstrap",
            found="the residual variance is estimated as zero",
            next_step="ask for intervals='profile', or leave out a random factor",
        )
    drawn, failed = bootstrap.draws(
        simulator_of(model), n_boot=choice.n_boot, seed=choice.seed, workers=choice.workers
    )
    names = ["var_residual", *(f"var_{f.name}" for f in model.design.factors)]
    draws = pd.DataFrame(drawn * model.design.scale**2, columns=names)
    edges = [(1 - level) / 2, (1 + level) / 2]
    # Weibull's quantiles: of 199 draws of a pivot, the fifth from either end.
    sds = np.quantile(np.sqrt(draws.clip(lower=0)), edges, axis=0, method="weibull").T
    words = f"parametric bootstrap, pivotal, {len(drawn)} refits, seed {choice.seed}"
    return Limits(
        sds=sds,
        fixed=t_limits(model, level),
        sds_by=words,
        fixed_by=T_LIMITS,
        cautions=(
            *cautions.mean_with_few_levels(model.design),
            *cautions.held_at_zero(model.design, sds),
            *cautions.failed_refits(failed, choice.n_boot),
        ),
        draws=draws,
    )


def words(choice: Profile | Bootstrap | None) -> str:
    """The choice as it stands in a result's settings (`workers` changes nothing)."""
    if isinstance(choice, Profile):
        return f"profile, scale={choice.scale}"
    if isinstance(choice, Bootstrap):
        return f"bootstrap, n_boot={choice.n_boot}, seed={choice.seed}"
    return "none"
