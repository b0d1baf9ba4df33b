"""Lin's concordance against published figures, second routes and itself."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cohortkit.agreement import concordance
from cohortkit.agreement.concordance import components, variance_ratio_limits
from cohortkit.errors import ArgumentError
from tests.agreement.planted_pairs import OWN, Design, table
from tests.expected import assert_equals, figures

NAMES = ["concordance", "precision", "bias_correction", "scale_shift", "location_shift"]


def triple(estimate):
    return estimate.value, estimate.lower, estimate.upper


def codes(result):
    return {c.code for c in result.cautions}


def ask(data, **settings):
    return concordance(data, method="method", **{**OWN, **settings})


def drawn(design=None, seed=1):
    pairs = (design or Design(40)).draw(np.random.default_rng(seed))
    return table(pairs.first, pairs.second, pairs.cluster)


def test_peak_flow_of_bland_and_altman(repository):
    oracle = json.loads((repository / "tests/oracles/bland_altman_1986.json").read_text())
    found = ask(table(oracle["large"], oracle["mini"]))
    # source: Bland & Altman 1986, as quoted in textbooks with three digits (from memory)
    assert round(found["concordance"].value, 3) == 0.943


CASES = {
    "c01_pefr_ccc": ("pefr", "wright1", "mini1"),
    "c02_sbp_ccc": ("sbp", "J1", "S1"),
    "c02b_sbp_ccc_J1_R1": ("sbp", "J1", "R1"),
}


@pytest.mark.parametrize("case", CASES)
def test_check_values(check_values, case):
    name, first, second = CASES[case]
    data = pd.read_csv(check_values / "data" / f"{name}.csv")
    found = ask(table(data[first], data[second]))
    # source: check values c01, c02 (R epiR 2.0.57)
    expected = figures(check_values, case)
    assert_equals(triple(found["concordance"]), expected.loc["lin_ccc"])
    for ours, theirs in (
        ("precision", "pearson_r"),
        ("bias_correction", "bias_correction_Cb"),
        ("scale_shift", "scale_shift_sd_ratio_y_over_x"),
        ("location_shift", "location_shift"),
    ):
        row = expected.loc[theirs]
        assert found[ours].value == pytest.approx(row["value"], abs=row["tolerance"])
    assert found["concordance"].n_participants == expected.loc["n", "value"]


def test_a_second_route_by_squared_distances():
    pairs = Design(25).draw(np.random.default_rng(2))
    x, y = pairs.first, pairs.second
    # by hand: 1 minus mean squared distance over that of all n^2 pairings
    route = 1 - ((x - y) ** 2).mean() / ((x[:, None] - y) ** 2).mean()
    found = components(x, y)
    assert found[0] == pytest.approx(route, rel=1e-12)
    # source: scipy.stats.pearsonr, scipy 1.17
    assert found[1] == pytest.approx(stats.pearsonr(x, y).statistic, rel=1e-12)
    assert found[1] * found[2] == pytest.approx(found[0], rel=1e-12)


def test_limits_of_the_scale_shift_are_where_the_test_of_equal_spread_turns():
    pairs = Design(25, slope=1.4).draw(np.random.default_rng(2))
    x, y = pairs.first, pairs.second
    ratio, r = y.std() / x.std(), stats.pearsonr(x, y).statistic
    for limit in variance_ratio_limits(ratio, r, 25, 0.95):
        # source: scipy.stats.pearsonr, scipy 1.17, on sum and difference (Pitman 1939)
        assert stats.pearsonr(y + limit * x, y - limit * x).pvalue == pytest.approx(0.05, rel=1e-8)


def test_fisher_interval_of_the_precision():
    pairs = Design(25).draw(np.random.default_rng(2))
    found = ask(table(pairs.first, pairs.second))["precision"]
    # source: scipy.stats.pearsonr(...).confidence_interval, scipy 1.17
    theirs = stats.pearsonr(pairs.first, pairs.second).confidence_interval(0.95)
    assert (found.lower, found.upper) == pytest.approx((theirs.low, theirs.high), rel=1e-10)


def test_swapped_methods_mirror_the_shifts():
    data = drawn()
    here = ask(data, methods=("first", "second"))
    there = ask(data, methods=("second", "first"))
    for name in NAMES[:3]:
        assert triple(there[name]) == pytest.approx(triple(here[name]), rel=1e-12, nan_ok=True)
    assert 1 / there["scale_shift"].value == pytest.approx(here["scale_shift"].value)
    assert -there["location_shift"].value == pytest.approx(here["location_shift"].value)


def test_unit_and_offset_change_nothing():
    data = drawn()
    data["value"] = np.round(data["value"] * 8) / 8
    here = ask(data)
    for other in (data.assign(value=data["value"] * 64), data.assign(value=data["value"] + 1e10)):
        there = ask(other)
        for name in NAMES:
            assert triple(there[name]) == pytest.approx(triple(here[name]), rel=1e-9, nan_ok=True)


def test_methods_that_do_not_rise_together_are_said_without_a_line():
    found = ask(table(np.arange(20.0), -(np.arange(20.0) ** 3)))
    message = next(c.message for c in found.cautions if c.code == "no_relation_shown")
    assert "not shown to agree at all" in message
    assert "line" not in message


def test_a_shift_of_one_method_lowers_concordance_and_leaves_precision():
    data = drawn()
    moved = data.assign(value=data["value"] + (data["method"] == "second"))
    assert ask(moved)["concordance"].value < ask(data)["concordance"].value
    assert triple(ask(moved)["precision"]) == pytest.approx(triple(ask(data)["precision"]))


class TestParticipantsWithSeveralPairs:
    def test_every_pair_twice_adds_nothing(self):
        once = drawn(Design(200), seed=5)
        twice = pd.concat([once, once.assign(subject=once["subject"] + "'")])
        clustered = ask(twice, participant="person")
        plain = ask(once)
        for name in NAMES:
            assert clustered[name].value == pytest.approx(plain[name].value, rel=1e-12)
        assert clustered["concordance"].n_participants == 200
        assert clustered["concordance"].n_readings == 800
        assert "participant jackknife" in clustered["concordance"].method
        naive = ask(twice)["concordance"]
        width = clustered["concordance"].upper - clustered["concordance"].lower
        assert width > 1.2 * (naive.upper - naive.lower)

    def test_the_jackknife_is_near_lin_where_pairs_are_independent(self):
        data = drawn(Design(200), seed=5)
        lin = ask(data)["concordance"]
        spare = data[data["subject"] == "s000"].assign(subject="s999")
        clustered = ask(pd.concat([data, spare]), participant="person")["concordance"]
        assert clustered.lower == pytest.approx(lin.lower, abs=0.01)
        assert clustered.upper == pytest.approx(lin.upper, abs=0.01)

    def test_a_single_participant_has_no_interval(self):
        data = drawn(Design(1, fingers=4))
        found = ask(data, participant="person")
        assert all(math.isnan(e.lower) for e in found)


class TestEdges:
    def test_identical_values(self):
        x = np.linspace(1, 3, 35)
        found = ask(table(x, x))
        assert [found[n].value for n in NAMES] == [1, 1, 1, 1, 0]
        assert all(math.isnan(e.lower) for e in found)
        assert codes(found) == {"no_scatter_seen"}

    def test_a_constant_shift_is_an_exact_line_too(self):
        x = np.linspace(1, 3, 33)
        found = ask(table(x, x + 0.5))
        assert found["precision"].value == 1
        assert found["concordance"].value < 1
        assert math.isnan(found["precision"].lower)
        assert "no_scatter_seen" in codes(found)

    def test_one_constant_method(self):
        found = ask(table([1.0, 2.0, 3.0], [2.0, 2.0, 2.0]))
        assert found["concordance"].value == 0
        assert math.isnan(found["precision"].value)
        assert "no_spread" in codes(found)

    def test_two_equal_constants(self):
        found = ask(table([2.0] * 4, [2.0] * 4))
        assert math.isnan(found["concordance"].value)
        assert "no_spread" in codes(found)

    @pytest.mark.parametrize("n", [2, 3])
    def test_smallest_tables(self, n):
        found = ask(table([1.0, 2.0, 3.0][:n], [1.1, 2.4, 2.7][:n]))
        assert 0 < found["concordance"].value < 1
        assert math.isnan(found["precision"].lower)

    @pytest.mark.parametrize("level", [0, 1, 95])
    def test_level_is_a_share(self, level):
        with pytest.raises(ArgumentError, match="level"):
            ask(drawn(), level=level)

    def test_bias_correction_says_why_it_has_no_interval(self):
        found = ask(drawn())["bias_correction"]
        assert math.isnan(found.lower)
        assert math.isnan(found.level)
        assert "edge" in found.method
