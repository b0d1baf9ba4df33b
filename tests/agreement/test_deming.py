"""Deming regression against published figures, second routes and itself."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from scipy import optimize

from cohortkit.agreement import deming
from cohortkit.agreement.deming import deming_line, weighted_line, weighted_sum_of_squares
from cohortkit.errors import ArgumentError, EstimateError
from tests.agreement.planted_pairs import OWN, Design, table
from tests.expected import assert_equals, figures


def triple(estimate):
    return estimate.value, estimate.lower, estimate.upper


def codes(result):
    return {c.code for c in result.cautions}


def ask(data, **settings):
    return deming(data, method="method", **{**OWN, **settings})


def drawn(design=None, seed=1):
    pairs = (design or Design(40)).draw(np.random.default_rng(seed))
    return table(pairs.first, pairs.second, pairs.cluster)


CASES = [
    ("c03_pefr_deming", "pefr", "wright1", "mini1", None),
    ("c04_creatinine_deming", "creatinine", "serum", "plasma", None),
    ("c04b_creatinine_deming_ratio4", "creatinine", "serum", "plasma", 4),
]


@pytest.mark.parametrize(("case", "name", "first", "second", "ratio"), CASES)
def test_check_values(check_values, case, name, first, second, ratio):
    data = pd.read_csv(check_values / "data" / f"{name}.csv").dropna(subset=[first, second])
    found = ask(table(data[first], data[second]), ratio=ratio)
    # source: check values c03, c04 (own formulas in R 4.2.2 and Python; deming agrees)
    expected = figures(check_values, case)
    assert_equals(triple(found["slope"]), expected.loc["deming_slope"])
    assert_equals(triple(found["intercept"]), expected.loc["deming_intercept"])
    assert found["slope"].n_participants == expected.loc["n", "value"]


def test_arsenate_with_known_errors(check_values):
    data = pd.read_csv(check_values / "data" / "arsenate.csv")
    rows = table(data["aas"], data["aes"]).assign(se=[*data["se_aas"], *data["se_aes"]])
    found = ask(rows, error="se")
    # source: check values c05 (Ripley & Thompson 1987)
    expected = figures(check_values, "c05_arsenate_weighted_deming")
    for name in ("slope", "intercept"):
        row = expected.loc[name]
        assert found[name].value == pytest.approx(row["value"], abs=row["tolerance"])
    row = expected.loc["weighted_sum_of_squares"]
    size = weighted_sum_of_squares(
        *(data[c].to_numpy() for c in ("aas", "aes", "se_aas", "se_aes")), found["slope"].value
    )
    assert size == pytest.approx(row["value"], abs=row["tolerance"])
    assert "errors_larger_than_given" not in codes(found)


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


def test_swapped_methods_invert_the_slope():
    data = drawn()
    here = ask(data, methods=("first", "second"), ratio=2)["slope"].value
    there = ask(data, methods=("second", "first"), ratio=0.5)["slope"].value
    assert here * there == pytest.approx(1, rel=1e-12)


def test_offset_moves_only_the_intercept():
    data = drawn()
    data["value"] = np.round(data["value"] * 8) / 8
    here, there = ask(data), ask(data.assign(value=data["value"] + 1e10))
    assert triple(there["slope"]) == pytest.approx(triple(here["slope"]), rel=1e-9)
    moved = here["intercept"].value + 1e10 * (1 - here["slope"].value)
    assert there["intercept"].value == pytest.approx(moved, rel=1e-9)


def test_known_scale_of_the_second_method_is_recovered():
    x = np.linspace(1, 3, 30)
    found = ask(table(x, 0.5 + 2 * x))
    # planted truth: an exact line of slope 2 and intercept 0.5
    assert found["slope"].value == pytest.approx(2, rel=1e-12)
    assert found["intercept"].value == pytest.approx(0.5, rel=1e-12)


class TestParticipantsWithSeveralPairs:
    def test_every_pair_twice_adds_nothing(self):
        once = drawn()
        twice = pd.concat([once, once.assign(subject=once["subject"] + "'")])
        for name in ("slope", "intercept"):
            ours = ask(twice, participant="person")[name]
            assert triple(ours) == pytest.approx(triple(ask(once)[name]), rel=1e-9)
            assert ours.n_participants == 40

    def test_two_participants_have_no_interval(self):
        found = ask(drawn(Design(2, fingers=4)), participant="person")
        assert math.isnan(found["slope"].lower)
        assert "no_interval" in codes(found)


class TestErrors:
    def test_both_ratio_and_errors(self):
        with pytest.raises(ArgumentError, match="not both"):
            ask(drawn().assign(se=0.1), ratio=1, error="se")

    @pytest.mark.parametrize("ratio", [0, -1, math.inf, "1"])
    def test_ratio_is_positive(self, ratio):
        with pytest.raises(ArgumentError, match="positive"):
            ask(drawn(), ratio=ratio)

    def test_an_assumed_ratio_is_said(self):
        assert "error_ratio_assumed" in codes(ask(drawn()))
        assert "error_ratio_assumed" not in codes(ask(drawn(), ratio=1))

    def test_more_scatter_than_the_errors_allow_is_said(self):
        assert "errors_larger_than_given" in codes(ask(drawn().assign(se=0.02), error="se"))
        assert "errors_larger_than_given" not in codes(ask(drawn().assign(se=0.2), error="se"))


class TestEdges:
    def test_a_vertical_line_is_refused(self):
        with pytest.raises(EstimateError, match="vertical"):
            ask(table([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]))

    def test_all_values_equal(self):
        with pytest.raises(EstimateError, match="no line"):
            ask(table([1.0] * 4, [1.0] * 4))

    def test_a_constant_second_method_is_a_flat_line(self):
        # by hand: without spread in y the best line is y = 2
        found = ask(table([1.0, 2.0, 4.0], [2.0, 2.0, 2.0]))
        assert (found["slope"].value, found["intercept"].value) == (0, 2)

    def test_two_points_have_a_line_and_no_interval(self):
        found = ask(table([1.0, 2.0], [1.5, 3.5]))
        # by hand: (3.5 - 1.5) / (2 - 1) = 2, and 1.5 - 2 = -0.5
        assert (found["slope"].value, found["intercept"].value) == pytest.approx((2, -0.5))
        assert math.isnan(found["slope"].lower)
        assert "no_interval" in codes(found)

    def test_points_on_one_line_have_no_interval(self):
        x = np.arange(8.0)
        found = ask(table(x, x))
        assert found["slope"].value == 1
        assert math.isnan(found["slope"].lower)
        assert "no_interval" in codes(found)

    def test_a_weighted_line_through_flat_points(self):
        rows = table([1.0, 2.0, 3.0, 4.0], [2.0, 2.0, 2.0, 2.0]).assign(se=0.1)
        assert ask(rows, error="se")["slope"].value == pytest.approx(0, abs=1e-12)
