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
from tests.mixed.designs import (
    crossed,
    nested_scans,
    random_design,
    scanned_once_but_one,
    spanned_by_factors,
    tiny_design,
)

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


@pytest.mark.parametrize(
    ("seed", "residual"),
    [(72, 1e-3), (80, 1e-3), (15, 3e-4), (22, 3e-4), (56, 3e-4), (2, 1e-5), (11, 1e-5)],
)
def test_a_tiny_residual_is_not_taken_for_zero(seed, residual):
    table = nested_scans(seed, residual)
    model = fit_design(
        build(table, value="value", random=[["subject"], ["scan"]], fixed=[]), "reml"
    )
    # by hand: in a balanced nested table whose variances are all above zero, the REML residual
    # variance is the mean of the variances within scans
    within = table.groupby("scan")["value"].var(ddof=1).mean()
    assert model.variances[0] == pytest.approx(within, rel=5e-4)


def test_a_tiny_residual_from_one_pair_of_readings():
    factors = [["subject"], ["scan"]]
    design = build(scanned_once_but_one(), value="value", random=factors, fixed=[])
    model = fit_design(design, "reml")
    # source: lme4 1.1-31, lmer(value ~ 1 + (1 | subject) + (1 | scan))
    expected = [5.8560406e-08, 7.6409695e-01, 5.5499077e-01]
    assert model.variances == pytest.approx(expected, rel=1e-3)
    assert model.log_likelihood == pytest.approx(-8.987158437, abs=1e-5)


def test_a_residual_of_zero_where_the_factors_span_the_readings():
    design = build(spanned_by_factors(), value="value", random=[["subject"], ["rater"]], fixed=[])
    model = fit_design(design, "reml")
    assert model.variances[0] == 0
    # source: lme4 1.1-31, which stops at a residual variance of 2.3e-6
    assert model.log_likelihood == pytest.approx(0.5972055904, abs=2e-3)
    assert model.log_likelihood > 0.5972055904


def at_its_best(seed: int) -> str | None:
    """What is wrong with the fit of a tiny table; None if it is refused, empty if nothing."""
    table, random, method = tiny_design(seed)
    try:
        design = build(table, value="value", random=random, fixed=[])
        model = fit_design(design, method)
    except EstimateError as error:
        return f"{seed}: {error}" if "could not be maximised" in str(error) else None
    v, indicators = model.best.v, [np.eye(f.size)[f.codes] for f in design.factors]
    setting = (design.response, design.fixed.basis, indicators)

    def dense(variances):
        return dense_reference.log_likelihood(*setting, variances, method == "reml")

    if v[0] == 0:
        # Towards zero the likelihood must not fall: 1e-6 is the largest share from which it may be.
        near = [dense(np.concatenate([[share], v[1:]])) for share in (1e-6, 1e-7, 1e-8)]
        return "" if near[0] <= near[1] <= near[2] else f"{seed}: no residual, {near}"
    here = dense(v)
    moved = [v * np.where(np.arange(len(v)) == k, f, 1) for k in range(len(v)) for f in (0.5, 2)]
    moved += [np.where((np.arange(len(v)) == k) & (v == 0), 1e-3 * v[0], v) for k in range(len(v))]
    better = max(dense(other) for other in moved) - here
    return f"{seed}: {better} better beside {v}" if better > 1e-5 else ""


def test_tiny_tables_with_tiny_residuals_are_fitted_at_a_maximum():
    found = [at_its_best(seed) for seed in range(150)]
    assert [wrong for wrong in found if wrong] == []
    assert sum(wrong is not None for wrong in found) > 100
