"""Deming regression against published figures, second routes and itself."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cohortkit.agreement import deming
from cohortkit.agreement.deming_lines import weighted_sum_of_squares
from cohortkit.errors import ArgumentError, EstimateError
from tests.agreement.planted_pairs import OWN, Design, Growing, table
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


class TestProportionalErrors:
    def test_a_planted_line_is_recovered(self):
        found = ask(drawn(Growing(2000)), spread="proportional", ratio=1.05**2)
        # planted truth: slope 1.05 and intercept 0.1
        assert found["slope"].value == pytest.approx(1.05, abs=0.02)
        assert found["intercept"].value == pytest.approx(0.1, abs=0.04)
        assert "spread_not_proportional" not in codes(found)
        assert "Linnet 1993" in found["slope"].method
        assert found.settings["spread"] == "proportional"

    def test_limits_are_those_of_leaving_one_out(self):
        data = drawn(Growing(12))
        found = ask(data, spread="proportional")["slope"]
        left = []
        for one in sorted(set(data["subject"])):
            rest = data[data["subject"] != one]
            left.append(ask(rest, spread="proportional")["slope"].value)
        # by hand: jackknife, sqrt((n - 1) / n * sum of squares), and t with n - 2
        error = math.sqrt(11 / 12 * ((np.array(left) - np.mean(left)) ** 2).sum())
        half = stats.t.ppf(0.975, 10) * error
        assert found.upper - found.value == pytest.approx(half, rel=1e-9)

    def test_every_pair_twice_adds_nothing(self):
        once = drawn(Growing(20))
        twice = pd.concat([once, once.assign(subject=once["subject"] + "'")])
        for name in ("slope", "intercept"):
            ours = ask(twice, participant="person", spread="proportional")[name]
            expected = triple(ask(once, spread="proportional")[name])
            assert triple(ours) == pytest.approx(expected, rel=1e-9)
            assert ours.n_participants == 20

    def test_values_at_or_below_zero_are_refused(self):
        with pytest.raises(EstimateError, match="above zero") as error:
            ask(table([0.0, 1.0, 2.0, 3.0], [1.0, 2.0, -1.0, 4.0]), spread="proportional")
        assert "2 of 8" in str(error.value)

    def test_known_errors_already_say_how_they_grow(self):
        with pytest.raises(ArgumentError, match="not both"):
            ask(drawn().assign(se=0.1), error="se", spread="proportional")

    def test_an_unknown_spread_is_refused(self):
        with pytest.raises(ArgumentError, match="proportional"):
            ask(drawn(), spread="growing")

    def test_constant_errors_say_when_the_spread_grows_and_what_to_do(self):
        data = drawn(Growing(80, cv=0.15))
        said = {c.code: c.message for c in ask(data, ratio=1).cautions}
        assert "spread='proportional'" in said["spread_depends_on_size"]
        assert "spread_depends_on_size" not in codes(ask(drawn(Design(80))))

    def test_a_constant_error_taken_as_proportional_is_said(self):
        found = ask(drawn(Design(200, error=0.3)), ratio=1, spread="proportional")
        assert "spread_not_proportional" in codes(found)

    @pytest.mark.parametrize("n", [0, 1])
    def test_too_few_pairs(self, n):
        with pytest.raises(EstimateError, match="two"):
            ask(table([1.0] * n, [2.0] * n), spread="proportional")

    def test_two_points_have_a_line_and_no_interval(self):
        found = ask(table([1.0, 2.0], [1.5, 3.5]), spread="proportional")
        # by hand: (3.5 - 1.5) / (2 - 1) = 2, and 1.5 - 2 = -0.5
        assert (found["slope"].value, found["intercept"].value) == pytest.approx((2, -0.5))
        assert math.isnan(found["slope"].lower)

    def test_three_points_have_a_line_and_an_interval(self):
        found = ask(table([1.0, 2.0, 4.0], [1.1, 1.9, 4.2]), spread="proportional")["slope"]
        assert found.lower < found.value < found.upper

    def test_points_on_one_line_have_no_interval(self):
        x = np.linspace(0.7, 3.1, 9)
        found = ask(table(x, 0.3 + 1.1 * x), spread="proportional")
        # planted truth: an exact line of slope 1.1
        assert found["slope"].value == pytest.approx(1.1, rel=1e-12)
        assert math.isnan(found["slope"].lower)
        assert "no_interval" in codes(found)

    def test_ties_and_a_constant_method(self):
        tied = ask(table([1.0, 1.0, 2.0, 2.0, 3.0], [1.0, 1.0, 2.0, 2.5, 3.0]),
                   spread="proportional")  # fmt: skip
        assert tied["slope"].lower < tied["slope"].value < tied["slope"].upper
        flat = ask(table([1.0, 2.0, 4.0], [2.0, 2.0, 2.0]), spread="proportional")
        # by hand: without spread in y the best line is y = 2
        assert flat["slope"].value == pytest.approx(0, abs=1e-12)
        with pytest.raises(EstimateError, match="no line"):
            ask(table([1.0] * 4, [1.0] * 4), spread="proportional")


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
