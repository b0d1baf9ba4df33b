"""The arithmetic of the correction for partial verification."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.thresholds.begg_greenes import correct, side

HIT = np.array([True] * 6 + [False] * 6)
TORN = np.array([True] * 5 + [False] + [True] + [False] * 5)
SEEN = np.array([True] * 6 + [True] * 3 + [False] * 3)


def test_by_hand():
    found = correct(HIT, TORN, SEEN, np.arange(12))
    # by hand: t 1/2, v1 5/6, v0 1/3: (5/6)/(5/6 + 1/3), (2/3)/(2/3 + 1/6), (5/6 + 1/3)/2
    assert found["sensitivity"].value == pytest.approx(5 / 7)
    assert found["specificity"].value == pytest.approx(4 / 5)
    assert found["prevalence"].value == pytest.approx(7 / 12)


def test_variance_of_the_logit_is_the_published_formula():
    found = correct(HIT, TORN, SEEN, np.arange(12))
    # source: Zhou 1993: 1/(n t (1-t)) + (1-v1)/(n1 v1) + (1-v0)/(n0 v0), and its mirror
    expected = 1 / (12 / 4) + (1 / 6) / (6 * 5 / 6) + (2 / 3) / (3 / 3)
    assert (found["sensitivity"].linear ** 2).sum() == pytest.approx(expected)
    mirror = 1 / (12 / 4) + (5 / 6) / (6 / 6) + (1 / 3) / (3 * 2 / 3)
    assert (found["specificity"].linear ** 2).sum() == pytest.approx(mirror)


def test_linear_terms_are_derivatives():
    """Moving one row's weight a little moves the logit by the row's linear term."""
    found = correct(HIT, TORN, SEEN, np.arange(12))
    step = 1e-6
    for i in (0, 5, 6, 7, 11):
        weight = np.ones(12)
        weight[i] += step
        t = weight[HIT].sum() / weight.sum()
        v1, v0 = (
            (weight * TORN)[rows].sum() / weight[rows].sum() for rows in (HIT & SEEN, ~HIT & SEEN)
        )
        moved = {
            "sensitivity": t * v1 / (t * v1 + (1 - t) * v0),
            "specificity": (1 - t) * (1 - v0) / (1 - t * v1 - (1 - t) * v0),
            "prevalence": t * v1 + (1 - t) * v0,
        }
        for name, value in moved.items():
            before = found[name].value
            change = np.log(value / (1 - value)) - np.log(before / (1 - before))
            assert change / step == pytest.approx(found[name].linear[i], abs=1e-4)


def test_a_share_at_its_bound_gets_half_a_participant_in_each_state():
    found = side(np.ones(8, bool), np.zeros(8, bool), np.repeat(np.arange(4), 2))
    # by hand: 0 of 4 participants, (0 + 1/2) / 5 = 0.1, variance 0.1 * 0.9 / 5
    assert (found.share, found.centre) == (0, pytest.approx(0.1))
    assert found.extra == pytest.approx(0.1 * 0.9 / 5)
    assert not found.linear.any()


def test_limits_hold_the_value_and_open_up_with_one_participant():
    torn = TORN & HIT
    found = correct(HIT, torn, SEEN, np.arange(12))["sensitivity"]
    assert found.value == 1
    low, high = found.limits(np.arange(12), 0.95)
    assert low < 1 == high
    assert np.isnan(found.limits(np.zeros(12, int), 0.95)).all()


def test_nobody_torn_leaves_no_sensitivity():
    found = correct(HIT, np.zeros(12, bool), SEEN, np.arange(12))
    assert np.isnan(found["sensitivity"].value)
    assert np.isnan(found["sensitivity"].limits(np.arange(12), 0.95)).all()
    assert found["prevalence"].value == 0
