"""Points of the empirical ROC curve."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import roc_curve

from cohortkit.thresholds.curve import clustered_variance, components, roc_points


@pytest.mark.parametrize("seed", range(10))
def test_points_agree_with_a_foreign_library(seed):
    generator = np.random.default_rng(seed)
    value = generator.integers(0, 15, 80) / 10
    positive = generator.random(80) < 0.3
    points = roc_points(value, positive)
    # source: sklearn.metrics.roc_curve, scikit-learn 1.9.1, run here on the same rows
    false, true, cuts = roc_curve(positive, value, drop_intermediate=False)
    assert points.sensitivity[::-1] == pytest.approx(true, abs=1e-12)
    assert (1 - points.specificity)[::-1] == pytest.approx(false, abs=1e-12)
    assert points.up_to[::-1][1:] == pytest.approx(cuts[1:], abs=1e-12)


def test_a_gap_at_the_cut_is_positive():
    value = np.array([1.0, 2.0, 2.0, 4.0])
    positive = np.array([False, False, True, True])
    points = roc_points(value, positive).to_frame()
    # by hand: cuts between 1 and 2 call the last three positive, cuts between 2 and 4 the last
    assert points["cut"].tolist() == [-np.inf, 1.5, 3.0, np.inf]
    assert points["sensitivity"].tolist() == [1, 1, 0.5, 0]
    assert points["specificity"].tolist() == [0, 0.5, 1, 1]
    for row in points[1:-1].itertuples():
        assert (value >= row.up_to).tolist() == (value >= row.cut).tolist()
        assert (value >= row.above).tolist() != (value >= row.cut).tolist()


def test_cuts_above_an_unseen_gap_start_at_the_lowest_seen_one():
    points = roc_points(np.array([-np.inf, 0.5, 1.5]), np.array([False, False, True]))
    assert points.cut.tolist() == [-np.inf, 0.5, 1.0, np.inf]


def test_one_level_gives_the_two_trivial_points():
    points = roc_points(np.array([2.0, 2.0]), np.array([True, False]))
    assert points.cut.tolist() == [-np.inf, np.inf]
    assert points.sensitivity.tolist() == [1, 0]


def test_components_by_hand():
    value = np.array([3.0, 1.0, 1.0, 2.0])
    parts = components(value, np.array([True, True, False, False]), np.arange(4))
    # by hand: 3 lies above both; 1 ties with 1 and lies below 2
    assert parts.positive.tolist() == [1.0, 0.25]
    assert parts.negative.tolist() == [0.75, 0.5]
    assert parts.area == 0.625


def test_half_a_participant_in_each_class_by_hand():
    parts = components(
        np.array([3.0, 4.0, 1.0, 2.0]), np.array([True, True, False, False]), np.arange(4)
    )
    area, variance = clustered_variance(parts, 0.5)
    # by hand: area (2 * 1 + 0.5 * 0.5) / 2.5 = 0.9 in both classes; each class has squares
    # 2 * 0.1^2 + (0.5 * 0.4)^2 = 0.06, so variance 2 * (3/2) * 0.06 / 2.5^2
    assert area == pytest.approx(0.9)
    assert variance == pytest.approx(2 * 1.5 * 0.06 / 2.5**2)


def test_no_variance_from_one_participant():
    parts = components(np.array([3.0, 1.0, 2.0]), np.array([True, False, False]), np.arange(3))
    assert np.isnan(clustered_variance(parts)[1])
