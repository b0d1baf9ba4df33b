"""Lines through points with errors in both directions, against second routes."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy import optimize

from cohortkit.agreement.deming_lines import (
    deming_line,
    proportional_line,
    proportional_sizes,
    weighted_line,
    weighted_sum_of_squares,
)
from cohortkit.errors import EstimateError
from tests.agreement.planted_pairs import Design, Growing


def test_pearsons_data_with_yorks_weights(repository):
    oracle = json.loads((repository / "tests/oracles/york_1966.json").read_text())
    x, y = np.array(oracle["x"]), np.array(oracle["y"])
    se_x, se_y = (1 / np.sqrt(oracle[k]) for k in ("weight_x", "weight_y"))
    intercept, slope = weighted_line(x, y, se_x, se_y)
    expected = oracle["expected"]
    assert slope == pytest.approx(expected["slope"], abs=oracle["tolerance"])
    assert intercept == pytest.approx(expected["intercept"], abs=oracle["tolerance"])
    found = weighted_sum_of_squares(x, y, se_x, se_y, slope)
    assert found == pytest.approx(expected["sum_of_squares"], abs=1e-3)


@pytest.mark.parametrize("ratio", [1.0, 0.25, 4.0])
@pytest.mark.parametrize("slope", [1.3, -0.7, 0.02])
def test_line_is_the_first_axis_of_the_scaled_points(ratio, slope):
    rng = np.random.default_rng(7)
    true = rng.standard_normal(30)
    x, y = true + 0.2 * rng.standard_normal(30), slope * true + 0.2 * rng.standard_normal(30)
    scaled = np.column_stack([x * math.sqrt(ratio), y])
    # source: numpy.linalg.svd, numpy 2.4: total least squares of the scaled points
    axis = np.linalg.svd(scaled - scaled.mean(axis=0))[2][0]
    intercept, found = deming_line(x, y, ratio)
    assert found == pytest.approx(axis[1] / axis[0] * math.sqrt(ratio), rel=1e-9)
    assert intercept == pytest.approx(y.mean() - found * x.mean(), abs=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_weighted_line_is_the_least_of_its_sum_of_squares(seed):
    rng = np.random.default_rng(seed)
    se_x, se_y = rng.uniform(0.05, 0.6, (2, 25))
    true = rng.uniform(1, 4, 25)
    x, y = true + se_x * rng.standard_normal(25), 0.3 + 1.2 * true + se_y * rng.standard_normal(25)

    def size(line):
        return (((y - line[0] - line[1] * x) ** 2) / (se_y**2 + line[1] ** 2 * se_x**2)).sum()

    # source: scipy.optimize.minimize, scipy 1.17, on the objective itself
    best = optimize.minimize(size, [0.0, 1.0], method="Nelder-Mead", tol=1e-12)
    assert weighted_line(x, y, se_x, se_y) == pytest.approx(best.x, abs=1e-5)


def test_equal_errors_give_the_constant_ratio():
    pairs = Design(20).draw(np.random.default_rng(3))
    se = np.full(20, 0.1)
    weighted = weighted_line(pairs.first, pairs.second, se, 2 * se)
    assert weighted == pytest.approx(deming_line(pairs.first, pairs.second, 4.0), rel=1e-9)


def growing(n=25, seed=0, **design):
    pairs = Growing(n, **design).draw(np.random.default_rng(seed))
    return pairs.first, pairs.second


def true_values_and_line(x, y, ratio, size):
    """Line and true values that lie nearest to all points at once, for sizes held fixed."""

    def distances(unknown):
        intercept, slope, true = unknown[0], unknown[1], unknown[2:]
        off_y = (y - intercept - slope * true) / (size * math.sqrt(ratio))
        return np.concatenate([(x - true) / size, off_y])

    start = np.concatenate([[0.0, 1.0], x])
    found = optimize.least_squares(distances, start, xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    return found[0], found[1], found[2:]


@pytest.mark.parametrize("ratio", [0.25, 1.0, 3.0])
@pytest.mark.parametrize("seed", range(3))
def test_proportional_line_is_where_fit_and_weights_agree(seed, ratio):
    x, y = growing(seed=seed, cv=0.15)
    size = (ratio * x + y) / (ratio + 1)
    for _ in range(25):
        # source: scipy.optimize.least_squares, scipy 1.17, on all true values and the line
        intercept, slope, true = true_values_and_line(x, y, ratio, size)
        size = (ratio * true + intercept + slope * true) / (ratio + 1)
    assert proportional_line(x, y, ratio) == pytest.approx((intercept, slope), abs=1e-6)
    found = proportional_sizes(x, y, (intercept, slope), ratio)
    assert found == pytest.approx(size, abs=1e-6)


def test_proportional_line_finds_a_planted_one_where_a_plain_fit_is_less_sure():
    lines = [
        [fit(*growing(40, seed, cv=0.2), 1.05**2)[1] for fit in (proportional_line, deming_line)]
        for seed in range(300)
    ]
    mean, sd = np.mean(lines, axis=0), np.std(lines, axis=0)
    # planted truth: slope 1.05; the mean of 300 is known to three of its errors
    assert abs(mean[0] - 1.05) < 3 * sd[0] / math.sqrt(300)
    assert sd[0] < 0.9 * sd[1]


def test_units_change_only_the_intercept():
    x, y = growing()
    intercept, slope = proportional_line(x, y, 1.0)
    assert proportional_line(10 * x, 10 * y, 1.0) == pytest.approx((10 * intercept, slope))


def test_swapped_methods_invert_the_line():
    x, y = growing()
    there = proportional_line(x, y, 2.0)[1]
    assert proportional_line(y, x, 0.5)[1] * there == pytest.approx(1, rel=1e-10)


def test_far_from_zero_the_errors_are_as_good_as_constant():
    x, y = (np.round(v * 8) / 8 for v in growing())
    _, slope = proportional_line(x + 1e10, y + 1e10, 1.0)
    # by hand: sizes that differ by one part in 1e9 weigh alike
    assert slope == pytest.approx(deming_line(x, y, 1.0)[1], rel=1e-6)


def test_a_line_that_leaves_the_positive_numbers_is_refused():
    x, y = np.array([0.4, 10.7, 0.7, 0.8]), np.array([3.1, 0.9, 0.8, 0.4])
    with pytest.raises(EstimateError, match="not above zero"):
        proportional_line(x, y, 1.0)


def test_random_points_give_a_line_or_a_reason():
    refused = 0
    for seed in range(500):
        rng = np.random.default_rng(seed)
        n = int(rng.integers(2, 9))
        x, y = np.exp(rng.normal(0, 1, (2, n)))
        try:
            line = proportional_line(x, y, float(np.exp(rng.normal())))
        except EstimateError:
            refused += 1
        else:
            assert np.isfinite(line).all()
    assert refused < 50  # by hand: a tenth, of points that hold no line at all
