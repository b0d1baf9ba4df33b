"""Intervals against simulation of the same pivot, special cases and exact identities."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from cohortkit.agreement import intervals
from cohortkit.agreement.anova import SumsOfSquares, sums_of_squares
from tests.agreement.reads import invented

DESIGNS = [(2, 2), (3, 2), (6, 4), (30, 2), (30, 3), (50, 8), (400, 3)]


def simulated(ss, draws=200_000, seed=5):
    """The pivots of the ICC and of the SEM, drawn instead of integrated."""
    rng = np.random.default_rng(seed)
    u_s, u_r, u_e = (rng.chisquare(df, draws) for df in ss.df)
    error = ss.error / u_e
    rater = np.maximum(0, (ss.raters / u_r - error) / ss.n)
    subject = (ss.subjects / u_s - error) / ss.k
    return subject / (subject + rater + error), np.sqrt(rater + error)


@pytest.mark.parametrize("rater", [0.0, 1.0])
@pytest.mark.parametrize(("n", "k"), DESIGNS)
def test_quadrature_agrees_with_simulation(n, k, rater):
    ss = sums_of_squares(invented(n, k, rater=rater, seed=n))
    icc, sem = simulated(ss)
    for route, draws in ((intervals.generalised_icc, icc), (intervals.generalised_sem, sem)):
        for limit, p in zip(route(ss, 0.95), (0.025, 0.975), strict=True):
            # 200,000 draws: the share below the limit has SE 0.00035; band of 5 SE
            assert np.mean(draws <= limit) == pytest.approx(p, abs=0.0018)


@pytest.mark.parametrize(
    ("n", "k", "rater"), [(2, 2, 0.0), (30, 2, 1.0), (30, 3, 0.0), (400, 3, 1.0)]
)
def test_more_nodes_do_not_move_the_limits(monkeypatch, n, k, rater):
    ss = sums_of_squares(invented(n, k, rater=rater, seed=n))
    before = intervals.generalised_icc(ss, 0.95), intervals.generalised_sem(ss, 0.95)
    monkeypatch.setattr(intervals, "_node_count", lambda _: 700)
    after = intervals.generalised_icc(ss, 0.95), intervals.generalised_sem(ss, 0.95)
    assert before[0] == pytest.approx(after[0], abs=2e-4)
    assert before[1] == pytest.approx(after[1], rel=2e-4)


def test_generalised_limits_are_quantiles_of_their_pivot():
    ss = sums_of_squares(invented())
    for limit, p in zip(intervals.generalised_icc(ss, 0.9), (0.05, 0.95), strict=True):
        assert float(intervals.icc_pivot(ss)(limit / (1 - limit))) == pytest.approx(p, abs=1e-7)
    for limit, p in zip(intervals.generalised_sem(ss, 0.9), (0.05, 0.95), strict=True):
        assert float(intervals.sem_pivot(ss)(limit**2)) == pytest.approx(p, abs=1e-7)


def test_pivot_takes_many_tables_at_once():
    many = sums_of_squares(np.stack([invented(seed=s) for s in range(3)]))
    together = intervals.icc_pivot(many)(np.full(3, 2.0))
    for i in range(3):
        one = sums_of_squares(invented(seed=i))
        assert together[i] == pytest.approx(float(intervals.icc_pivot(one)(2.0)), abs=1e-12)


def test_without_rater_spread_the_generalised_limit_is_the_consistency_limit():
    """With no rater sum of squares R = 0 and the pivot is an F variable: exact."""
    ss = SumsOfSquares(20, 3, np.array(40.0), np.array(0.0), np.array(10.0))
    exact = intervals.exact_f(float(ss.msr / ss.mse), 19, 38, 3, 0.95)
    assert intervals.generalised_icc(ss, 0.95) == pytest.approx(exact, abs=1e-7)
    sd = intervals.chi_square_sd(10.0, 38, 0.95)
    assert intervals.generalised_sem(ss, 0.95) == pytest.approx(sd, rel=1e-7)


def test_without_error_the_generalised_limit_is_an_f_limit_too():
    """With no error the odds are (SSR / U_s / k) / (SSC / U_r / n), an F variable."""
    ss = SumsOfSquares(20, 3, np.array(40.0), np.array(6.0), np.array(0.0))
    ratio = float(ss.msr / ss.msc) * 20 / 3
    odds = [ratio * stats.f.ppf(p, 2, 19) for p in (0.025, 0.975)]
    assert intervals.generalised_icc(ss, 0.95) == pytest.approx(
        [o / (1 + o) for o in odds], abs=1e-6
    )
    # by hand: SSC / (n U_r) between the chi-square quantiles with 2 df
    sem = [math.sqrt(6 / 20 / stats.chi2.isf(p, 2)) for p in (0.025, 0.975)]
    assert intervals.generalised_sem(ss, 0.95) == pytest.approx(sem, rel=1e-7)


def test_wider_level_contains_narrower():
    ss = sums_of_squares(invented())
    for route in (intervals.generalised_icc, intervals.generalised_sem, intervals.approximate_f):
        wide, narrow = route(ss, 0.99), route(ss, 0.8)
        assert wide[0] < narrow[0] < narrow[1] < wide[1]


def test_exact_f_inverts_the_f_test():
    """At each limit of the ICC the observed ratio is just at the 2.5 % point."""
    low, high = intervals.exact_f(5.0, 9, 20, 3, 0.95)
    for icc, tail in ((low, 0.025), (high, 0.975)):
        expected_ratio = 1 + 3 * icc / (1 - icc)
        assert stats.f.sf(5.0 / expected_ratio, 9, 20) == pytest.approx(tail, abs=1e-10)


def test_chi_square_limits_of_a_standard_deviation():
    # source: R 4.2.2, within-subject SD of the large meter in Bland & Altman 1986,
    # 17 pairs of repeats, SS = 17 * 15.3066690578669^2: 11.485934584231, 22.9469009273805
    found = intervals.chi_square_sd(17 * 15.3066690578669**2, 17, 0.95)
    assert found == pytest.approx((11.485934584231, 22.9469009273805), abs=1e-8)  # source: above


def test_spearman_brown():
    # by hand: 2 * 0.5 / 1.5; and 4 * (-0.2) / (1 - 0.6)
    assert intervals.spearman_brown(0.5, 2) == pytest.approx(2 / 3)
    assert intervals.spearman_brown(-0.2, 4) == pytest.approx(-2.0)
    assert intervals.spearman_brown(-1 / 3, 4) == -math.inf
