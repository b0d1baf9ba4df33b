"""Values written in steps that are large beside the error."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.agreement import icc
from cohortkit.agreement.rounding import rounding_caution, step_of
from tests.agreement.reads import OWN, long


@pytest.mark.parametrize(("step", "said"), [(0.1, True), (0.06, True), (0.04, False)])
def test_a_step_of_more_than_half_the_error_is_said(step, said):
    values = np.round(np.linspace(1, 2, 40) / step) * step
    assert bool(rounding_caution(values, 0.1)) is said


def test_equal_values_have_no_step():
    assert rounding_caution(np.full((3, 2), 1.5), 0.1) == []


@pytest.mark.parametrize("unit", [1.0, 25.4, 1 / 25.4, 1e-3, 1e-9, 1e6])
@pytest.mark.parametrize("step", [0.1, 0.05, 0.25])
def test_the_step_is_found_in_any_unit(step, unit):
    rng = np.random.default_rng(4)
    values = np.round(rng.normal(2, 0.5, (10, 2)) / step) * step
    # planted truth: the step, in the unit of the values
    assert step_of(values * unit) == pytest.approx(step * unit, rel=1e-6)
    assert step_of(values * unit + 1000 * step * unit) == pytest.approx(step * unit, rel=1e-6)
    assert bool(rounding_caution(values * unit, 1.9 * step * unit))
    assert not rounding_caution(values * unit, 2.1 * step * unit)


def test_the_step_survives_single_precision_and_a_large_offset():
    values = np.round(np.random.default_rng(4).normal(2, 0.5, 50), 1)
    # planted truth: 0.1; at 1e10 doubles are 1.9e-6 apart
    assert step_of(values.astype("float32").astype(float)) == pytest.approx(0.1, rel=1e-5)
    assert step_of(values + 1e10) == pytest.approx(0.1, rel=1e-4)


def test_a_step_smaller_than_any_gap_seen():
    # by hand: gaps of 0.2 and 0.3 lie on a grid of 0.1, which no gap shows
    assert step_of(np.array([1.0, 1.2, 1.5, 1.7, 2.0, 2.2])) == pytest.approx(0.1)


@pytest.mark.parametrize("n", [5, 8, 12, 20])
def test_values_that_were_not_rounded_have_no_step(n):
    rng = np.random.default_rng(5)
    assert not any(step_of(rng.normal(2, 0.5, (n, 2))) for _ in range(500))
    found = [
        icc(long(rng.normal(2, 0.5, (n, 1)) + rng.normal(0, 0.2, (n, 2))), **OWN).cautions
        for _ in range(40)
    ]
    assert "rounded_values" not in {c.code for cautions in found for c in cautions}


def test_few_values_show_no_step():
    four = np.array([1.0, 1.5, 2.0, 2.5])
    assert step_of(four) == 0
    assert step_of(np.tile(four, 5)) == 0.5  # by hand: 20 values, four different ones
    assert step_of(np.array([])) == 0


def test_one_value_off_the_grid_and_there_is_none():
    values = np.round(np.random.default_rng(4).normal(2, 0.5, 20), 1)
    assert step_of(values) == pytest.approx(0.1)
    assert step_of(np.append(values, 2.0371)) == 0  # by hand: 2.0371 is no multiple of 0.1
