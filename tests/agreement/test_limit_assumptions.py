"""The checks of limits of agreement as estimates, lines and bands."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from cohortkit.agreement import (
    limit_assumptions,
    limits_clustered,
    limits_of_agreement,
    limits_ratio,
    limits_regression,
    limits_replicates,
    limits_with_mean,
)
from cohortkit.agreement.limit_assumptions import quantile_band
from cohortkit.agreement.limit_checks import normal_quantiles
from cohortkit.errors import EstimateError


def readings(n, seed=0, *, slope=0.0, growth=0.0, fingers=1, raters=2, reads=1):
    """Gaps of 1 to 5 mm; rater 1 reads `slope` of the gap more, errors grow by `growth`."""
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        [
            {
                "participant_id": f"p{i:04}",
                "scan_id": f"p{i:04} {f}",
                "rater_id": r,
                "read_no": k,
                "gap_mm": gap * (1 + slope * (r == 1)) + rng.normal(0, 0.1 + growth * gap),
            }
            for i in range(n)
            for f in range(fingers)
            for gap in [rng.uniform(1, 5)]
            for r in range(raters)
            for k in range(reads)
        ]
    )


def codes(result):
    return {c.code for c in result.cautions}


def test_slopes_and_intervals_are_those_of_a_regression():
    limits = limits_of_agreement(readings(40, growth=0.05))
    found = limit_assumptions(limits)
    pairs = limits.pairs
    # source: statsmodels OLS, statsmodels 0.15
    fit = sm.OLS(pairs["difference"], sm.add_constant(pairs["mean"])).fit()
    slope = found["difference_slope"]
    assert slope.value == pytest.approx(fit.params["mean"], rel=1e-9)
    assert (slope.lower, slope.upper) == pytest.approx(fit.conf_int().loc["mean"], rel=1e-9)
    away = sm.OLS(np.abs(fit.resid), sm.add_constant(pairs["mean"])).fit()
    spread = found["spread_slope"]
    assert spread.value == pytest.approx(away.params["mean"], rel=1e-9)
    assert (spread.lower, spread.upper) == pytest.approx(away.conf_int().loc["mean"], rel=1e-9)
    p = found.checks.set_index("check")["p_value"]
    assert p["difference_on_mean"] == pytest.approx(fit.pvalues["mean"], rel=1e-9)
    assert p["absolute_residual_on_mean"] == pytest.approx(away.pvalues["mean"], rel=1e-9)
    # source: scipy.stats.shapiro, scipy 1.17
    assert found["normality_w"].value == pytest.approx(
        stats.shapiro(pairs["difference"]).statistic, abs=1e-9
    )
    assert slope.n_participants == 40
    # source: statsmodels OLS, band of the fitted mean
    line = found.lines[found.lines["check"] == "difference_on_mean"]
    at = sm.add_constant(line["mean"].to_numpy(), has_constant="add")
    band = fit.get_prediction(at).conf_int()
    assert line[["lower", "upper"]].to_numpy() == pytest.approx(band, rel=1e-9)


def test_a_planted_slope_and_growth_are_recovered():
    found = limit_assumptions(limits_of_agreement(readings(4000, slope=-0.1, growth=0.05)))
    # planted truth: rater 1 reads 0.9 of the gap: 0.1 over the mean factor 0.95
    assert found["difference_slope"].value == pytest.approx(0.1 / 0.95, abs=0.02)
    # planted truth: SD of a difference grows by about sqrt(2) 0.05, times sqrt(2 / pi) absolute
    assert found["spread_slope"].value == pytest.approx(0.1 / math.sqrt(math.pi), abs=0.01)
    assert {"difference_depends_on_size", "spread_depends_on_size"} <= codes(found)


def test_only_the_cautions_of_the_checks_are_passed_on():
    limits = limits_of_agreement(readings(12))
    assert "few_participants" in codes(limits)
    assert codes(limit_assumptions(limits)) == set()


def test_participants_are_the_points():
    limits = limits_clustered(readings(20, fingers=3))
    found = limit_assumptions(limits)
    assert len(found.points) == len(found.quantiles) == 20
    assert found["difference_slope"].n_participants == 20
    # by hand: mean of the pairs of each participant
    by = limits.pairs.groupby("participant")["difference"].mean()
    assert sorted(found.points["difference"]) == pytest.approx(sorted(by))


def test_replicates_ratios_and_lines_are_checked_on_their_own_scale():
    repeats = limits_replicates(readings(20, reads=2))
    assert len(limit_assumptions(repeats).points) == 20
    ratio = limits_ratio(readings(60, growth=0.1))
    assert limit_assumptions(ratio).settings["scale"] == "log"
    lines = limits_regression(readings(300, slope=0.3, growth=0.1), n_boot=50)
    found = limit_assumptions(lines)
    # planted truth: measured by the spread at their size, normal differences have SD 1
    assert found.quantiles["observed"].std() == pytest.approx(1, abs=0.1)
    assert "differences_not_normal" not in codes(found)


def test_differences_that_fan_out_are_normal_about_their_lines():
    """Fanning differences as such are heavy-tailed; measured by the spread they are not."""
    rng = np.random.default_rng(5)
    size = rng.uniform(1, 9, 400)
    half = size * 0.05 * rng.standard_normal(400)
    rows = pd.DataFrame(
        {
            "participant_id": [f"p{i}" for i in range(400)] * 2,
            "scan_id": [f"s{i}" for i in range(400)] * 2,
            "rater_id": [0] * 400 + [1] * 400,
            "gap_mm": [*(size + half), *(size - half)],
        }
    )
    assert "differences_not_normal" in codes(limits_of_agreement(rows))
    assert "differences_not_normal" not in codes(limits_regression(rows, n_boot=50))


def test_limits_with_the_mean_have_spread_and_shape_but_no_slope():
    found = limit_assumptions(limits_with_mean(readings(30, raters=4, growth=0.1)))
    assert [e.name for e in found] == ["spread_slope", "normality_w"]
    assert len(found.quantiles) == 30
    assert found.points["difference"].isna().all()


class TestBand:
    @pytest.mark.parametrize("n", [5, 30, 100])
    def test_it_holds_whole_samples_as_often_as_it_says(self, n):
        rng = np.random.default_rng(9)
        inside = 0
        band = quantile_band(normal_quantiles(rng.standard_normal(n)), 0.95, 0)
        spread, centre = band["observed"].std(ddof=1), band["observed"].mean()
        low, high = ((band[c] - centre) / spread for c in ("lower", "upper"))
        for _ in range(4000):
            x = np.sort(rng.standard_normal(n))
            z = (x - x.mean()) / x.std(ddof=1)
            inside += bool((z >= low.to_numpy()).all() and (z <= high.to_numpy()).all())
        # by hand: 4 Monte Carlo errors of 0.34 points about 95 %
        assert abs(inside / 4000 - 0.95) < 0.014

    def test_a_skewed_sample_leaves_it(self):
        sample = np.random.default_rng(1).gamma(1.0, 1.0, 60)
        band = quantile_band(normal_quantiles(sample), 0.95, 0)
        assert ((band["observed"] < band["lower"]) | (band["observed"] > band["upper"])).any()

    def test_the_same_seed_gives_the_same_band(self):
        limits = limits_of_agreement(readings(15))
        first, again = (limit_assumptions(limits, seed=4).quantiles for _ in range(2))
        pd.testing.assert_frame_equal(first, again)

    def test_few_or_equal_values_have_none(self):
        for sample in (np.array([0.0, 1.0, 2.0]), np.zeros(9)):
            band = quantile_band(normal_quantiles(sample), 0.95, 0)
            assert band["lower"].isna().all()


class TestEdges:
    @pytest.mark.parametrize("n", [2, 3])
    def test_too_few_participants_are_refused(self, n):
        with pytest.raises(EstimateError, match="cannot be checked"):
            limit_assumptions(limits_of_agreement(readings(n)))

    def test_equal_readings_are_refused(self):
        same = readings(10)
        same["gap_mm"] = same.groupby("scan_id")["gap_mm"].transform("first")
        with pytest.raises(EstimateError, match="cannot be checked"):
            limit_assumptions(limits_of_agreement(same))

    def test_from_four_participants_there_are_slopes_and_from_eight_a_test(self):
        assert len(limit_assumptions(limits_of_agreement(readings(4))).estimates) == 2
        assert len(limit_assumptions(limits_of_agreement(readings(8))).estimates) == 3

    def test_an_offset_changes_nothing_that_is_checked(self):
        rows = readings(20)
        rows["gap_mm"] = np.round(rows["gap_mm"] * 64) / 64
        here = limit_assumptions(limits_of_agreement(rows))
        there = limit_assumptions(limits_of_agreement(rows.assign(gap_mm=rows["gap_mm"] + 1e10)))
        for name in ("difference_slope", "spread_slope", "normality_w"):
            assert there[name].value == pytest.approx(here[name].value, rel=1e-4)
