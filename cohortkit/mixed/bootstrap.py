"""Parametric bootstrap of a fitted model: only the response changes.

Percentiles of refitted variances are too low, the more so the fewer levels a factor has: the
variance of a few levels is often estimated far below its true value, and seldom far above. So
a refit is not taken as a draw, but turned around into one, on a scale on which its distribution
hardly depends on the variances (`Scale`): where the refit lies as far above the fit as the fit
may lie above the truth, the draw lies as far below. In balanced designs that gives the
generalised pivotal quantity of a variance component (Weerahandi 1993, J Am Stat Assoc 88:
899-905), with the bootstrap in place of the chi-squared distributions, which unbalanced designs
lack. A draw may be negative, so that sums of variances are drawn without bias; the limits of a
single one stop at zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from joblib import Parallel, delayed

from cohortkit.errors import EstimateError
from cohortkit.mixed.design import Design, Floats, project_out
from cohortkit.mixed.equations import Equations, respond
from cohortkit.mixed.fitting import Optimum, Problem, minimise
from cohortkit.mixed.likelihood import Method
from cohortkit.mixed.scale import Scale
from cohortkit.mixed.separability import start_values


@dataclass(frozen=True)
class Simulator:
    """What a replicate needs: design, its cross-products, the fitted variances, their scales."""

    design: Design
    equations: Equations
    products: Floats
    method: Method
    v: Floats
    scales: tuple[Scale, ...]

    def response(self, generator: np.random.Generator) -> Floats:
        """A response with the fitted variances and no fixed part, (n,)."""
        values = np.sqrt(self.v[0]) * generator.standard_normal(self.design.n)
        for factor, variance in zip(self.design.factors, self.v[1:], strict=True):
            effects = np.sqrt(variance) * generator.standard_normal(factor.size)
            values += effects[factor.codes]
        return values

    def refit(self, response: Floats) -> Optimum | None:
        """The fit of a simulated response; None if it failed, or left no residual."""
        rest = project_out(self.design.fixed.basis, response)[0]
        problem = Problem(self.equations, respond(self.equations, self.design, rest), self.method)
        start = start_values(self.equations, problem.response, self.products)
        try:
            best = minimise(problem, start)
        except EstimateError:
            return None
        return best if best.v[0] > 0 else None

    def variances(self, best: Optimum) -> Floats:
        """A draw of the variances from one refit, (K + 1,), residual first and above zero."""
        v0, parts = best.point.v[0], best.point.parts
        residual = self.v[0] ** 2 / best.v[0]
        shares = parts.score / (v0 * parts.trace)
        ratios = [
            scale.turned(now, again, share)
            for scale, now, again, share in zip(
                self.scales, self.v[1:] / self.v[0], best.v[1:] / best.v[0], shares, strict=True
            )
        ]
        return residual * np.array([1.0, *ratios])

    def draw(self, seed: np.random.SeedSequence) -> Floats | None:
        """The draw of one replicate; None without a fit."""
        best = self.refit(self.response(np.random.default_rng(seed)))
        return None if best is None else self.variances(best)


def several(simulator: Simulator, seeds: list[np.random.SeedSequence]) -> list[Floats | None]:
    """Draws of several replicates in one process."""
    return [simulator.draw(seed) for seed in seeds]


def draws(simulator: Simulator, *, n_boot: int, seed: int, workers: int) -> tuple[Floats, int]:
    """One draw from each of `n_boot` simulated responses.

    Each replicate has its own seed, spawned from `seed`, so that the number of
    workers changes nothing.

    Returns
    -------
    tuple
        Variances in units of the response's spread, residual first, (successes, K + 1);
        and the number of failures.
    """
    seeds = np.random.SeedSequence(seed).spawn(n_boot)
    if workers == 1:
        found = several(simulator, seeds)
    else:
        parts = np.array_split(np.arange(n_boot), min(n_boot, 4 * workers))
        jobs = (delayed(several)(simulator, [seeds[i] for i in part]) for part in parts)
        found = [row for part in Parallel(n_jobs=workers)(jobs) for row in part]
    kept = [row for row in found if row is not None]
    if not kept:
        raise EstimateError(
            "No bootstrap replicate could be fitted",
            found=f"{n_boot} replicates",
            next_step="ask for intervals='profile', or leave out a random factor",
        )
    return np.array(kept), n_boot - len(kept)
