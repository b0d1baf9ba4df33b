"""Error variances and reliabilities from components, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.agreement.forms import CHANGE, Plan, error_variance, reliability_of

# by hand: ten in all without the site of raters
PARTS = {
    "participant": 3.0, "finger": 1.0, "scan": 2.0, "rater": 0.5, "rater_site": 4.0,
    "subject_rater": 1.5, "residual": 2.0,
}  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "error", "share"),
    [  # by hand: objects are participant + finger + scan = 6
        ("intra", 2.0, (6 + 0.5 + 1.5 + 4) / 14),
        ("consistency", 3.5, 6 / 9.5),
        ("agreement", 4.0, 0.6),
        ("new_site", 8.0, 6 / 14),
    ],
)
def test_one_reading_of_one_scan(kind, error, share):
    assert error_variance(PARTS, kind, Plan()) == pytest.approx(error)
    assert reliability_of(PARTS, kind, Plan()) == pytest.approx(share)


@pytest.mark.parametrize(
    ("kind", "error"),
    [  # by hand: 2 raters with 4 readings each
        ("intra", 2 / 4),
        ("consistency", 1.5 / 2 + 2 / 8),
        ("agreement", 0.5 / 2 + 1.5 / 2 + 2 / 8),
        ("new_site", 4 + 0.5 / 2 + 1.5 / 2 + 2 / 8),
    ],
)
def test_the_mean_of_raters_and_readings(kind, error):
    assert error_variance(PARTS, kind, Plan(2, 4)) == pytest.approx(error)


def test_a_new_scan_moves_the_scans_to_the_error():
    plan = Plan(2, 1, "new_scan")
    # by hand: 2 + 0.5/2 + 1.5/2 + 2/2 = 4; objects 4
    assert error_variance(PARTS, "agreement", plan) == pytest.approx(4.0)
    assert reliability_of(PARTS, "agreement", plan) == pytest.approx(0.5)


def test_absent_components_are_zero_and_arrays_go_through():
    parts = {"participant": np.array([1.0, 0.0, -1.0]), "residual": np.array([1.0, 0.0, 1.0])}
    assert error_variance(parts, "agreement", Plan()) == pytest.approx([1, 0, 1])
    # by hand: half, undefined, and a negative draw cut off at zero
    assert reliability_of(parts, "agreement", Plan()) == pytest.approx(
        [0.5, np.nan, 0], nan_ok=True
    )


def test_sums_are_cut_off_only_after_they_are_put_together():
    parts = {"residual": 1.0, "subject_rater": -0.4, "rater": -0.1}
    assert error_variance(parts, "agreement", Plan()) == pytest.approx(0.5)  # by hand
    # by hand: at the least half of the residual part
    assert error_variance(parts | {"rater": -2.0}, "agreement", Plan()) == pytest.approx(0.5)
    assert error_variance(parts | {"rater": -2.0}, "agreement", Plan(1, 4)) == pytest.approx(0.125)


def test_smallest_change_is_the_usual_factor():
    # source: Weir 2005: SDC = 1.96 sqrt(2) SEM; 2.77 in Bland & Altman 1999
    assert pytest.approx(2.77, abs=0.005) == CHANGE
