"""Non-parametric maximum likelihood for intervals."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from sklearn.isotonic import IsotonicRegression
from statsmodels.duration.survfunc import SurvfuncRight

from cohortkit.errors import EstimateError
from cohortkit.outcomes.turnbull import covered, innermost_intervals, npmle
from tests.expected import figures
from tests.outcomes.planted import Course

INF = np.inf


def fit(*rows):
    left, right = np.array(rows, dtype=float).T
    return npmle(left, right)


@pytest.mark.parametrize("group", ["Rad", "RadChem"])
def test_breast_cosmesis(check_values, group):
    rows = pd.read_csv(check_values / "data" / "breast_cosmesis.csv")
    rows = rows[rows["treatment"] == group]
    found = npmle(rows["left"].fillna(0).to_numpy(), rows["right"].fillna(INF).to_numpy())
    expected = figures(check_values, "g05_breast_cosmesis")
    expected = expected[expected.index.str.startswith(f"turnbull_{group}_")]
    # source: check values g05 (Finkelstein & Wolfe 1985; EM in R and in numpy)
    for statistic, row in expected.iterrows():
        name = statistic.removeprefix(f"turnbull_{group}_")
        if name.startswith("mass"):
            after, by = (float(x) for x in name.removeprefix("mass_").split("_"))
            ours = found.mass[(found.after == after) & (found.by == by)].item()
        elif name.startswith("S_at"):
            low, high = found.happened(float(name.removeprefix("S_at_")))
            assert low == high
            ours = 1 - low.item()
        else:
            ours = {"loglik": found.log_likelihood, "n_support_intervals": len(found.mass)}[name]
        assert ours == pytest.approx(row["value"], abs=row["tolerance"])
    assert found.converged


def test_solved_by_hand_in_the_repository(repository):
    oracle = json.loads((repository / "tests/oracles/turnbull_by_hand.json").read_text())
    for case in oracle["expected"]:
        rows = [(a, INF if b is None else b) for a, b in case["rows"]]
        found = fit(*rows)
        assert found.after.tolist() == case["after"]
        assert found.by.tolist() == [INF if b is None else b for b in case["by"]]
        assert found.mass == pytest.approx(np.array(case["mass"]), abs=1e-8)
        assert found.converged


@pytest.mark.parametrize("seed", range(8))
def test_one_visit_each_is_isotonic_regression(seed):
    generator = np.random.default_rng(seed)
    n = 50
    visit = generator.permutation(np.arange(1.0, n + 1))
    back = generator.exponential(25, n) <= visit
    found = npmle(np.where(back, 0, visit), np.where(back, visit, INF))
    # source: sklearn.isotonic.IsotonicRegression, scikit-learn 1.9.1, run here (current status data:
    # Groeneboom & Wellner 1992)
    judge = IsotonicRegression(y_min=0, y_max=1).fit(visit, back).predict(visit)
    low, high = found.happened(visit)
    assert (low <= judge + 1e-7).all()
    assert (judge <= high + 1e-7).all()
    chance = np.where(back, judge, 1 - judge)
    assert found.log_likelihood == pytest.approx(np.log(chance[chance > 0]).sum(), abs=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_exact_and_right_censored_days_are_kaplan_meier(seed):
    generator = np.random.default_rng(seed)
    day = generator.integers(1, 15, 40).astype(float)
    known = generator.random(40) < 0.7
    found = npmle(day, np.where(known, day, INF))
    # source: statsmodels SurvfuncRight, statsmodels 0.15.0, run here on the same rows
    judge = SurvfuncRight(day, known.astype(int))
    low, high = found.happened(judge.surv_times)
    assert 1 - low == pytest.approx(judge.surv_prob, abs=1e-7)
    assert 1 - high == pytest.approx(judge.surv_prob, abs=1e-7)


@pytest.mark.parametrize("seed", range(15))
def test_kuhn_tucker_conditions_hold_on_every_candidate_interval(seed):
    left, right, _ = Course(30, jitter=20, missed=0.3).seen(np.random.default_rng(seed))
    found = npmle(left, right)
    after, by = innermost_intervals(left, right)
    first, last = covered(left, right, after, by)
    columns = np.arange(len(after))
    inside = (columns >= first[:, None]) & (columns < last[:, None])
    mass = np.zeros(len(after))
    mass[np.searchsorted(by, found.by)] = found.mass
    derivative = (inside / (inside @ mass)[:, None]).sum(axis=0)
    # source: Gentleman & Geyer 1994: n where there is mass, at most n elsewhere
    assert derivative.max() <= len(left) + 1e-6
    assert derivative[mass > 1e-6] == pytest.approx(len(left), abs=1e-3)
    assert found.mass.sum() == pytest.approx(1)


class TestInnermostIntervals:
    def test_a_left_end_followed_at_once_by_a_right_end(self):
        after, by = innermost_intervals(np.array([0.0, 1, 2]), np.array([2.0, 3, 4]))
        # by hand: the ends in order are (0 (1 2] (2 3] 4]
        assert list(zip(after, by, strict=True)) == [(1, 2), (2, 3)]

    def test_a_known_day_ends_an_interval_that_stops_there(self):
        after, by = innermost_intervals(np.array([3.0, 5, 5]), np.array([5.0, 5, 8]))
        # by hand: (3, 5] holds the known day 5; (5, 8] does not
        assert list(zip(after, by, strict=True)) == [(5, 5), (5, 8)]

    def test_which_rows_hold_which_interval(self):
        left, right = np.array([3.0, 5, 5, 0]), np.array([5.0, 5, 8, INF])
        first, last = covered(left, right, *innermost_intervals(left, right))
        assert list(zip(first, last, strict=True)) == [(0, 1), (0, 1), (1, 2), (0, 2)]

    @pytest.mark.parametrize("seed", range(20))
    def test_against_checking_each_pair(self, seed):
        generator = np.random.default_rng(seed)
        left = generator.integers(0, 8, 12).astype(float)
        right = left + generator.integers(0, 4, 12)
        right[generator.random(12) < 0.2] = INF
        after, by = innermost_intervals(left, right)
        first, last = covered(left, right, after, by)
        for i in range(12):
            for j in range(len(after)):
                point = after[j] == by[j]
                exact = left[i] == right[i]
                starts = left[i] < after[j] or (left[i] == after[j] and (exact or not point))
                held = starts and by[j] <= right[i] and (not exact or point)
                assert held == (first[i] <= j < last[i])
        assert (first < last).all()


class TestReading:
    found = fit((0, 10), (0, 10), (20, 30), (20, INF))

    def test_outside_the_intervals_the_share_is_known(self):
        # by hand: masses 1/2 in (0, 10] and 1/2 in (20, 30]
        for day, share in ((10, 0.5), (15, 0.5), (20, 0.5), (30, 1.0), (99, 1.0), (0, 0.0)):
            low, high = self.found.happened(day)
            assert (low.item(), high.item()) == pytest.approx((share, share))

    def test_inside_them_it_is_a_range(self):
        low, high = self.found.happened(5)
        assert (low.item(), high.item()) == pytest.approx((0, 0.5))
        assert self.found.happened_evenly(5) == pytest.approx(0.25)

    def test_quantiles(self):
        assert self.found.quantile(0.25) == pytest.approx((0, 5, 10))
        assert self.found.quantile(0.75) == pytest.approx((20, 25, 30))

    def test_a_quantile_that_is_not_reached(self):
        early, middle, late = fit((0, 10), (30, INF), (30, INF)).quantile(0.5)
        assert (early, late) == (30, INF)
        assert np.isnan(middle)

    def test_a_known_day(self):
        found = fit((4, 4), (6, 6))
        assert found.quantile(0.25) == (4, 4, 4)
        assert found.happened_evenly(4) == pytest.approx(0.5)
        assert found.happened_evenly(3.9) == 0


def test_more_than_a_thousand_rows_converge():
    left, right, _ = Course(1500, jitter=30).seen(np.random.default_rng(2))
    found = npmle(left, right)
    assert found.converged
    assert found.steps < 60


def test_order_of_rows_and_scale_of_days_change_nothing():
    left, right, _ = Course(60).seen(np.random.default_rng(9))
    ours = npmle(left, right)
    order = np.random.default_rng(1).permutation(60)
    mixed = npmle(left[order], right[order])
    doubled = npmle(2 * left, 2 * right)
    assert mixed.mass == pytest.approx(ours.mass, abs=1e-7)
    assert doubled.by.tolist() == (2 * ours.by).tolist()
    assert doubled.mass == pytest.approx(ours.mass, abs=1e-7)


def test_every_row_twice_gives_the_same_curve():
    left, right, _ = Course(40).seen(np.random.default_rng(10))
    ours, twice = npmle(left, right), npmle(np.tile(left, 2), np.tile(right, 2))
    assert twice.mass == pytest.approx(ours.mass, abs=1e-7)
    assert twice.log_likelihood == pytest.approx(2 * ours.log_likelihood)


def test_no_rows():
    with pytest.raises(EstimateError, match="No row"):
        npmle(np.array([]), np.array([]))


def test_one_row():
    found = fit((10, 20))
    assert (found.after.item(), found.by.item(), found.mass.item()) == (10, 20, 1)
