"""Limits of agreement against published data, a second route and themselves."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from cohortkit.agreement import limits_of_agreement
from cohortkit.agreement.limits import interval_factors, limit_factors, tolerance_factor
from cohortkit.errors import EstimateError
from tests.agreement.reads import OWN, invented, long

NAMES = ["bias", "sd_difference", "lower_limit", "upper_limit"]


def pairs(first, second, names=("first", "second")):
    return long(np.column_stack([first, second]), raters=list(names))


def triple(estimate):
    return [estimate.value, estimate.lower, estimate.upper]


def codes(result):
    return {c.code for c in result.cautions}


def test_bland_and_altman_1986(repository):
    oracle = json.loads((repository / "tests/oracles/bland_altman_1986.json").read_text())
    data = pairs(oracle["large"], oracle["mini"], ("large", "mini"))
    result = limits_of_agreement(data, raters=("large", "mini"), **OWN)
    for name, expected in oracle["expected"].items():
        assert triple(result[name]) == pytest.approx(expected, abs=oracle["tolerance"])
    assert result["sd_difference"].value == pytest.approx(oracle["sd_difference"], abs=1e-6)
    for name, printed in oracle["printed"].items():
        assert round(result[name].value, 1) == printed


CASES = {
    "b01_pefr": ("pefr.csv", "wright1", "mini1"),
    "b02_sbp_J1_S1": ("sbp.csv", "J1", "S1"),
    "b06_milk": ("milk.csv", "trig", "gerber"),
    "b07_plvol": ("plvol.csv", "nadler", "hurley"),
    "b09_giavarina": ("giavarina.csv", "A", "B"),
}
CHECKED = {
    "bias": "bias",
    "sd_diff": "sd_difference",
    "loa_lower_ci_exact_single": "lower_limit",
    "loa_upper_ci_exact_single": "upper_limit",
}


@pytest.mark.parametrize("case", CASES)
def test_check_values(check_values, case):
    file, first, second = CASES[case]
    expected = pd.read_csv(check_values / "expected.csv").set_index(["case", "statistic"]).loc[case]
    data = pd.read_csv(check_values / "data" / file)
    result = limits_of_agreement(
        pairs(data[first], data[second], (first, second)), raters=(first, second), **OWN
    )
    for statistic, name in CHECKED.items():
        row = expected.loc[statistic]
        found = triple(result[name]) if pd.notna(row["ci_low"]) else [result[name].value]
        wanted = row[["value", "ci_low", "ci_high"]].astype(float).tolist()[: len(found)]
        assert found == pytest.approx(wanted, abs=row["tolerance"])
    if "reg_slope_p" in expected.index:
        dependent = expected.loc["reg_slope_p", "value"] < 0.05
        assert ("difference_depends_on_size" in codes(result)) == dependent
        fans_out = expected.loc["absres_slope_p", "value"] < 0.05
        assert ("spread_depends_on_size" in codes(result)) == fans_out


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize(
    ("interval", "suffix"), [("approximate", "approx1999"), ("joint", "exact_pair")]
)
def test_check_values_of_the_other_intervals(check_values, case, interval, suffix):
    file, first, second = CASES[case]
    expected = pd.read_csv(check_values / "expected.csv").set_index(["case", "statistic"]).loc[case]
    data = pd.read_csv(check_values / "data" / file)
    reads = pairs(data[first], data[second], (first, second))
    result = limits_of_agreement(reads, raters=(first, second), interval=interval, **OWN)
    for side in ("lower", "upper"):
        name = f"loa_{side}_ci_{suffix}"
        if name not in expected.index:
            pytest.skip("these data have no such figure")
        row = expected.loc[name]
        wanted = row[["value", "ci_low", "ci_high"]].astype(float).tolist()
        # source: check values, R 4.2.2 and numpy/scipy
        assert triple(result[f"{side}_limit"]) == pytest.approx(wanted, abs=row["tolerance"])


@pytest.mark.parametrize(("n", "z", "confidence"), [(5, 1.959964, 0.975), (30, 1.644854, 0.5)])
def test_tolerance_factor_holds_the_share_as_often_as_it_says(n, z, confidence):
    rng = np.random.default_rng(4)
    mean = rng.standard_normal(200_000) / math.sqrt(n)
    half = tolerance_factor(n, z, confidence) * np.sqrt(rng.chisquare(n - 1, 200_000) / (n - 1))
    held = stats.norm.cdf(mean + half) - stats.norm.cdf(mean - half)
    # planted truth: the share of samples whose band holds 2 Phi(z) - 1, four standard errors
    found = float((held >= 2 * stats.norm.cdf(z) - 1).mean())
    assert found == pytest.approx(confidence, abs=4 * math.sqrt(confidence / 200_000))


def test_approximate_interval_is_too_narrow_outwards():
    exact, usual = (interval_factors(10, 1.96, 0.95, way) for way in ("exact", "approximate"))
    assert exact[1] > usual[1]
    assert exact[0] > usual[0]


@pytest.mark.parametrize("n", [2, 3, 10, 85])
@pytest.mark.parametrize("z", [-1.959964, 0.0, 1.644854])
def test_factors_by_integration_of_the_defining_probability(n, z):
    """P(mean + f SD <= mu + z sigma), integrated over the distribution of the SD."""
    for factor, tail in zip(limit_factors(n, z, 0.95), (0.975, 0.025), strict=True):
        probability, _ = integrate.quad(
            lambda s, f=factor: (
                stats.norm.cdf((z - f * s) * math.sqrt(n))
                * stats.chi.pdf(s * math.sqrt(n - 1), n - 1)
                * math.sqrt(n - 1)
            ),
            0,
            12,
            limit=400,
        )
        # by hand: the lower limit lies below the truth in 97.5 %, the upper in 2.5 %
        assert probability == pytest.approx(tail, abs=2e-6)


def test_large_samples_keep_their_accuracy():
    """Where tables of the non-central t give out the normal approximation takes over."""
    n, z = 20_000, 1.959964
    low, high = limit_factors(n, z, 0.95)
    # source: Bland & Altman 1999, SE of a limit = SD sqrt(1 / n + z^2 / (2 (n - 1)))
    half = 1.959964 * math.sqrt(1 / n + z**2 / (2 * (n - 1)))
    assert (low, high) == pytest.approx((z - half, z + half), abs=2e-4)


def test_limits_are_bias_and_spread():
    values = invented(25, 2)
    result = limits_of_agreement(long(values), **OWN)
    difference = values[:, 0] - values[:, 1]
    assert result["bias"].value == pytest.approx(difference.mean())
    # by hand: 1.96 SD either side, 1.959964 to six decimals
    half = (result["upper_limit"].value - result["lower_limit"].value) / 2
    assert half == pytest.approx(1.959964 * difference.std(ddof=1), rel=1e-6)  # by hand: above
    # source: scipy 1.17, one-sample t interval
    interval = stats.ttest_1samp(difference, 0).confidence_interval(0.95)
    assert [result["bias"].lower, result["bias"].upper] == pytest.approx(list(interval))


def test_coverage_moves_the_limits_and_not_the_bias():
    data = long(invented(25, 2))
    narrow = limits_of_agreement(data, coverage=0.8, **OWN)
    wide = limits_of_agreement(data, coverage=0.99, **OWN)
    assert wide["lower_limit"].value < narrow["lower_limit"].value
    assert triple(wide["bias"]) == triple(narrow["bias"])


def test_swapping_the_raters_mirrors_everything():
    data = long(invented(12, 2))
    here = limits_of_agreement(data, raters=("r0", "r1"), **OWN)
    there = limits_of_agreement(data, raters=("r1", "r0"), **OWN)
    assert there["bias"].value == pytest.approx(-here["bias"].value)
    mirrored = [-x for x in triple(here["upper_limit"])]
    assert triple(there["lower_limit"]) == pytest.approx([mirrored[0], mirrored[2], mirrored[1]])
    assert there.pairs["mean"].tolist() == pytest.approx(here.pairs["mean"].tolist())


@pytest.mark.parametrize("scale", [1e-6, 1e6])
def test_scaling_scales_every_figure(scale):
    values = invented(12, 2)
    here = limits_of_agreement(long(values), **OWN)
    there = limits_of_agreement(long(values * scale), **OWN)
    for name in NAMES:
        assert np.array(triple(there[name])) / scale == pytest.approx(triple(here[name]))
    assert codes(here) == codes(there)


def test_an_offset_of_ten_billion_changes_nothing():
    eighths = np.round(invented(12, 2) * 8) / 8
    here = limits_of_agreement(long(eighths), **OWN)
    there = limits_of_agreement(long(eighths + 1e10), **OWN)
    for name in NAMES:
        assert triple(there[name]) == pytest.approx(triple(here[name]), rel=1e-9)
    assert codes(here) == codes(there)


def test_order_of_rows_changes_nothing():
    data = long(invented(12, 2))
    shuffled = limits_of_agreement(data.sample(frac=1, random_state=3), **OWN)
    assert shuffled.to_dict() == limits_of_agreement(data, **OWN).to_dict()


def test_pairs_are_what_the_figure_draws():
    data = long([[1.0, 2.0], [4.0, 3.0]], subjects=["x", "y"]).assign(person=["p", "p", "q", "q"])
    result = limits_of_agreement(data, **OWN | {"participant": "person"})
    expected = {
        "subject": ["x", "y"],
        "participant": ["p", "q"],
        "mean": [1.5, 3.5],
        "difference": [-1.0, 1.0],
    }
    assert result.pairs.to_dict("list") == expected


def test_more_than_two_raters_must_be_named():
    data = long(invented(10, 3))
    with pytest.raises(EstimateError, match="r0, r1, r2"):
        limits_of_agreement(data, **OWN)
    result = limits_of_agreement(data, raters=("r2", "r0"), **OWN)
    assert result.settings["raters"] == ["r2", "r0"]
    assert result["bias"].n_readings == 20


def test_a_third_raters_missing_read_does_not_matter():
    data = long(invented(10, 3))
    data.loc[data["rater"] == "r2", "value"] = np.nan
    assert limits_of_agreement(data, raters=("r0", "r1"), **OWN)["bias"].n_participants == 10


@pytest.mark.parametrize("n", [0, 1])
def test_no_or_one_pair_is_too_few(n):
    with pytest.raises(EstimateError):
        limits_of_agreement(long(invented(3, 2)).iloc[: 2 * n], **OWN)


@pytest.mark.parametrize("n", [2, 3])
def test_two_and_three_pairs_have_very_wide_limits(n):
    result = limits_of_agreement(long(invented(n, 2, seed=8)), **OWN)
    upper = result["upper_limit"]
    spread = result["sd_difference"].value
    assert upper.lower < upper.value < upper.upper
    assert upper.upper - upper.value > 4 * spread
    assert "few_participants" in codes(result)


def test_equal_differences_have_no_interval():
    result = limits_of_agreement(pairs([1.0, 2.0, 3.0], [0.5, 1.5, 2.5]), **OWN)
    # by hand: every difference is 0.5
    assert [e.value for e in result] == [0.5, 0.0, 0.5, 0.5]
    assert all(math.isnan(e.lower) for e in result)
    assert "no_spread" in codes(result)


def test_difference_that_grows_with_size_is_said():
    size = np.linspace(1, 5, 40)
    rng = np.random.default_rng(2)
    growing = limits_of_agreement(
        pairs(1.3 * size + 0.1 * rng.standard_normal(40), size + 0.1 * rng.standard_normal(40)),
        **OWN,
    )
    assert "difference_depends_on_size" in codes(growing)


def test_spread_that_grows_with_size_is_said():
    size = np.linspace(1, 5, 60)
    rng = np.random.default_rng(2)
    fanning = limits_of_agreement(pairs(size + 0.2 * size * rng.standard_normal(60), size), **OWN)
    assert "spread_depends_on_size" in codes(fanning)


def test_one_wild_difference_is_said():
    values = invented(30, 2)
    values[0, 0] += 20
    assert "differences_not_normal" in codes(limits_of_agreement(long(values), **OWN))


def test_well_behaved_differences_carry_no_caution():
    assert codes(limits_of_agreement(long(invented(50, 2, seed=3)), **OWN)) == set()


def test_few_differences_carry_a_caution_about_skewness_whatever_they_show():
    rng = np.random.default_rng(2)
    told = []
    for _ in range(40):
        values = invented(15, 2, error=0)
        values[:, 0] += rng.gamma(2.0, 0.1, 15)
        found = codes(limits_of_agreement(long(values), **OWN))
        told.append(found & {"differences_not_normal", "normality_unseen"})
    assert all(len(one) == 1 for one in told)
    assert {"differences_not_normal"} in told
    assert {"normality_unseen"} in told
    for n, said in ((49, True), (50, False)):
        found = codes(limits_of_agreement(long(invented(n, 2, seed=3)), **OWN))
        assert ("normality_unseen" in found) is said


@pytest.mark.long
@pytest.mark.parametrize(("n", "seen"), [(15, 0.39), (30, 0.74), (50, 0.95)])
def test_how_often_the_check_sees_skewness(n, seen):
    rng, found = np.random.default_rng(1), 0
    for _ in range(1000):
        values = np.column_stack([rng.gamma(2.0, 1.0, n), np.zeros(n)])
        found += "differences_not_normal" in codes(limits_of_agreement(long(values), **OWN))
    # simulated: the caution's own figures; band of four standard errors of 1,000 samples
    assert found / 1000 == pytest.approx(seen, abs=4 * math.sqrt(seen * (1 - seen) / 1000))


def test_checks_and_normal_plot_travel_with_the_result():
    result = limits_of_agreement(long(invented(40, 2, seed=3)), **OWN)
    assert result.checks["check"].tolist()[0] == "difference_on_mean"
    assert (result.checks["n"] == 40).all()
    assert result.quantiles["observed"].is_monotonic_increasing
