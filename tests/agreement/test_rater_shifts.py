"""Shifts, shrunken shifts and drift: least squares, planted truth, what cannot be known."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.regression.linear_model import OLS

from cohortkit.agreement.rater_shifts import drift, shifts, shrunken


def table(n=60, k=4, *, effects=(0.2, 0.0, -0.1, -0.1), slope=0.0, seed=1):
    """Invented: k raters read n scans of n / 2 participants in an order of their own."""
    rng = np.random.default_rng(seed)
    subject, rater = np.repeat(np.arange(n), k), np.tile(np.arange(k), n)
    order = np.concatenate([rng.permutation(n) for _ in range(k)]).reshape(k, n).T.ravel()
    value = 2 + rng.standard_normal(n)[subject] + np.array(effects)[rater]
    value = value + slope * (rater == 0) * order + 0.1 * rng.standard_normal(n * k)
    return value, subject, rater, order.astype(float), subject // 2


def test_shifts_and_errors_are_those_of_clustered_least_squares():
    value, subject, rater, _, cluster = table()
    found = shifts(value, subject, rater, cluster)
    x = np.hstack([np.eye(60)[subject], np.eye(4)[rater][:, 1:]])
    fit = OLS(value, x).fit(
        cov_type="cluster", cov_kwds={"groups": cluster, "use_correction": False}
    )
    # source: statsmodels 0.15, OLS with dummies and clustered covariance, times k / (k - 1)
    against_first = found.value[1:] - found.value[0]
    assert against_first == pytest.approx(fit.params[60:])
    contrast = np.hstack([-np.ones((3, 1)), np.eye(3)])
    ours = contrast @ found.covariance @ contrast.T
    theirs = fit.cov_params()[60:, 60:] * 30 / 29
    assert ours == pytest.approx(theirs)
    assert found.value.sum() == pytest.approx(0, abs=1e-12)
    assert found.df == 29


def test_planted_shifts_lie_in_their_intervals_as_often_as_said():
    held = 0
    for seed in range(200):
        value, subject, rater, _, cluster = table(seed=seed)
        low, high = shifts(value, subject, rater, cluster).limits(0.95)
        # planted truth: 0.2, 0, -0.1, -0.1, whose mean is 0
        held += np.mean((low <= [0.2, 0, -0.1, -0.1]) & (high >= [0.2, 0, -0.1, -0.1]))
    # by hand: 800 intervals of 95 %, band of four standard errors of 200 tables
    assert held / 200 == pytest.approx(0.95, abs=0.045)


def test_shrinkage_draws_noise_to_zero_and_leaves_large_shifts():
    value, subject, rater, _, cluster = table(effects=(0.0, 0.0, 0.0, 0.0), seed=3)
    noisy = shifts(value, subject, rater, cluster)
    small, *_, spread = shrunken(noisy, 0.95)
    assert np.abs(small).sum() < np.abs(noisy.value).sum()
    assert spread < 0.03
    value, subject, rater, _, cluster = table(effects=(1.0, 0.5, -0.5, -1.0))
    large = shifts(value, subject, rater, cluster)
    kept, low, high, _ = shrunken(large, 0.95)
    assert kept == pytest.approx(large.value, abs=0.02)
    assert ((low < kept) & (kept < high)).all()


def test_three_raters_have_no_shrunken_interval():
    value, subject, rater, _, cluster = table(k=3, effects=(0.1, 0, -0.1))
    assert np.isnan(shrunken(shifts(value, subject, rater, cluster), 0.95)[1]).all()


def test_planted_drift_of_one_rater_is_found():
    value, subject, rater, order, cluster = table(slope=0.01)
    found = drift(value, subject, rater, order, cluster)
    low, high = found.limits(0.95)
    # planted truth: 0.01 mm per reading for the first rater, none for the others
    assert low[0] < 0.01 < high[0]
    assert low[0] > 0.005
    assert ((low[1:] < 0) & (high[1:] > 0)).sum() >= 2


def test_drift_in_an_order_shared_by_all_cannot_be_known():
    value, subject, rater, _, cluster = table()
    assert not drift(value, subject, rater, subject.astype(float), cluster).known.any()
    assert not drift(value, subject, rater, np.ones(len(value)), cluster).known.any()


def random_table(seed):
    """Invented: 10 to 199 subjects, 2 to 10 raters, 0 or 20 % of the readings missing."""
    rng = np.random.default_rng(seed)
    n, k = int(rng.integers(10, 200)), 2 + seed % 9
    subject, rater = np.repeat(np.arange(n), k), np.tile(np.arange(k), n)
    value = 2 + rng.standard_normal(n)[subject] + 0.3 * rng.standard_normal(k)[rater]
    value = value + 0.2 * rng.standard_normal(n * k)
    order = rng.permutation(n * k).astype(float)
    kept = rng.random(n * k) >= 0.2 * (seed % 2)
    rows = [a[kept] for a in (value, subject, rater, order)]
    _, rows[1] = np.unique(rows[1], return_inverse=True)
    return *rows, rows[1] // (1 + seed % 3)


def least_squares(value, x, cluster):
    """Estimates and clustered covariance with dummies of all subjects, by the textbook."""
    inverse = np.linalg.inv(x.T @ x)
    found = inverse @ (x.T @ value)
    order, size = np.argsort(cluster, kind="stable"), len(np.unique(cluster))
    scores = (x * (value - x @ found)[:, None])[order]
    scores = np.add.reduceat(scores, np.unique(cluster[order], return_index=True)[1])
    return found, inverse @ (scores.T @ scores) @ inverse * size / (size - 1)


def test_the_textbook_formula_is_what_statsmodels_computes():
    value, subject, rater, _, cluster = random_table(3)
    x = np.hstack([np.eye(int(subject.max()) + 1)[subject], np.eye(5)[rater][:, 1:]])
    fit = OLS(value, x).fit(
        cov_type="cluster", cov_kwds={"groups": cluster, "use_correction": False}
    )
    found, covariance = least_squares(value, x, cluster)
    size = len(np.unique(cluster))
    # source: statsmodels 0.15, OLS with clustered covariance, times k / (k - 1)
    assert found == pytest.approx(fit.params)
    assert covariance == pytest.approx(fit.cov_params() * size / (size - 1))


@pytest.mark.parametrize("seed", range(270))
def test_shifts_of_random_designs_are_those_of_dense_least_squares(seed):
    value, subject, rater, _, cluster = random_table(seed)
    k = int(rater.max()) + 1
    found = shifts(value, subject, rater, cluster)
    coding = np.vstack([np.eye(k - 1), -np.ones(k - 1)])  # deviation coding: sums to 0
    params, cov = least_squares(
        value, np.hstack([coding[rater], np.eye(int(subject.max()) + 1)[subject]]), cluster
    )
    # source: dense least squares of this page, held against statsmodels 0.15 above
    expected = coding @ cov[: k - 1, : k - 1] @ coding.T
    assert found.value == pytest.approx(coding @ params[: k - 1], abs=1e-9)
    assert found.covariance == pytest.approx(expected, rel=1e-6, abs=1e-12)
    low, high = found.limits(0.95)
    assert ((low < found.value) & (found.value < high)).all()
    _shrunken_is_the_posterior_mean(found)


def _shrunken_is_the_posterior_mean(found):
    """Shifts against the last rater, with the prior that they have there: ordinary normal BLUP."""
    k = len(found.value)
    value, *_, spread = shrunken(found, 0.95)
    against = np.hstack([np.eye(k - 1), -np.ones((k - 1, 1))])
    prior = spread**2 * against @ against.T
    noise = against @ found.covariance @ against.T
    # by hand: normal prior and normal error, E[u | b] = P (P + V)^-1 b (Henderson 1975)
    seen = against @ found.value
    assert against @ value == pytest.approx(prior @ np.linalg.solve(prior + noise, seen), abs=1e-8)
    assert value.sum() == pytest.approx(0, abs=1e-10)


@pytest.mark.parametrize("seed", range(60))
def test_drift_of_random_designs_is_that_of_dense_least_squares(seed):
    value, subject, rater, order, cluster = random_table(seed)
    k = int(rater.max()) + 1
    found = drift(value, subject, rater, order + 1e7 * (seed % 4 == 3), cluster)
    dummies = np.eye(k)[rater]
    slopes = dummies * (order - order.mean())[:, None]
    x = np.hstack([slopes, dummies[:, 1:], np.eye(int(subject.max()) + 1)[subject]])
    params, cov = least_squares(value, x, cluster)
    assert found.known.all()
    # source: dense least squares of this page, held against statsmodels 0.15 above
    assert found.value == pytest.approx(params[:k], rel=1e-6, abs=1e-10)
    assert found.covariance == pytest.approx(cov[:k, :k], rel=1e-5, abs=1e-14)


def test_one_rater_has_a_shift_of_zero():
    found = shifts(np.array([1.0, 2.0, 4.0]), np.arange(3), np.zeros(3, int), np.arange(3))
    assert found.value.tolist() == [0.0]  # by hand: the only number that sums to 0
    assert not found.known.any()
