"""Profile-likelihood limits: values that the likelihood does not rule out.

A limit for one parameter is where twice the log likelihood, maximised over all
others, has fallen by the chi-squared quantile with one degree of freedom
(Venzon & Moolgavkar 1988, Appl Stat 37: 87-94). A standard deviation whose
value zero is not ruled out has the lower limit zero. A limit that cannot be found is
NaN, and leaves the others as they are.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2

from cohortkit.errors import EstimateError
from cohortkit.mixed.design import Design, FixedPart, Floats, orthonormal, project_out
from cohortkit.mixed.equations import Response, assemble, respond
from cohortkit.mixed.fitting import Optimum, Problem, minimise

RELATIVE = 1e-7
MOST_WIDENINGS = 60
FEW_ROWS = 30  # rows up to which every point is fitted from several starts
LOG_STEP = float(np.log(1.5))  # first step from the residual's standard deviation
LEAST_SD = 1e-7  # standard deviation of the residual below which no digit is left


class Curve:
    """Signed root of the fall in 2 log likelihood, less its limit, along one parameter.

    Near the optimum it is close to a straight line, so that few points find its zero.
    Each point is fitted once; at the centre the root is zero by definition.
    """

    def __init__(
        self, deviance: Callable[[float], float], best: float, centre: float, level: float
    ) -> None:
        self.deviance, self.best, self.centre = deviance, best, centre
        self.limit = float(np.sqrt(chi2.ppf(level, 1)))
        self.known = {centre: -self.limit}

    def __call__(self, value: float) -> float:
        """Below zero inside the limits, above zero beyond them."""
        if value not in self.known:
            fall = max(self.deviance(value) - self.best, 0.0)
            self.known[value] = float(np.sqrt(fall)) - self.limit
        return self.known[value]

    def outside(self, first: float, floor: float = -np.inf) -> tuple[float, float]:
        """A point at or inside the limit and one beyond it, walking from the centre by `first`."""
        inside, step = self.centre, first
        for _ in range(MOST_WIDENINGS):
            value = max(inside + step, floor)
            if self(value) > 0:
                return inside, value
            if value == floor:
                return value, value
            inside, step = value, 2 * step
        raise EstimateError(
            "A profile limit was not found",
            found=f"the likelihood stays flat up to {inside:.4g} times the spread of the values",
            next_step="ask for intervals='bootstrap', or leave out the factor with the fewest levels",
        )

    def crossing(self, first: float, floor: float = -np.inf) -> float:
        """The limit on the side that `first` points to; `floor` if it is not ruled out."""
        inside, beyond = self.outside(first, floor)
        if inside == beyond:
            return floor
        return float(brentq(self, inside, beyond, xtol=RELATIVE * abs(beyond - inside)))


def sd_limits(problem: Problem, best: Optimum, position: int, level: float) -> tuple[float, float]:
    """Limits of one standard deviation, in units of the response's spread; NaN if not found.

    `position` counts as in v: 0 is the residual, which is followed on the scale of its
    logarithm, because the likelihood falls without end towards zero.
    """
    last, even = best.point.v, np.full(len(best.v), 1 / len(best.v))

    def deviance(sd: float) -> float:
        nonlocal last
        optimum = held_fit(problem, (last, best.point.v, even), {position: sd**2})
        last = optimum.point.v
        return optimum.value

    centre = float(np.sqrt(best.v[position]))
    small = float(np.sqrt(best.point.v[0] * smallest_share(problem, position)))
    if position == 0 and centre > 0:
        curve = Curve(lambda x: deviance(float(np.exp(x))), best.value, np.log(centre), level)
        upper = np.exp(found(curve, LOG_STEP))
        last = best.point.v
        floor = np.log(min(max(1e-3 * centre, LEAST_SD), 0.5 * centre))
        lower = found(curve, -LOG_STEP, floor)
        return (0.0 if lower == floor else float(np.exp(lower))), float(upper)
    curve = Curve(deviance, best.value, centre, level)
    upper = found(curve, max(0.5 * centre, small))
    last = best.point.v
    return (found(curve, -0.5 * centre, 0.0) if centre else 0.0), upper


def held_fit(
    problem: Problem, starts: Sequence[Floats], held: Mapping[int, float] | None = None
) -> Optimum:
    """The optimum with one variance held: of the first start that leads to one.

    With very few rows, where there may be two maxima: the best of all starts.

    Raises
    ------
    EstimateError
        If no start leads to one.
    """
    reached: list[Optimum] = []
    for start in starts:
        try:
            reached.append(minimise(problem, start, held))
        except EstimateError as error:
            failure = error
            continue
        if problem.equations.n > FEW_ROWS:
            break
    if not reached:
        raise failure
    return min(reached, key=lambda optimum: optimum.value)


def found(curve: Curve, first: float, floor: float = -np.inf) -> float:
    """`Curve.crossing`, or NaN where the likelihood cannot be followed to it."""
    try:
        return curve.crossing(first, floor)
    except EstimateError:
        return np.nan


def smallest_share(problem: Problem, position: int) -> float:
    """Residual variance of a level's mean, as a share of the residual variance."""
    equations = problem.equations
    return 1.0 if position == 0 else float(equations.sizes[position - 1] / equations.n)


def without_column(design: Design, position: int) -> tuple[Design, Floats]:
    """The design without one fixed column, and that column after the others are taken out."""
    columns = design.fixed.basis @ np.linalg.inv(design.fixed.back)
    column = columns[:, position]
    others = np.delete(columns, position, axis=1)
    names = tuple(np.delete(np.array(design.fixed.names, dtype=object), position))
    if others.shape[1]:
        basis, triangle, _ = orthonormal(others)
        part = FixedPart(names, basis, np.asarray(np.linalg.inv(triangle)), 0.0, names, names)
    else:
        part = FixedPart((), np.empty((design.n, 0)), np.empty((0, 0)), 0.0, (), ())
    return replace(design, fixed=part), project_out(part.basis, column)[0]


def coefficient_limits(
    design: Design, best: Optimum, position: int, start: tuple[float, float], level: float
) -> tuple[float, float]:
    """Limits of one fixed coefficient on the ML scale, less its least-squares estimate.

    Parameters
    ----------
    best
        The ML fit.
    start
        ML estimate less the least-squares estimate, and standard error, in
        units of the response's spread.

    Returns
    -------
    tuple
        Lower and upper; NaN for a limit that was not found.
    """
    reduced, column = without_column(design, position)
    equations = assemble(reduced)
    value = respond(equations, reduced, design.response)
    slope = respond(equations, reduced, column)
    cross = float(design.response @ column)
    last, even = best.point.v, np.full(len(best.v), 1 / len(best.v))

    def deviance(shift: float) -> float:
        nonlocal last
        moved = Response(
            value.levels - shift * slope.levels,
            value.fixed - shift * slope.fixed,
            value.square - 2 * shift * cross + shift**2 * slope.square,
        )
        optimum = held_fit(Problem(equations, moved, "ml"), (last, best.point.v, even))
        last = optimum.point.v
        return optimum.value

    centre, error = start
    curve = Curve(deviance, best.value, centre, level)
    upper = found(curve, 2 * error)
    last = best.point.v
    return found(curve, -2 * error), upper
