"""Minimise -2 log likelihood over variances that are zero or above.

Newton steps with the average information, kept inside the box; a step of the
EM algorithm (which never goes up) where Newton's does. A variance at the floor
whose slope points outwards is zero: the Karush-Kuhn-Tucker conditions hold.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from cohortkit.errors import EstimateError
from cohortkit.mixed.design import Floats
from cohortkit.mixed.equations import Equations, Response
from cohortkit.mixed.likelihood import Method, Point, evaluate

FLOOR = 1e-9  # share of a level mean's variance below which a component counts as zero
CONVERGED = 1e-11  # expected fall of f below which a fit has converged
ROUGHLY_CONVERGED = 1e-5  # the same, when rounding hides any further fall
SMALL_RESIDUAL = 1e-6  # share of the response's variance from which the residual may be zero
NO_RESIDUAL = 1e-12  # share at which the residual has run to zero
TINY = 1e-3  # share of a level mean's variance below which zero is tried instead
WORTHLESS = 1e-8  # rise of f that zero may cost
EPSILON = float(np.finfo(float).eps)
MOST_STEPS = 200
MOST_SHORTENINGS = 6
RIDGE = 1e-10


class NoResidual(EstimateError):
    """Factors and fixed columns reproduce every value."""


@dataclass(frozen=True)
class Problem:
    """One response on one design, with the criterion to minimise."""

    equations: Equations
    response: Response
    method: Method

    def at(self, v: Floats, *, scaled: bool = False) -> Point:
        """f, slope and curvature at `v`, lifted to the floor; or at the best multiple of it.

        Raises
        ------
        EstimateError
            If the residual is so small beside the other variances that no digit is left.
        """
        try:
            return evaluate(self.equations, self.response, self.lift(v), self.method, scaled=scaled)
        except np.linalg.LinAlgError:
            raise no_residual() from None

    @property
    def floor(self) -> Floats:
        """Smallest ratios of a component to the residual at which f is evaluated, (K,)."""
        return FLOOR * self.equations.sizes / self.equations.n

    def lift(self, v: Floats) -> Floats:
        """`v` with the components near or below the floor set to it."""
        floor = self.floor * v[0]
        return np.concatenate([v[:1], np.where(v[1:] < 2 * floor, floor, v[1:])])

    def rounding(self, now: Point) -> float:
        """Error of f at `now` that rounding may bring.

        y'Py is a difference of sums of squares: the more the sum of a level's rows varies
        beside the residual, the more digits cancel. v * slope is out by as much, and the
        expected fall by about its square.
        """
        return EPSILON * now.parts.df * float(1 + (now.v[1:] @ self.equations.most) / now.v[0])

    def low(self, v: Floats) -> np.ndarray:
        """Which entries stand at the floor; never the residual, (K + 1,)."""
        return np.concatenate([[False], v[1:] < 1.5 * self.floor * v[0]])


@dataclass(frozen=True)
class Optimum:
    """Where f is smallest. Components at the boundary are exactly zero in `v`."""

    v: Floats
    value: float
    point: Point
    steps: int

    @property
    def at_zero(self) -> np.ndarray:
        """Which components are zero, (K,)."""
        return self.v[1:] == 0


def newton_step(problem: Problem, now: Point, held: np.ndarray) -> tuple[Floats, float]:
    """The step that is best for the quadratic model inside the box, and its expected fall.

    With H = LL' and s = lowest + t, t >= 0, the model g's + s'Hs/2 is
    |L't + L'lowest + L^-1 g|^2 / 2: a non-negative least-squares problem.
    """
    move = np.flatnonzero(~held)
    lowest = (np.concatenate([[0.1 * now.v[0]], problem.floor * now.v[0]]) - now.v)[move]
    slope, curvature = now.slope[move], now.curvature[np.ix_(move, move)]
    size = np.sqrt(np.maximum(np.diag(curvature), (np.abs(slope) / now.v[move]) * 1e-8 + 1e-100))
    lower = cholesky_with_ridge(curvature / np.outer(size, size))
    shift = lower.T @ (lowest * size) + np.linalg.solve(lower, slope / size)
    inside = lowest + nnls(lower.T, -shift)[0] / size
    step = np.zeros_like(now.v)
    step[move] = inside
    return step, -float(slope @ inside + inside @ curvature @ inside / 2)


def cholesky_with_ridge(matrix: Floats) -> Floats:
    """Cholesky factor of a matrix with unit diagonal that rounding may have spoilt."""
    ridge = RIDGE
    while True:
        try:
            return np.asarray(np.linalg.cholesky(matrix + ridge * np.eye(len(matrix))))
        except np.linalg.LinAlgError:
            ridge *= 100


def em_step(problem: Problem, now: Point, held: np.ndarray) -> Floats:
    """Step of the EM algorithm: small, but never upwards."""
    levels = np.concatenate([[problem.equations.n], problem.equations.sizes])
    return np.where(held, 0.0, -(now.v**2) * now.slope / levels)


def next_point(problem: Problem, now: Point, step: Floats, held: np.ndarray) -> Point | None:
    """The first point along the step, shortened as needed, that goes down; else an EM step.

    Unless a variance is held, the residual variance takes its best value.
    """
    noise = 1e-12 * (abs(now.value) + problem.equations.n) + problem.rounding(now)
    descent = float(now.slope @ step)
    fraction = 1.0
    free = not held.any()
    for _ in range(MOST_SHORTENINGS):
        trial = problem.at(now.v + fraction * step, scaled=free)
        if trial.value <= now.value + 1e-4 * fraction * descent + noise:
            return trial
        fraction /= 4
    trial = problem.at(now.v + em_step(problem, now, held), scaled=free)
    return trial if trial.value < now.value - noise else None


def residual_share(problem: Problem, now: Point) -> float:
    """Residual variance beside the variance of the response."""
    return float(now.v[0] * problem.equations.n / problem.response.square)


def runs_to_zero(problem: Problem, now: Point, step: Floats) -> bool:
    """Whether a residual of zero is best, given that the residual is already tiny.

    Newton's step leads to the edge, what f can still lose on the way is worth nothing, and
    f does not rise on it: beside an optimum above zero the slope is as small.
    """
    worthless = ROUGHLY_CONVERGED + problem.rounding(now)
    if step[0] > -0.5 * now.v[0] or now.v[0] * now.slope[0] > worthless:
        return False
    nearer = problem.at(np.concatenate([now.v[:1] / 10, now.v[1:]]))
    return nearer.value < now.value + ROUGHLY_CONVERGED + min(problem.rounding(nearer), 1.0)


def minimise(problem: Problem, start: Floats, held: Mapping[int, float] | None = None) -> Optimum:
    """The variances with the smallest f.

    Parameters
    ----------
    start
        Where to begin, (K + 1,), residual variance first and above zero.
    held
        Entries of v that keep a given value (for profiles).

    Raises
    ------
    EstimateError
        If the residual variance runs to zero, or no step goes down although
        the slope is not zero.
    """
    fixed = np.zeros(len(start), dtype=bool)
    v = np.array(start, dtype=float)
    for position, variance in (held or {}).items():
        fixed[position], v[position] = True, variance
    now = problem.at(v, scaled=not fixed.any())
    for count in range(MOST_STEPS):
        step, fall = newton_step(problem, now, fixed)
        if fall < CONVERGED + min(problem.rounding(now) ** 2, ROUGHLY_CONVERGED):
            return finish(problem, now, fixed, count)
        if not fixed[0] and residual_share(problem, now) < SMALL_RESIDUAL:
            if runs_to_zero(problem, now, step):
                return finish(problem, now, fixed, count, residual_zero=True)
            if residual_share(problem, now) < NO_RESIDUAL:
                raise no_residual()
        trial = next_point(problem, now, step, fixed)
        if trial is None:
            if fall < ROUGHLY_CONVERGED + problem.rounding(now):
                return finish(problem, now, fixed, count)
            break
        now = trial
    raise EstimateError(
        "The likelihood could not be maximised",
        found=f"variances {', '.join(f'{x:.4g}' for x in now.v)} (in units of the spread)",
        next_step="leave out the random factor with the fewest levels, and fit again",
    )


def finish(
    problem: Problem, now: Point, fixed: np.ndarray, count: int, *, residual_zero: bool = False
) -> Optimum:
    """Set components at the floor, and those that the likelihood does not miss, to zero."""
    tiny = now.v[1:] < TINY * now.v[0] * problem.equations.sizes / problem.equations.n
    tiny = np.concatenate([[False], tiny]) & ~fixed & ~problem.low(now.v)
    if tiny.any():
        without = problem.at(np.where(tiny, 0.0, now.v), scaled=not fixed.any())
        now = without if without.value < now.value + WORTHLESS else now
    zero = problem.low(now.v) & ~fixed
    zero[0] = residual_zero
    return Optimum(np.where(zero, 0.0, now.v), now.value, now, count)


def no_residual() -> NoResidual:
    """The error for data that leave nothing to the residual."""
    return NoResidual(
        "The residual variance runs to zero, so the likelihood has no maximum",
        found="the fixed columns and random factors reproduce every value, "
        "to about a millionth of the spread",
        next_step="check for readings that were copied instead of repeated, "
        "or leave out a random factor",
    )
