"""The error in per cent of the mean knows that the mean is an estimate."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement.relative_error import mean_draws, no_ratio, open_ratio, per_cent


def test_draws_have_the_variance_of_the_mean():
    rows = pd.DataFrame({"value": [1.0, 2.0, 3.0, 6.0], "site": [0, 0, 0, 1]})
    draws = pd.DataFrame({"residual": np.full(40_000, 0.4), "site": np.full(40_000, 1.6)})
    found = mean_draws(rows, draws, seed=1)
    # by hand: 1.6 (9 + 1) / 16 + 0.4 / 4 = 1.1
    assert found.var() == pytest.approx(1.1, rel=0.03)
    assert found.mean() == pytest.approx(3.0, abs=0.03)  # by hand
    assert np.array_equal(found, mean_draws(rows, draws, seed=1))


def test_a_negative_draw_leaves_half_of_the_residual_part():
    rows = pd.DataFrame({"value": np.ones(4), "site": [0, 0, 1, 1]})
    draws = pd.DataFrame({"residual": np.full(40_000, 0.4), "site": np.full(40_000, -9.0)})
    # by hand: half of 0.4 / 4
    assert mean_draws(rows, draws, seed=1).var() == pytest.approx(0.05, rel=0.03)


def test_a_ratio_to_nothing_is_open():
    assert per_cent(np.array([0.1, 0.1]), np.array([2.0, -1.0])).tolist() == [5.0, np.inf]
    assert float(per_cent(np.array(0.1), 2.0)) == 5.0  # by hand
    assert [c.code for c in open_ratio([4.0, np.inf])] == ["cv_open"]
    assert open_ratio([4.0]) == []


def test_values_at_or_below_zero_are_counted():
    found = no_ratio(pd.Series([1.0, 0.0, -2.0]))
    assert found[0].code == "cv_left_out"
    assert "2 of 3 values" in found[0].message
    assert no_ratio(pd.Series([1.0, 2.0])) == []
