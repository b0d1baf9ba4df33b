"""Intervals of a fitted model: by profile likelihood, by bootstrap, or none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy.stats import t as student

from cohortkit import checks
from cohortkit.estimate import Caution
from cohortkit.mixed import bootstrap, cautions, profile
from cohortkit.mixed.design import Floats
from cohortkit.mixed.fitting import Problem
from cohortkit.mixed.fixed_effects import coefficients
from cohortkit.mixed.model import Model, refit


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
    """Percentile intervals of a parametric bootstrap.

    `workers` changes the time, never the answer.
    """

    n_boot: int = 999
    seed: int = 20250101
    workers: int = 1


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
    return Limits(none, t_limits(model, level), "", "t with Satterthwaite degrees of freedom")


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
        way = "t with Satterthwaite degrees of freedom"
        return Limits(sds, t_limits(model, level), words, way, (*few, *at_zero))
    at_ml = coefficients(model.design, problem, best)
    fixed = np.empty((len(at_ml.value), 2))
    for position in range(len(fixed)):
        start = at_ml.shift[position], at_ml.error[position] / model.design.scale
        limits = profile.coefficient_limits(model.design, best, position, start, level)
        least_squares = at_ml.value[position] - model.design.scale * at_ml.shift[position]
        fixed[position] = least_squares + model.design.scale * np.array(limits)
    narrow = cautions.narrow_with_few_levels(model.design, "profile limits on the ML scale")
    narrow += cautions.limits_not_found(model.design, sds, fixed)
    return Limits(sds, fixed, words, words, (*narrow, *at_zero))


def by_bootstrap(model: Model, choice: Bootstrap, level: float) -> Limits:
    """Percentile limits; see `cohortkit.mixed.bootstrap`."""
    simulator = bootstrap.Simulator(
        model.design, model.equations, model.products, model.problem.method, model.best.v
    )
    drawn, failed = bootstrap.replicates(
        simulator, n_boot=choice.n_boot, seed=choice.seed, workers=choice.workers
    )
    count = len(model.variances)
    variances = drawn[:, :count] * model.design.scale**2
    values = model.coefficients.value + drawn[:, count:] * model.design.scale
    edges = [(1 - level) / 2, (1 + level) / 2]
    names = ["var_residual", *(f"var_{f.name}" for f in model.design.factors)]
    names += [f"fixed_{name}" for name in model.design.fixed.names]
    words = f"parametric bootstrap, percentile, {len(drawn)} refits, seed {choice.seed}"
    return Limits(
        sds=np.quantile(np.sqrt(variances), edges, axis=0).T,
        fixed=np.quantile(values, edges, axis=0).T,
        sds_by=words,
        fixed_by=words,
        cautions=(
            *cautions.narrow_with_few_levels(
                model.design, "bootstrap percentiles", cautions.FEW_FOR_BOOTSTRAP
            ),
            *cautions.failed_refits(failed, choice.n_boot),
        ),
        draws=pd.DataFrame(np.hstack([variances, values]), columns=names),
    )


def words(choice: Profile | Bootstrap | None) -> str:
    """The choice as it stands in a result's settings (`workers` changes nothing)."""
    if isinstance(choice, Profile):
        return f"profile, scale={choice.scale}"
    if isinstance(choice, Bootstrap):
        return f"bootstrap, n_boot={choice.n_boot}, seed={choice.seed}"
    return "none"
