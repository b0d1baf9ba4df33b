"""Intervals of a proportion."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from cohortkit.errors import ArgumentError
from cohortkit.thresholds.binomial import clopper_pearson, effective_size, proportion, wilson


def hits(k, n):
    return np.arange(n) < k


@pytest.mark.parametrize(("kind", "foreign"), [("wilson", "wilson"), ("clopper_pearson", "beta")])
@pytest.mark.parametrize(("k", "n"), [(0, 7), (1, 3), (6, 7), (16, 16), (46, 47), (30, 80)])
def test_independent_rows_agree_with_a_foreign_library(kind, foreign, k, n):
    found = proportion(hits(k, n), np.arange(n), kind=kind, level=0.9)
    # source: statsmodels.stats.proportion.proportion_confint, statsmodels 0.15.0, run here
    low, high = proportion_confint(k, n, alpha=0.1, method=foreign)
    assert (found.lower, found.upper) == pytest.approx((low, high), abs=1e-9)
    assert found.value == k / n
    assert found.effective_n == n


# source: Klauser et al. 2002 (Radiology 222:755-61) counts of detected ruptures, limits computed
# with scipy 1.17.1; 13 of 14 is Bayer et al. 2015 (Skeletal Radiol 44:77-84)
PUBLISHED = [
    (46, 47, "wilson", 0.8889, 0.9962),
    (46, 47, "clopper_pearson", 0.8871, 0.9995),
    (6, 7, "wilson", 0.4869, 0.9743),
    (6, 7, "clopper_pearson", 0.4213, 0.9964),
    (16, 16, "wilson", 0.8064, 1.0),
    (16, 16, "clopper_pearson", 0.7941, 1.0),
    (13, 14, "clopper_pearson", 0.6613, 0.9982),
]


@pytest.mark.parametrize(("k", "n", "kind", "low", "high"), PUBLISHED)
def test_published_counts_of_the_trade(k, n, kind, low, high):
    found = proportion(hits(k, n), np.arange(n), kind=kind, level=0.95)
    assert (found.lower, found.upper) == pytest.approx((low, high), abs=6e-5)


def test_rows_that_repeat_each_other_are_worth_one_each():
    pairs = np.repeat([True, True, False, True, False, True], 2)
    cluster = np.repeat(np.arange(6), 2)
    single = np.array([True, True, False, True, False, True])
    # by hand: between-participant variance 6/5 * 6 * (2/3)(1/3) * 4 / (12 * 2/9) = 2.4 design
    # effect; 12 / 2.4 = 5, times (1.96/2.571)^2 for 5 degrees of freedom
    assert effective_size(pairs, cluster, 0.95) == pytest.approx(5 * (1.96 / 2.571) ** 2, rel=1e-3)
    assert effective_size(single, np.arange(6), 0.95) == 6


def test_a_design_effect_below_one_is_not_believed():
    mixed = np.array([True, False] * 8)
    cluster = np.repeat(np.arange(8), 2)
    # by hand: every participant has one of two, so the estimated effect is 0; 1 is used, and
    # 16 * (1.96/2.365)^2 for 7 degrees of freedom
    assert effective_size(mixed, cluster, 0.95) == pytest.approx(16 * (1.96 / 2.365) ** 2, rel=1e-3)


@pytest.mark.parametrize("hit", [True, False])
def test_all_alike_counts_participants_not_rows(hit):
    rows = np.full(20, hit)
    cluster = np.repeat(np.arange(5), 4)
    # by hand: largest possible effect 5 * 16 / 20 = 4, so 5 rows, times (1.96/2.776)^2
    assert effective_size(rows, cluster, 0.95) == pytest.approx(5 * (1.96 / 2.776) ** 2, rel=1e-3)
    found = proportion(rows, cluster, kind="wilson", level=0.95)
    assert (found.lower == 0) != hit
    assert (found.upper == 1) == hit


def test_one_participant_alone_has_no_interval():
    found = proportion(hits(2, 3), np.zeros(3, int), kind="wilson", level=0.95)
    assert np.isnan(found.lower)
    assert np.isnan(found.upper)


@pytest.mark.parametrize("kind", ["wilson", "clopper_pearson"])
def test_clustering_is_named_and_widens(kind):
    cluster = np.repeat(np.arange(10), 3)
    rows = np.repeat(hits(7, 10), 3)
    clustered = proportion(rows, cluster, kind=kind, level=0.95)
    naive = proportion(rows, np.arange(30), kind=kind, level=0.95)
    assert clustered.upper - clustered.lower > naive.upper - naive.lower
    assert "participants" in clustered.method
    assert "participants" not in naive.method


LIMITS = pytest.mark.parametrize("limits", [wilson, clopper_pearson])


@LIMITS
@pytest.mark.parametrize("share", [46, 47, 1.0001, -0.1, -1, np.inf])
def test_a_count_is_no_share(limits, share):
    with pytest.raises(ArgumentError, match=r"'share' is a proportion from 0 to 1.*46 / 47"):
        limits(share, 46, 0.95)


@LIMITS
@pytest.mark.parametrize("n", [-1, -0.5, np.inf])
def test_no_number_of_rows_is_negative_or_endless(limits, n):
    with pytest.raises(ArgumentError, match="'n' is a number of rows"):
        limits(0.5, n, 0.95)


@LIMITS
@pytest.mark.parametrize("level", [0, 1, 95, -0.5])
def test_a_level_lies_between_0_and_1(limits, level):
    with pytest.raises(ArgumentError, match="'level'"):
        limits(0.5, 47, level)


@LIMITS
@pytest.mark.parametrize(("share", "n"), [(0.0, 0), (1.0, 0.0), (0.5, np.nan), (np.nan, 5)])
def test_where_nothing_is_known_the_limits_are_nan(limits, share, n):
    assert np.isnan(limits(share, n, 0.95)).all()


@pytest.mark.parametrize("kind", ["wilson", "clopper_pearson"])
def test_without_a_row_share_and_limits_are_nan(kind):
    found = proportion(hits(0, 0), np.arange(0), kind=kind, level=0.95)
    assert np.isnan([found.value, found.lower, found.upper]).all()
    assert found.effective_n == 0


@pytest.mark.parametrize(
    ("hit", "cluster", "told"),
    [
        (np.array([1, 2, 0]), np.arange(3), "'hit' holds true or false.*2"),
        (np.array([0.5, 1.0]), np.arange(2), "'hit' holds true or false.*0.5"),
        (np.array([np.nan, 1.0]), np.arange(2), "'hit' holds true or false.*nan"),
        (hits(1, 3), np.arange(2), "3 hits and 2 participant codes"),
        (hits(1, 2), np.array([0.5, 1.0]), "whole numbers from 0"),
        (hits(1, 2), np.array([-1, 1]), "whole numbers from 0"),
    ],
)
def test_rows_that_cannot_be_are_refused(hit, cluster, told):
    with pytest.raises(ArgumentError, match=told):
        proportion(hit, cluster, kind="wilson", level=0.95)


def test_an_unknown_interval_is_refused():
    with pytest.raises(ArgumentError, match="'wilson' or 'clopper_pearson'"):
        proportion(hits(1, 2), np.arange(2), kind="wald", level=0.95)
