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

from collections.abc import Sequence
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
    """Predicts the effects of one factor's levels, at any variances.

    With several positions the sum of what a level of the first has and what the levels of
    the others have in which it lies.
    """

    def __init__(self, model: Model, positions: Sequence[int]) -> None:
        self.equations = equations = model.equations
        self.entries = np.array(positions) + 1
        response, factors = model.problem.response, model.design.factors
        first, own = factors[positions[0]], np.empty(factors[positions[0]].size, dtype=np.intp)
        orders = []
        for position in positions:
            own[first.codes] = factors[position].codes
            places = np.flatnonzero(equations.factor_of == position)
            orders.append(places[np.argsort(equations.order[places])][own])
        self.order = np.concatenate(orders)
        columns = equations.cross[:, self.order].toarray()
        self.levels = np.column_stack([response.levels, columns])
        self.fixed = np.column_stack([response.fixed, equations.fixed[self.order].T])

    def at(self, v: Floats) -> tuple[Floats, Floats]:
        """Effects and their standard errors of prediction, (levels,).

        In units of the response's spread, as `v`, (K + 1,), every entry above zero.
        """
        solver = Factorisation(self.equations, v[1:] / v[0])
        solved = solver.backward(*solver.forward(self.levels, self.fixed))[0][self.order]
        count, ratio = len(self.entries), v[self.entries] / v[0]
        seen = solved[:, 0].reshape(count, -1)
        tied = solved[:, 1:].reshape(count, seen.shape[1], count, seen.shape[1])
        known = v[0] * np.einsum("k,kjlj,l->j", ratio, tied, ratio)
        return ratio @ seen, np.sqrt(np.maximum(v[self.entries].sum() - known, 0.0))


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


def drawn_variances(
    model: Model, positions: Sequence[int], n_draws: int, seed: int
) -> tuple[Floats, float]:
    """Variances in which one of the factors varies, (up to n_draws, K + 1), none below zero.

    Returns
    -------
    tuple
        The variances in units of the response's spread, residual first; and the share of
        draws in which one of the factors varied.

    Raises
    ------
    EstimateError
        If the design is too large for sequential sums of squares, or has no residual.
    """
    design, equations = model.design, model.equations
    order = outer_first(design.factors)
    ordered = replace(design, factors=tuple(design.factors[k] for k in order))
    columns, wanted = np.argsort([0, *(k + 1 for k in order)]), np.array(positions) + 1
    n_draws = min(n_draws, max(LEAST_DRAWS, MOST_LEVELS_DRAWN // len(equations.order)))
    kept: list[Floats] = []
    for batch in range(MOST_BATCHES):
        found = sequential.draws(ordered, n_draws=n_draws, seed=seed + batch)[:, columns]
        kept.append(found[(found[:, wanted] > 0).any(axis=1)])
        if sum(len(part) for part in kept) >= min(LEAST_DRAWS, n_draws):
            break
    v = np.concatenate(kept) / design.scale**2
    share = len(v) / (n_draws * len(kept))
    floor = FLOOR * equations.sizes / equations.n
    v[:, 1:] = np.maximum(v[:, 1:], floor * v[:, :1])
    return v[:n_draws], share


def limits(
    model: Model, positions: Sequence[int], *, level: float, n_draws: int, seed: int
) -> tuple[Floats, int, float]:
    """Prediction limits of what `Predictor` predicts (levels, 2), in the caller's units.

    Returns
    -------
    tuple
        The limits, NaN if the factors vary in hardly any draw; the number of draws behind
        them; and the share of draws in which they varied.

    Raises
    ------
    EstimateError
        As `drawn_variances`.
    """
    v, share = drawn_variances(model, positions, n_draws, seed)
    if len(v) < min(LEAST_DRAWS, n_draws):
        return np.full((model.design.factors[positions[0]].size, 2), np.nan), 0, share
    predictor = Predictor(model, positions)
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
