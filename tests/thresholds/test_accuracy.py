"""Sensitivity, specificity and likelihood ratios at a fixed cut."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit import thresholds
from cohortkit.errors import ArgumentError
from cohortkit.thresholds.accuracy import likelihood_ratio
from tests.expected import assert_equals, figures
from tests.thresholds.planted import Design, table


def limits(estimate):
    return estimate.value, estimate.lower, estimate.upper


def two_by_two(path):
    counts = pd.read_csv(path)
    return pd.DataFrame(
        [
            {"value": float(row.test == "pos"), "state": state}
            for row in counts.itertuples()
            for state, n in (("sick", row.d_pos), ("well", row.d_neg))
            for _ in range(n)
        ]
    )


@pytest.mark.parametrize(
    ("case", "file"),
    [("f04_scott_2x2", "scott_2x2.csv"), ("f09_edge_zero_fp", "edge_2x2_zero_cell.csv")],
)
def test_published_two_by_two_tables(check_values, case, file):
    rows = two_by_two(check_values / "data" / file)
    expected = figures(check_values, case)
    for interval, ending in (("wilson", "wilson"), ("clopper_pearson", "exact")):
        found = thresholds.accuracy_at(
            rows, 0.5, value="value", status="state", positive="sick", negative="well",
            participant=None, interval=interval, unit="1",
        )  # fmt: skip
        # source: check values f04 and f09 (epiR 2.0.57; statsmodels 0.15.0)
        for name in ("sensitivity", "specificity"):
            assert_equals(limits(found[name]), expected.loc[f"{name}_{ending}"])
        for name in ("lr_positive", "lr_negative"):
            assert_equals(limits(found[name]), expected.loc[name])


def test_an_infinite_ratio_has_no_interval_and_says_so(check_values):
    rows = two_by_two(check_values / "data" / "edge_2x2_zero_cell.csv")
    found = thresholds.accuracy_at(
        rows, 0.5, value="value", status="state", positive="sick", negative="well",
        participant=None,
    )  # fmt: skip
    assert found["lr_positive"].value == np.inf
    assert np.isnan(found["lr_positive"].lower)
    notes = [c.message for c in found.cautions if c.code == "likelihood_ratio_at_bound"]
    assert len(notes) == 1
    assert notes[0].startswith("lr_positive")


def test_published_third_annular_pulley_rule():
    # source: I. Schöffl et al. 2018 (Sportverletz Sportschaden), rule > 0.9 mm: 76 % and 94 %,
    # here as 13 of 17 torn and 16 of 17 intact fingers, which print so (counts are made up)
    torn, intact = [1.2] * 13 + [0.8] * 4, [1.2] + [0.8] * 16
    found = thresholds.accuracy_at(table(torn + intact, np.arange(34) < 17), 0.95)
    assert round(100 * found["sensitivity"].value) == 76
    assert round(100 * found["specificity"].value) == 94
    assert found.table["positive"].tolist() == [13, 4]
    assert found.table["negative"].tolist() == [1, 16]


def test_a_gap_at_the_cut_is_positive():
    found = thresholds.accuracy_at(table([2.0, 1.9, 2.0, 1.9], [True, True, False, False]), 2.0)
    # by hand: one of two torn and one of two intact fingers reach the cut
    assert (found["sensitivity"].value, found["specificity"].value) == (0.5, 0.5)


class TestClustered:
    value, torn, cluster = Design(40, 3, 0.4, 0.6, 0.85).draw(np.random.default_rng(2))

    def test_ratio_variance_against_leaving_participants_out(self):
        """The linearised variance of the log ratio and a jackknife over participants agree."""
        test = self.value >= 0.8
        value, low, high = likelihood_ratio(test, self.torn, self.cluster, 0.95)
        logs = []
        for c in range(40):
            keep = self.cluster != c
            logs.append(np.log(test[keep & self.torn].mean() / test[keep & ~self.torn].mean()))
        jackknife = np.sqrt(39 / 40 * ((np.array(logs) - np.mean(logs)) ** 2).sum())
        degrees = min(len(set(self.cluster[self.torn])), len(set(self.cluster[~self.torn]))) - 1
        # source: 0.975 quantile of Student's t, 26 to 39 degrees of freedom: 2.02 to 2.06
        assert 25 < degrees < 40
        half = np.log(high / low) / 2
        assert half == pytest.approx(2.04 * jackknife, rel=0.05)
        assert value == pytest.approx(np.sqrt(low * high))

    def test_rows_of_independent_participants_use_the_plain_formula(self):
        test, torn = self.value >= 0.8, self.torn
        a, b = test[torn].mean(), test[~torn].mean()
        value, low, _ = likelihood_ratio(test, torn, np.arange(120), 0.95)
        # source: Simel, Samsa & Matchar 1991, formula of the log method
        spread = np.sqrt((1 - a) / (a * torn.sum()) + (1 - b) / (b * (~torn).sum()))
        # source: 0.975 quantile of the normal distribution, any printed table
        assert low == pytest.approx(value * np.exp(-1.959964 * spread), rel=1e-6)

    def test_one_participant_has_a_ratio_without_limits(self):
        value, low, high = likelihood_ratio(
            np.array([True, False, True, False]),
            np.array([True, True, False, False]),
            np.zeros(4, int),
            0.95,
        )
        assert value == 1
        assert np.isnan([low, high]).all()

    def test_every_row_twice_does_not_narrow(self):
        rows = table(self.value, self.torn, self.cluster)
        once = thresholds.accuracy_at(rows, 0.8)
        twice = thresholds.accuracy_at(pd.concat([rows, rows]), 0.8)
        for name in ("sensitivity", "specificity", "lr_positive", "lr_negative"):
            assert limits(twice[name]) == pytest.approx(limits(once[name]), rel=1e-9)
        assert twice["sensitivity"].n_readings == 2 * once["sensitivity"].n_readings

    def test_shift_of_gaps_and_cut_changes_nothing(self):
        rows = table(self.value.round(3), self.torn, self.cluster)
        moved = rows.assign(gap_mm=rows["gap_mm"] + 1024)
        cut = 0.8005  # between two gaps of three decimals
        for name in ("sensitivity", "specificity"):
            ours = thresholds.accuracy_at(rows, cut)[name]
            assert limits(thresholds.accuracy_at(moved, cut + 1024)[name]) == limits(ours)

    def test_swapped_classes_swap_the_two_figures(self):
        rows = table(-self.value, ~self.torn, self.cluster)
        ours = thresholds.accuracy_at(table(self.value, self.torn, self.cluster), 0.8)
        mirror = thresholds.accuracy_at(rows, np.nextafter(-0.8, 0))
        assert limits(mirror["sensitivity"]) == limits(ours["specificity"])
        assert limits(mirror["specificity"]) == limits(ours["sensitivity"])


def test_unseen_gaps_that_may_lie_above_the_cut_are_named():
    rows = table([np.nan, 1.5, 2.5], [False, False, True]).assign(
        below_resolution=[True, False, False], resolution_mm=[0.4, 0.1, 0.1]
    )
    assert "cut_below_resolution" in {c.code for c in thresholds.accuracy_at(rows, 0.3).cautions}
    found = thresholds.accuracy_at(rows, 2.0)
    assert "cut_below_resolution" not in {c.code for c in found.cautions}
    assert found["specificity"].value == 1


@pytest.mark.parametrize("cut", [np.nan, np.inf, "2", None, True])
def test_a_cut_is_a_finite_number(cut):
    with pytest.raises(ArgumentError, match="cut"):
        thresholds.accuracy_at(table([1, 2], [False, True]), cut)


def test_both_shares_zero_leave_no_ratio():
    found = thresholds.accuracy_at(table([1, 2, 1, 2], [False, False, True, True]), 5.0)
    assert np.isnan(found["lr_positive"].value)
    assert found["lr_negative"].value == 1
