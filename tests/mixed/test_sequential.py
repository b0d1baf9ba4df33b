"""Generalised draws: balanced tables against the pivots from independent chi-squares."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cohortkit.errors import EstimateError
from cohortkit.mixed import sequential
from cohortkit.mixed.design import build
from tests.mixed.designs import crossed, dyestuff, shrout_fleiss

CROSSED = [["subject"], ["rater"]]


def design(table, random, value="value", fixed=()):
    return build(table, value=value, random=random, fixed=fixed)


def test_sums_of_squares_of_a_published_table():
    found = design(shrout_fleiss(), [["subject"], ["judge"]], "rating")
    steps = sequential.steps(found)
    seen = steps.sums_of_squares(found.response[:, None])[:, 0] * found.scale**2
    # source: Shrout & Fleiss 1979, table 3: between targets 56.21, judges 97.46, residual 15.29
    assert seen == pytest.approx([56.21, 97.46, 15.29], abs=0.005)
    assert list(steps.ranks) == [5, 3, 15]


def test_one_way_sums_of_squares():
    found = design(dyestuff(), [["batch"]], "yield")
    steps = sequential.steps(found)
    seen = steps.sums_of_squares(found.response[:, None])[:, 0] * found.scale**2
    # source: Davies & Goldsmith 1972, table 6.3 (from memory): 56357.5 with 5, 58830 with 24 df
    assert seen == pytest.approx([56357.5, 58830], rel=1e-9)
    assert list(steps.ranks) == [5, 24]


def test_balanced_draws_are_the_usual_pivots():
    """Each draw solves the expected mean squares with chi-squares in their place."""
    table = crossed(12, 4, 3, (1, 0.5, 0.4), seed=5)
    random = [["subject"], ["rater"], ["subject", "rater"]]
    found = design(table, random)
    steps = sequential.steps(found)
    spread = steps.spread(50, seed=3)
    seen = steps.sums_of_squares(found.response[:, None])[:, 0]
    draws = sequential.solve(spread, seen)
    # by hand: expected sums of squares are U (12 v_subject + 3 v_cell + v0) and so on
    n, k, m = 12, 4, 3
    residual = seen[3] / spread.rest
    cell = (seen[2] / spread.own[2] - residual) / m
    rater = (seen[1] / spread.own[1] - residual - m * cell) / (n * m)
    subject = (seen[0] / spread.own[0] - residual - m * cell) / (k * m)
    assert draws == pytest.approx(np.column_stack([residual, subject, rater, cell]), abs=1e-9)


def test_the_own_parts_are_chi_squares_with_their_ranks():
    table = crossed(10, 4, 2, (1, 0.5, 0.4), seed=1)
    table = table[np.random.default_rng(2).random(len(table)) > 0.2]
    steps = sequential.steps(design(table, [*CROSSED, ["subject", "rater"]]))
    spread = steps.spread(4000, seed=4)
    for own, rank in zip([*spread.own, spread.rest], steps.ranks, strict=True):
        # source: scipy.stats.kstest; the seed is fixed, so a pass stays a pass
        assert stats.kstest(own, stats.chi2(rank).cdf).pvalue > 0.001


def test_unbalanced_sums_of_squares_follow_their_expectation():
    """E Q_j = sum_k v_k tr(A_j Z_k Z_k') + v_0 rank_j, by the mean of the draws' parts."""
    table = crossed(10, 4, 2, (1, 0.5, 0.4), seed=1)
    table = table[np.random.default_rng(2).random(len(table)) > 0.2].reset_index(drop=True)
    steps = sequential.steps(design(table, CROSSED))
    indicator = [pd.get_dummies(table[c[0]]).to_numpy(float) for c in CROSSED]
    ones = np.ones((len(table), 1))
    projections = []
    for columns in (ones, np.hstack([ones, indicator[0]]), np.hstack([ones, *indicator])):
        projections.append(columns @ np.linalg.pinv(columns))
    spread = steps.spread(20000, seed=6)
    for j in range(2):
        part = projections[j + 1] - projections[j]
        assert steps.ranks[j] == round(np.trace(part))
        for k in range(j, 2):
            wanted = np.trace(part @ indicator[k] @ indicator[k].T)
            assert spread.shared[j, k].mean() == pytest.approx(wanted, rel=0.05)


def test_the_same_seed_gives_the_same_draws_and_units_scale():
    table = crossed(8, 3, 2, (1, 0.5, 0.4), seed=2)
    first = sequential.draws(design(table, CROSSED), n_draws=60, seed=1)
    again = sequential.draws(design(table, CROSSED), n_draws=60, seed=1)
    assert (first == again).all()
    moved = table.assign(value=1e6 + 10 * table["value"])
    scaled = sequential.draws(design(moved, CROSSED), n_draws=60, seed=1)
    assert scaled == pytest.approx(100 * first, rel=1e-6, abs=1e-9)


def test_refusals_say_what_is_left():
    table = crossed(8, 3, 2, (1, 0.5, 0.4), seed=2).assign(age=range(48))
    with pytest.raises(EstimateError, match="no fixed columns"):
        sequential.steps(design(table, CROSSED, fixed=["age"]))
    nested = table.assign(site=table["subject"] % 2)
    with pytest.raises(EstimateError, match="'site' explains nothing beyond"):
        sequential.steps(design(nested, [["subject"], ["site"]]))
    alone = table.assign(row=range(48))
    with pytest.raises(EstimateError, match="No degree of freedom is left"):
        sequential.steps(design(alone, [["subject"], ["row"]]))


def test_a_table_too_large_is_refused(monkeypatch):
    monkeypatch.setattr(sequential, "MOST_CELLS", 10)
    with pytest.raises(EstimateError, match="too large for generalised"):
        sequential.steps(design(crossed(8, 3, 2, (1, 1, 1)), CROSSED))


def test_factors_that_do_not_nest_have_a_limit_of_their_own(monkeypatch):
    monkeypatch.setattr(sequential, "MOST_WORK", 100.0)
    sequential.steps(design(crossed(8, 3, 2, (1, 1, 1)), [["subject"], ["subject", "rater"]]))
    with pytest.raises(EstimateError, match=r"do not lie within.*intervals='bootstrap'"):
        sequential.steps(design(crossed(8, 3, 2, (1, 1, 1)), CROSSED))


def test_spaces_of_nested_factors_are_those_of_a_dense_basis():
    """Levels unequal, cells empty: the projections of means against pseudo-inverses."""
    table = crossed(12, 4, 2, (1, 0.5, 0.4), seed=3).assign(site=lambda t: t["subject"] % 3)
    table = table[np.random.default_rng(4).random(len(table)) > 0.3].reset_index(drop=True)
    random = [["site"], ["subject"], ["rater"]]
    found = design(table, random)
    seen = sequential.steps(found).sums_of_squares(found.response[:, None])[:, 0]
    columns, before = np.ones((len(table), 1)), 0.0
    for position, name in enumerate(("site", "subject", "rater")):
        columns = np.hstack([columns, pd.get_dummies(table[name]).to_numpy(float)])
        # source: numpy lstsq on dummies, the sum of squares that they explain
        fitted = columns @ np.linalg.lstsq(columns, found.response, rcond=1e-10)[0]
        assert seen[position] == pytest.approx((fitted**2).sum() - before)
        before = float((fitted**2).sum())


def test_a_table_of_many_subjects_has_intervals():
    table = crossed(1500, 3, 1, (1, 0.2, 0.3), seed=4)
    draws = sequential.draws(design(table, CROSSED), n_draws=400, seed=1)
    low, high = np.quantile(np.sqrt(draws), [0.0005, 0.9995], axis=0)
    # planted truth: SD of the residual 0.3, of subjects 1 (crossed takes standard deviations)
    assert low[0] < 0.3 < high[0]
    assert low[1] < 1 < high[1]
    assert high[1] - low[1] < 0.2  # by hand: 7 SE of a SD from 1500 subjects, 1 / sqrt(3000)
