"""Parametric bootstrap of a fitted model: only the response changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from joblib import Parallel, delayed

from cohortkit.errors import EstimateError
from cohortkit.mixed.design import Design, Floats, project_out
from cohortkit.mixed.equations import Equations, respond
from cohortkit.mixed.fitting import Problem, minimise
from cohortkit.mixed.likelihood import Method
from cohortkit.mixed.separability import start_values


@dataclass(frozen=True)
class Simulator:
    """What a replicate needs: design, its cross-products, and the fitted variances."""

    design: Design
    equations: Equations
    products: Floats
    method: Method
    v: Floats

    def draw(self, seed: np.random.SeedSequence) -> Floats:
        """A response with the fitted variances and no fixed part, (n,)."""
        generator = np.random.default_rng(seed)
        values = np.sqrt(self.v[0]) * generator.standard_normal(self.design.n)
        for factor, variance in zip(self.design.factors, self.v[1:], strict=True):
            effects = np.sqrt(variance) * generator.standard_normal(factor.size)
            values += effects[factor.codes]
        return values

    def refit(self, seed: np.random.SeedSequence) -> Floats | None:
        """Variances, then fixed coefficients of one replicate; None if its fit failed."""
        basis = self.design.fixed.basis
        rest, shift = project_out(basis, self.draw(seed))
        problem = Problem(self.equations, respond(self.equations, self.design, rest), self.method)
        start = start_values(self.equations, problem.response, self.products)
        try:
            best = minimise(problem, start)
        except EstimateError:
            return None
        shift = shift + best.point.parts.shift
        return np.concatenate([best.v, self.design.fixed.back @ shift])


def replicate(simulator: Simulator, seeds: list[np.random.SeedSequence]) -> list[Floats | None]:
    """Refit several replicates in one process."""
    return [simulator.refit(seed) for seed in seeds]


def replicates(simulator: Simulator, *, n_boot: int, seed: int, workers: int) -> tuple[Floats, int]:
    """Refits of `n_boot` simulated responses.

    Each replicate has its own seed, spawned from `seed`, so that the number of
    workers changes nothing.

    Returns
    -------
    tuple
        Variances and fixed coefficients (less their estimates), in units of the
        response's spread, (successes, K + 1 + p); and the number of failures.
    """
    seeds = np.random.SeedSequence(seed).spawn(n_boot)
    if workers == 1:
        found = replicate(simulator, seeds)
    else:
        parts = np.array_split(np.arange(n_boot), min(n_boot, 4 * workers))
        jobs = (delayed(replicate)(simulator, [seeds[i] for i in part]) for part in parts)
        found = [row for part in Parallel(n_jobs=workers)(jobs) for row in part]
    kept = [row for row in found if row is not None]
    if not kept:
        raise EstimateError(
            "No bootstrap replicate could be fitted",
            found=f"{n_boot} replicates",
            next_step="ask for intervals='profile', or leave out a random factor",
        )
    return np.array(kept), n_boot - len(kept)
