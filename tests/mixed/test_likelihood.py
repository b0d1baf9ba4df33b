"""Value, slope and curvature against dense matrices."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.mixed.design import build
from cohortkit.mixed.equations import assemble, respond
from cohortkit.mixed.likelihood import evaluate
from tests.mixed.designs import random_design


def dense(design, v, method):
    """f, slope and curvature straight from their definitions."""
    x, y, n = design.fixed.basis, design.response, design.n
    parts = [np.eye(n)]
    for factor in design.factors:
        z = np.eye(factor.size)[factor.codes]
        parts.append(z @ z.T)
    total = sum(a * b for a, b in zip(v, parts, strict=True))
    inverse = np.linalg.inv(total)
    middle = x.T @ inverse @ x
    p = inverse - inverse @ x @ np.linalg.solve(middle, x.T @ inverse)
    reml = method == "reml"
    value = np.linalg.slogdet(total)[1] + y @ p @ y
    value += np.log(2 * np.pi) * (n - reml * x.shape[1])
    if reml:
        value += np.linalg.slogdet(middle)[1] + design.fixed.log_det
    inner = p if reml else inverse
    slope = [np.trace(inner @ b) - y @ p @ b @ p @ y for b in parts]
    curvature = [[y @ p @ a @ p @ b @ p @ y for a in parts] for b in parts]
    return value, np.array(slope), np.array(curvature)


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("seed", range(12))
def test_value_slope_and_curvature(seed, method):
    table, random, fixed = random_design(seed)
    design = build(table, value="value", random=random, fixed=fixed)
    equations = assemble(design)
    v = np.random.default_rng(seed).uniform(0.05, 1.5, len(random) + 1)
    point = evaluate(equations, respond(equations, design, design.response), v, method)
    value, slope, curvature = dense(design, v, method)
    assert point.value == pytest.approx(value, rel=1e-10)
    assert point.slope == pytest.approx(slope, rel=1e-7, abs=1e-7)
    assert point.curvature == pytest.approx(curvature, rel=1e-7, abs=1e-7)


def test_profiled_residual_is_the_best_for_its_ratios():
    table, random, fixed = random_design(4)
    design = build(table, value="value", random=random, fixed=fixed)
    equations = assemble(design)
    response = respond(equations, design, design.response)
    point = evaluate(equations, response, np.full(len(random) + 1, 0.4), "reml", scaled=True)
    for factor in (0.98, 1.02):
        assert evaluate(equations, response, point.v * factor, "reml").value > point.value
    # by hand: along the ray through v, f has slope zero at its minimum
    assert float(point.slope @ point.v) == pytest.approx(0, abs=1e-8)
