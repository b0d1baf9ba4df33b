"""Predicted effects of one factor's levels, and what is known about them.

At given variances u = v_k Z_k' P y, with prediction error variance v_k I - v_k^2 Z_k' P Z_k
(Henderson 1975, Biometrics 31: 423-447). The variances are estimates, though, and with few
levels poor ones: intervals that take them as known are too short (Kackar & Harville 1984,
J Am Stat Assoc 79: 853-862). Here the normal distribution of an effect is averaged over
variances that the sums of squares do not contradict (`cohortkit.mixed.sequential`), of
which those count in which the factor varies at all: a generalised counterpart of the
posterior of Harville & Carriquiry 1992, Biometrics 48: 987-1003. With many readings of k
levels it is exactly t with k - 1 degrees of freedom. (All from memory.)
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import ndtr

from cohortkit.mixed import sequential
from cohortkit.mixed.cautions import nested
from cohortkit.mixed.design import Factor, Floats
from cohortkit.mixed.fitting import FLOOR
from cohortkit.mixed.likelihood import Factorisation
from cohortkit.mixed.model import Model

LEAST_DRAWS = 200  # draws in which the factor varies, below which more are made
MOST_BATCHES = 20
MOST_LEVELS_DRAWN = 4_000_000  # levels of all factors times draws
HALVINGS = 50


class Predictor:
    """Predicts the effects of one factor's levels at any variances."""

    def __init__(self, model: Model, position: int) -> None:
        self.equations, self.position = model.equations, position
        response = model.problem.response
        places = np.flatnonzero(self.equations.factor_of == position)
        self.order = places[np.argsort(self.equations.order[places])]
        columns = self.equations.cross[:, self.order].toarray()
        self.levels = np.column_stack([response.levels, columns])
        self.fixed = np.column_stack([response.fixed, self.equations.fixed[self.order].T])

    def at(self, v: Floats) -> tuple[Floats, Floats]:
        """Effects and their standard errors of prediction, (levels,).

        In units of the response's spread, as `v`, (K + 1,), every entry above zero.
        """
        solver = Factorisation(self.equations, v[1:] / v[0])
        solved = solver.backward(*solver.forward(self.levels, self.fixed))[0][self.order]
        ratio = v[self.position + 1] / v[0]
        error = v[self.position + 1] * (1 - ratio * np.diag(solved[:, 1:]))
        return ratio * solved[:, 0], np.sqrt(np.maximum(error, 0.0))


def outer_first(factors: tuple[Factor, ...]) -> list[int]:
    """Positions in the order given, but each factor after those that it is nested in."""
    order: list[int] = []
    left = list(range(len(factors)))
    while left:
        free = (
            k
            for k in left
            if not any(nested(factors[k], factors[other]) for other in left if other != k)
        )
        order.append(next(free))
        left.remove(order[-1])
    return order


def drawn_variances(model: Model, position: int, n_draws: int, seed: int) -> tuple[Floats, float]:
    """Variances in which the factor varies, (up to n_draws, K + 1), others never below zero.

    Returns
    -------
    tuple
        The variances in units of the response's spread, residual first; and the share of
        draws in which the factor varied.

    Raises
    ------
    EstimateError
        If the design is too large for sequential sums of squares, or has no residual.
    """
    design, equations = model.design, model.equations
    order = outer_first(design.factors)
    ordered = replace(design, factors=tuple(design.factors[k] for k in order))
    columns = np.argsort([0, *(k + 1 for k in order)])
    n_draws = min(n_draws, max(LEAST_DRAWS, MOST_LEVELS_DRAWN // len(equations.order)))
    kept: list[Floats] = []
    for batch in range(MOST_BATCHES):
        found = sequential.draws(ordered, n_draws=n_draws, seed=seed + batch)[:, columns]
        kept.append(found[found[:, position + 1] > 0])
        if sum(len(part) for part in kept) >= min(LEAST_DRAWS, n_draws):
            break
    v = np.concatenate(kept) / design.scale**2
    share = len(v) / (n_draws * len(kept))
    floor = FLOOR * equations.sizes / equations.n
    v[:, 1:] = np.maximum(v[:, 1:], floor * v[:, :1])
    return v[:n_draws], share


def limits(
    model: Model, position: int, *, level: float, n_draws: int, seed: int
) -> tuple[Floats, int, float]:
    """Prediction limits of a factor's effects (levels, 2), in the caller's units.

    Returns
    -------
    tuple
        The limits, NaN if the factor varies in hardly any draw; the number of draws behind
        them; and the share of draws in which the factor varied.

    Raises
    ------
    EstimateError
        As `drawn_variances`.
    """
    v, share = drawn_variances(model, position, n_draws, seed)
    if len(v) < min(LEAST_DRAWS, n_draws):
        return np.full((model.design.factors[position].size, 2), np.nan), 0, share
    predictor = Predictor(model, position)
    found = [predictor.at(one) for one in v]
    centre, error = (np.array(part) for part in zip(*found, strict=True))
    edges = [(1 - level) / 2, (1 + level) / 2]
    both = [mixture_quantile(centre, error, edge) for edge in edges]
    return model.design.scale * np.column_stack(both), len(v), share


def mixture_quantile(centre: Floats, error: Floats, share: float) -> Floats:
    """Quantiles of equal mixtures of normals, one for each column of (draws, levels)."""
    reach = 10 * error
    low, high = (centre - reach).min(axis=0), (centre + reach).max(axis=0)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        below = ndtr((middle - centre) / error).mean(axis=0) < share
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2
