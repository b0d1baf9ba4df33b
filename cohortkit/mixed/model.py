"""One fitted model, before it is put into words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cohortkit.mixed import separability
from cohortkit.mixed.design import Design, Floats
from cohortkit.mixed.equations import Equations, assemble, respond
from cohortkit.mixed.fitting import Optimum, Problem, minimise
from cohortkit.mixed.fixed_effects import Coefficients, coefficients
from cohortkit.mixed.likelihood import Method
from cohortkit.mixed.separability import start_values

FEW_ROWS = 100  # rows up to which more starts are worth their time
SMALL_START = 1e-4  # residual of the start that looks for a maximum with hardly any


@dataclass(frozen=True)
class Model:
    """A design, its optimum and its coefficients; `products` as in `separability`."""

    design: Design
    problem: Problem
    products: Floats
    best: Optimum
    coefficients: Coefficients

    @property
    def equations(self) -> Equations:
        """The cross-products of the design."""
        return self.problem.equations

    @property
    def variances(self) -> Floats:
        """Fitted variances in the caller's units, residual first, (K + 1,)."""
        return self.best.v * self.design.scale**2

    @property
    def log_likelihood(self) -> float:
        """Maximised (restricted) log likelihood of the values as given."""
        return -(self.best.value + self.best.point.parts.df * 2 * np.log(self.design.scale)) / 2


def optimum(problem: Problem, products: Floats) -> Optimum:
    """The best of several starts.

    With very few rows the likelihood can have two maxima, one of them without a
    residual; small tables are therefore fitted from three starts.

    Raises
    ------
    EstimateError
        If the likelihood has no maximum.
    """
    starts = [start_values(problem.equations, problem.response, products)]
    if problem.equations.n <= FEW_ROWS:
        even = np.full(len(products), 1 / len(products))
        starts += [even, np.concatenate([[SMALL_START], even[1:]])]
    return min((minimise(problem, start) for start in starts), key=lambda found: found.value)


def fit_design(design: Design, method: Method) -> Model:
    """Check that the variances can be told apart, then fit them.

    Raises
    ------
    EstimateError
        If they cannot, or the likelihood has no maximum.
    """
    separability.check_levels(design)
    equations = assemble(design)
    products = separability.inner_products(equations)
    separability.check_products(design, products)
    problem = Problem(equations, respond(equations, design, design.response), method)
    best = optimum(problem, products)
    return Model(design, problem, products, best, coefficients(design, problem, best))


def refit(model: Model, method: Method) -> Optimum:
    """The optimum of the same rows under another method."""
    if method == model.problem.method:
        return model.best
    return optimum(Problem(model.equations, model.problem.response, method), model.products)
