"""Passing-Bablok regression against published figures, exact fractions and itself."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import passing_bablok
from cohortkit.agreement.passing_bablok import (
    cusum,
    design_effect,
    pair_slopes,
    rank_limits,
    shifted_median,
)
from cohortkit.errors import EstimateError
from tests.agreement.planted_pairs import OWN, Design, table
from tests.expected import assert_equals, figures


def triple(estimate):
    return estimate.value, estimate.lower, estimate.upper


def codes(result):
    return {c.code for c in result.cautions}


def ask(data, **settings):
    return passing_bablok(data, method="method", **{**OWN, **settings})


def drawn(design=None, seed=1):
    pairs = (design or Design(40)).draw(np.random.default_rng(seed))
    return table(pairs.first, pairs.second, pairs.cluster)


CASES = {
    "c06_creatinine_pb": ("creatinine", "serum", "plasma"),
    "c07_ferritin_pb": ("ferritin_p1", "old", "new"),
    "c08_pefr_pb": ("pefr", "wright1", "mini1"),
    "c09_giavarina_pb": ("giavarina", "A", "B"),
}


@pytest.mark.parametrize("case", CASES)
def test_check_values(check_values, case):
    name, first, second = CASES[case]
    data = pd.read_csv(check_values / "data" / f"{name}.csv").dropna(subset=[first, second])
    found = ask(table(data[first], data[second]))
    # source: check values c06-c09 (Passing & Bablok 1983, own code in R 4.2.2 and Python)
    expected = figures(check_values, case)
    assert_equals(triple(found["slope"]), expected.loc["pb_slope"])
    assert_equals(triple(found["intercept"]), expected.loc["pb_intercept"])
    assert found.settings["n_slopes"] == expected.loc["pb_n_slopes_used", "value"]
    assert found.settings["offset"] == expected.loc["pb_offset_K", "value"]


def exact_slopes(first, second):
    """Slopes in exact fractions: finite ones, and counts of each infinity."""
    x, y = ([Fraction(str(v)) for v in side] for side in (first, second))
    finite, up, down = [], 0, 0
    for i in range(len(x)):
        for j in range(i + 1, len(x)):
            dx, dy = x[j] - x[i], y[j] - y[i]
            if dx == 0 and dy == 0:
                continue
            if dx == 0:
                up, down = up + (dy > 0), down + (dy < 0)
            elif dy != -dx:
                finite.append(dy / dx)
    return sorted(finite), up, down


@pytest.mark.parametrize("seed", range(6))
def test_ties_of_rounded_values_are_found_as_exact_fractions_find_them(seed):
    rng = np.random.default_rng(seed)
    first = np.round(rng.uniform(0.5, 2.5, 40), 1)
    second = np.round(first + rng.normal(0, 0.2, 40), 1)
    finite, up, down = exact_slopes(first, second)
    found = pair_slopes(first, second)
    assert np.isposinf(found.sorted).sum() == up
    assert np.isneginf(found.sorted).sum() == down
    assert found.sorted[np.isfinite(found.sorted)] == pytest.approx([float(s) for s in finite])
    assert found.offset == down + sum(s < -1 for s in finite)


def test_by_hand():
    # by hand: slopes 1, 1, 4/3, 1, 3/2, 2 of the points (0,0) (1,1) (2,2) (3,4)
    found = pair_slopes(np.array([0.0, 1, 2, 3]), np.array([0.0, 1, 2, 4]))
    assert found.sorted == pytest.approx([1, 1, 1, 4 / 3, 1.5, 2])
    assert shifted_median(found) == pytest.approx((1 + 4 / 3) / 2)


def test_even_and_odd_numbers_of_slopes_and_the_shift():
    # by hand: slopes -2, 1, 2 of (0,0) (1,1), (2,-1): one below -1, so the median 1 moves up to 2
    found = pair_slopes(np.array([0.0, 1, 3]), np.array([0.0, 1, -3]))
    assert found.sorted == pytest.approx([-2, 1])  # by hand: the slope of exactly -1 is left out
    assert found.offset == 1
    assert shifted_median(found) == 1


def test_vertical_pairs_count_by_the_sign_of_the_step():
    # by hand: (1,1) (1,2) (2,3): one vertical step up, slopes 2 and 1
    found = pair_slopes(np.array([1.0, 1, 2]), np.array([1.0, 2, 3]))
    assert found.sorted.tolist() == [1, 2, math.inf]
    down = pair_slopes(np.array([1.0, 1, 2]), np.array([2.0, 1, 3]))
    assert down.sorted.tolist() == [-math.inf, 1, 2]
    assert down.offset == 1


def test_limits_are_the_ranks_of_the_paper():
    slopes = pair_slopes(
        *(getattr(Design(30).draw(np.random.default_rng(2)), s) for s in ("first", "second"))
    )
    n, size, k = 30, len(slopes.sorted), slopes.offset
    # by hand: (N -+ z sqrt(n (n - 1) (2 n + 5) / 18)) / 2, shifted; ranks count from 1
    spread = 1.959964 * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    low = round((size - spread) / 2)
    expected = slopes.sorted[low + k - 1], slopes.sorted[size - low + 1 + k - 1]
    assert rank_limits(slopes, 1.959964) == expected


def test_swapped_methods_invert_slope_and_limits():
    data = drawn(Design(35))
    here = ask(data, methods=("first", "second"))["slope"]
    there = ask(data, methods=("second", "first"))["slope"]
    # by hand: 1 / slope, up to the mean of two middle slopes of an even number
    assert (1 / there.value, 1 / there.upper, 1 / there.lower) == pytest.approx(
        triple(here), rel=2e-3
    )


def test_offset_moves_only_the_intercept():
    data = drawn()
    data["value"] = np.round(data["value"] * 8) / 8
    here, there = ask(data), ask(data.assign(value=data["value"] + 1e10))
    assert triple(there["slope"]) == triple(here["slope"])
    moved = here["intercept"].value + 1e10 * (1 - here["slope"].value)
    assert there["intercept"].value == pytest.approx(moved, rel=1e-9)


def test_order_of_rows_changes_nothing():
    data = drawn()
    mixed = data.sample(frac=1, random_state=3)
    assert [triple(e) for e in ask(mixed)] == [triple(e) for e in ask(data)]


def test_intercept_limits_are_ordered_for_negative_values():
    data = drawn()
    found = ask(data.assign(value=data["value"] - 50))["intercept"]
    assert found.lower < found.value < found.upper


class TestParticipantsWithSeveralPairs:
    def test_own_pairs_have_no_design_effect(self):
        pairs = Design(30).draw(np.random.default_rng(1))
        found = design_effect(pairs.first, pairs.second, 1.05, pairs.cluster)
        assert found == pytest.approx(1, abs=1e-12)

    def test_every_pair_twice_doubles_the_variance(self):
        pairs = Design(40).draw(np.random.default_rng(1))
        x, y = (np.repeat(v, 2) for v in (pairs.first, pairs.second))
        found = design_effect(x, y, 1.05, np.repeat(np.arange(40), 2))
        # by hand: both copies have one share, so its sum has twice the sum of squares; 40/39 79/80
        assert found == pytest.approx(2 * 40 / 39 * 79 / 80, rel=1e-9)

    def test_every_pair_twice_does_not_narrow_the_interval(self):
        once = drawn(Design(60))
        twice = pd.concat([once, once.assign(subject=once["subject"] + "'")])
        clustered, alone = ask(twice, participant="person")["slope"], ask(once)["slope"]
        assert clustered.value == pytest.approx(alone.value, rel=0.01)
        ratio = (clustered.upper - clustered.lower) / (alone.upper - alone.lower)
        assert 0.9 < ratio < 1.2
        assert clustered.n_participants == 60
        assert "design effect" in clustered.method

    def test_a_single_participant_has_an_open_interval(self):
        found = ask(drawn(Design(1, fingers=6)), participant="person")
        assert (found["slope"].lower, found["slope"].upper) == (-math.inf, math.inf)
        assert (found["intercept"].lower, found["intercept"].upper) == (-math.inf, math.inf)
        assert "open_interval" in codes(found)


class TestLinearity:
    def test_cusum_by_hand(self):
        x = np.arange(1.0, 7)
        y = x + np.array([1, 1, 1, -1, -1, -1]) * 0.1
        # by hand: three steps of +1, three of -1 about y = x: 3 / sqrt(6)
        assert cusum(x, y, 1.0, 0.0) == pytest.approx(3 / math.sqrt(6))
        # by hand: above, below in turn: never more than 1 / sqrt(6)
        y = x + np.array([1, -1, 1, -1, 1, -1]) * 0.01
        assert cusum(x, y, 1.0, 0.0) == pytest.approx(1 / math.sqrt(6))

    def test_points_on_the_line_do_not_count(self):
        x = np.array([0.1, 0.2, 0.3, 0.4])
        assert cusum(x, x + 0.7, 1.0, 0.7) == 0

    def test_a_curve_is_noticed_and_a_line_is_not(self):
        rng = np.random.default_rng(4)
        x = np.linspace(1, 4, 80)
        curved = x + 0.15 * (x - 2.5) ** 2
        noise = rng.normal(0, 0.05, (2, 80))
        assert "perhaps_not_linear" in codes(ask(table(x + noise[0], curved + noise[1])))
        assert "perhaps_not_linear" not in codes(ask(table(x + noise[0], x + noise[1])))


class TestEdges:
    def test_identical_values(self):
        x = np.linspace(1, 3, 31)
        found = ask(table(x, x))
        assert found["slope"].value == pytest.approx(1)
        assert found["intercept"].value == pytest.approx(0, abs=1e-12)
        assert all(math.isnan(e.lower) and math.isnan(e.level) for e in found)
        assert "no_scatter_seen" in codes(found)

    @pytest.mark.parametrize("n", [2, 3, 4])
    def test_few_points_have_an_open_interval(self, n):
        found = ask(table([1.0, 2.0, 3.5, 4.0][:n], [1.1, 2.3, 3.4, 4.6][:n]))
        assert math.isfinite(found["slope"].value)
        assert math.isinf(found["slope"].lower)
        assert "open_interval" in codes(found)

    @pytest.mark.parametrize("first", [[1.0, 1.0, 1.0], [2.0, 2.0, 2.0]])
    def test_a_constant_first_method_is_refused(self, first):
        with pytest.raises(EstimateError, match=r"no slope"):
            ask(table(first, [1.0, 2.0, 3.0]))

    def test_all_values_equal(self):
        with pytest.raises(EstimateError, match="0 usable slopes"):
            ask(table([1.0] * 4, [1.0] * 4))

    def test_falling_values_are_refused_or_warned_of(self):
        x = np.arange(1.0, 9)
        with pytest.raises(EstimateError, match=r"no slope|vertical"):
            ask(table(x, -x))


def test_a_falling_relation_is_not_called_too_few_points():
    noise = 0.1 * np.random.default_rng(1).standard_normal(40)
    x = np.arange(40) / 10
    found = ask(table(x + noise, 4 - x))
    told = {c.code: c.message for c in found.cautions}
    assert math.isinf(found["slope"].upper)
    assert "do not rise together" in told["open_interval"]
    assert "a little short" not in told["loose_relation"]
    assert "no_relation_shown" in told
