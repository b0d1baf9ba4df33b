"""The scale on which a variance is estimated with one precision."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad

from cohortkit.mixed.design import build
from cohortkit.mixed.equations import assemble
from cohortkit.mixed.scale import scale_of


def equations_of(sizes):
    """One factor with this many rows to each level."""
    codes = np.repeat(np.arange(len(sizes)), sizes)
    values = np.random.default_rng(1).standard_normal(len(codes))
    return assemble(build(
        pd.DataFrame({"level": codes, "value": values}), value="value", random=[["level"]],
        fixed=[],
    ))  # fmt: skip


@pytest.mark.parametrize("ratio", [0.0, 1e-6, 0.01, 0.3, 1.0, 50.0, 1e5, 1e12])
def test_a_balanced_design_has_a_logarithm(ratio):
    scale = scale_of(equations_of([4] * 7), np.array([0.5]), 0, "reml")
    # by hand: 6 degrees of freedom, and a level mean owes a quarter of the residual variance
    height = np.sqrt(6 / 2) * np.log1p(ratio / 0.25)
    assert scale.height(ratio) == pytest.approx(height, rel=1e-6, abs=1e-12)
    assert scale.ratio(height) == pytest.approx(ratio, rel=1e-5, abs=1e-12)
    # by hand: the logarithm goes on below zero, and never below what a level mean owes
    assert scale.ratio(-1.0) == pytest.approx(0.25 * np.expm1(-1 / np.sqrt(3)))


def test_an_unbalanced_design_has_the_integral_of_the_root_of_the_information():
    sizes = np.array([1, 1, 2, 3, 8, 20])
    scale = scale_of(equations_of(sizes), np.array([0.5]), 0, "reml")
    owner = np.repeat(np.arange(6), sizes)
    indicator = (owner[:, None] == np.arange(6)).astype(float)

    def root_of_information(ratio):
        # source: tr(P Z Z' P Z Z') / 2 with dense matrices
        inverse = np.linalg.inv(np.eye(35) + ratio * indicator @ indicator.T)
        ones = np.ones((35, 1))
        proj = inverse - inverse @ ones @ ones.T @ inverse / (ones.T @ inverse @ ones)
        inner = indicator.T @ proj @ indicator
        return np.sqrt((inner**2).sum() / 2)

    for ratio in (0.05, 1.0, 30.0):
        assert scale.height(ratio) == pytest.approx(
            quad(root_of_information, 0, ratio, limit=200)[0], rel=0.005
        )


def test_turning_around_is_its_own_inverse_and_goes_beyond_zero():
    scale = scale_of(equations_of([4] * 7), np.array([0.5]), 0, "reml")
    assert scale.turned(0.5, scale.turned(0.5, 0.7, 1.0), 1.0) == pytest.approx(0.7)
    # by hand: mean square of the fit 0.75, of the refit 0.25 / 5, in quarters of a level mean
    assert scale.turned(0.5, 0.0, 0.2) == pytest.approx(0.75**2 / 0.05 - 0.25)
    assert 1e6 < scale.turned(0.5, 0.0, 0.0) < np.inf
