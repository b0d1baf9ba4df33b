"""The optimum: against a dense route, on random designs with many zero variances."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.errors import EstimateError
from cohortkit.mixed.design import build
from cohortkit.mixed.equations import assemble, respond
from cohortkit.mixed.fitting import Problem, minimise
from cohortkit.mixed.model import fit_design
from tests.mixed import dense_reference
from tests.mixed.designs import crossed, random_design

FLAT = 1e-6  # log likelihood that a component must be worth, or else be exactly zero


def compare(seed: int) -> tuple[bool, str]:
    """Whether the design is singular, and what is wrong with its fit (empty if nothing)."""
    table, random, fixed = random_design(seed)
    method = ("reml", "ml")[seed % 2]
    try:
        design = build(table, value="value", random=random, fixed=fixed)
        model = fit_design(design, method)
    except EstimateError as error:
        expected = ("not separable", "from one level", "at least three rows", "separate effects")
        return False, "" if any(words in str(error) for words in expected) else f"{seed}: {error}"
    x = np.column_stack([np.ones(len(table)), *(table[c] for c in fixed)])
    indicators = [np.eye(f.size)[f.codes] for f in design.factors]
    setting = (table["value"].to_numpy(), x, indicators, method == "reml")
    best, _ = dense_reference.best(*setting)
    wrong = []
    # The dense route may stop short of the optimum. Components that are zero here are rightly
    # so: with them at zero the likelihood is as high as it can be.
    if not -FLAT < model.log_likelihood - best < 1e-4:
        wrong.append(f"log likelihood {model.log_likelihood} against {best}")
    small = model.best.v[1:] < 0.05 * model.best.v[0]
    for k in np.flatnonzero(small & ~model.best.at_zero):
        cost = best - dense_reference.best(*setting, fixed_at_zero=(k,))[0]
        if cost < FLAT / 1000:
            wrong.append(
                f"component {k} is {model.best.v[k + 1]:.2g}, and zero would cost {cost:.2g}"
            )
    return bool(model.best.at_zero.any()), f"{seed}: {'; '.join(wrong)}" if wrong else ""


def test_sixty_random_designs_agree_with_a_dense_route():
    found = [compare(seed) for seed in range(60)]
    assert [wrong for _, wrong in found if wrong] == []
    assert sum(singular for singular, _ in found) >= 20


@pytest.mark.long
def test_five_hundred_random_designs_agree_with_a_dense_route():
    found = [compare(seed) for seed in range(1000, 1500)]
    assert [wrong for _, wrong in found if wrong] == []
    assert sum(singular for singular, _ in found) >= 200


def problem(table, random=(("subject",), ("rater",)), method="reml"):
    design = build(table, value="value", random=random, fixed=[])
    equations = assemble(design)
    return Problem(equations, respond(equations, design, design.response), method)


@pytest.mark.parametrize("start", [1e-4, 0.05, 1.0, 50.0])
def test_the_start_does_not_matter(start):
    task = problem(crossed(12, 4, 2, (1, 0.3, 0.5)))
    found = minimise(task, np.array([1.0, start, start]))
    usual = minimise(task, np.array([0.2, 0.5, 0.1]))
    assert found.value == pytest.approx(usual.value, abs=1e-9)
    assert found.v == pytest.approx(usual.v, rel=1e-5)


def test_a_held_variance_keeps_its_value_and_costs_likelihood():
    task = problem(crossed(12, 4, 2, (1, 0.3, 0.5)))
    free = minimise(task, np.array([0.2, 0.5, 0.1]))
    held = minimise(task, free.point.v, {2: 4 * free.v[2]})
    assert held.v[2] == 4 * free.v[2]
    assert held.value > free.value


def test_slope_at_the_optimum_is_zero_inside_and_outwards_at_zero():
    task = problem(crossed(20, 5, 1, (1, 0, 0.5), seed=3))
    best = minimise(task, np.array([0.2, 0.5, 0.1]))
    inside = best.v > 0
    assert not inside[2]
    assert best.point.slope[~inside].min() > 0
    # by hand: a slope of zero, in units of the variances themselves
    assert best.point.slope[inside] * best.v[inside] == pytest.approx(0, abs=1e-4)


def test_residual_that_runs_to_zero_is_an_error():
    table = crossed(8, 3, 2, (1, 0.5, 0))
    with pytest.raises(EstimateError, match="residual variance runs to zero"):
        fit_design(build(table, value="value", random=[["subject"], ["rater"]], fixed=[]), "reml")
