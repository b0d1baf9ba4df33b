"""Limits of agreement as lines, against published data and a second route."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.regression.linear_model import OLS

from cohortkit.agreement import limits_of_agreement, limits_regression
from cohortkit.errors import ArgumentError, EstimateError
from tests.agreement.paired import PLAIN, codes, fingers, triple, two_columns
from tests.expected import figures

CASES = {
    "b06_milk": ("milk", "trig", "gerber", "subject"),
    "b07_plvol": ("plvol", "nadler", "hurley", "subject"),
    "b09_giavarina": ("giavarina", "A", "B", "id"),
}
SIZES = {"b06_milk": (), "b07_plvol": (60, 90, 120), "b09_giavarina": (100, 500)}


def reads_of(folder, case):
    name, first, second, subject = CASES[case]
    wide = pd.read_csv(folder / "data" / f"{name}.csv").rename(columns={subject: "subject"})
    return two_columns(wide, first, second, ["subject"]), (first, second)


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("spread", ["constant", "changing"])
def test_check_values(check_values, case, spread):
    reads, raters = reads_of(check_values, case)
    at = list(SIZES[case]) or None
    result = limits_regression(reads, at=at, spread=spread, raters=raters, n_boot=100, **PLAIN)
    expected = figures(check_values, case)
    names = {"reg_slope": "slope", "reg_intercept": "intercept"}
    if spread == "constant":
        names["reg_residual_sd"] = "residual_sd"
    else:
        names |= {"absres_slope": "spread_slope", "absres_intercept": "spread_intercept"}
    for theirs, ours in names.items():
        if theirs not in expected.index:
            continue
        row = expected.loc[theirs]
        # source: check values (R 4.2.2 lm, statsmodels 0.15 OLS)
        assert result[ours].value == pytest.approx(row["value"], abs=row["tolerance"])
        if spread == "constant" and pd.notna(row["ci_low"]):
            wanted = [row["ci_low"], row["ci_high"]]
            assert triple(result[ours])[1:] == pytest.approx(wanted, abs=row["tolerance"])
    kind = "const" if spread == "constant" else "varying"
    for size in SIZES[case]:
        for side in ("lower", "upper"):
            row = expected.loc[f"loa_{kind}_sd_{side}_at_{size}"]
            found = result[f"{side}_limit@mean={size}"].value
            assert found == pytest.approx(row["value"], abs=row["tolerance"])


def sloping(n=40, *, slope=0.2, fan=0.0, seed=1):
    """Invented pairs whose difference changes with size, and with `fan` its spread."""
    rng = np.random.default_rng(seed)
    size = rng.uniform(1, 4, n)
    d = slope * (size - 2) + (0.1 + fan * size) * rng.standard_normal(n)
    wide = pd.DataFrame({"subject": range(n), "a": size + d / 2, "b": size - d / 2})
    return two_columns(wide, "a", "b", ["subject"])


def test_band_of_the_line_agrees_with_statsmodels():
    reads = sloping()
    result = limits_regression(reads, at=[1.5, 3.0], spread="constant", **PLAIN)
    x = np.column_stack([np.ones(40), result.pairs["mean"]])
    fit = OLS(result.pairs["difference"].to_numpy(), x).fit()
    # source: statsmodels 0.15, get_prediction
    band = fit.get_prediction([[1, 1.5], [1, 3.0]]).conf_int(alpha=0.05)
    for row, size in zip(band, ("1.5", "3"), strict=True):
        assert triple(result[f"bias@mean={size}"])[1:] == pytest.approx(row.tolist())


def test_without_slope_and_fan_the_lines_are_near_the_plain_limits():
    reads = sloping(400, slope=0.0)
    plain = limits_of_agreement(reads, **PLAIN)
    lines = limits_regression(reads, at=[2.5], spread="constant", **PLAIN)
    found, wanted = triple(lines["upper_limit@mean=2.5"]), triple(plain["upper_limit"])
    assert found == pytest.approx(wanted, abs=0.01)


def test_planted_slope_and_fan_are_found():
    result = limits_regression(sloping(300, slope=0.2, fan=0.05), n_boot=400, **PLAIN)
    # planted truth: slope 0.2; SD 0.1 + 0.05 size, so absolute residual 0.05 sqrt(2 / pi)
    assert result["slope"].lower < 0.2 < result["slope"].upper
    assert result["spread_slope"].lower < 0.05 * np.sqrt(2 / np.pi) < result["spread_slope"].upper
    assert {e.group for e in result if e.name == "bias"} == {
        f"mean={x:.4g}" for x in result.settings["at"]
    }


def test_curve_holds_the_lines_over_the_sizes_seen():
    result = limits_regression(sloping(), n_boot=100, **PLAIN)
    mean = result.pairs["mean"]
    assert result.curve["mean"].iloc[[0, -1]].tolist() == [mean.min(), mean.max()]
    order = ["lower_limit_low", "lower_limit", "bias", "upper_limit", "upper_limit_high"]
    assert (result.curve[order].diff(axis=1).iloc[:, 1:] > 0).all().all()


def test_fingers_of_one_participant_are_resampled_together():
    data = fingers(per=(1,), k=60)
    copied = pd.concat([data, data.assign(scan_id=data["scan_id"] + "c")])
    once, twice = (limits_regression(d, n_boot=400, seed=2)["slope"] for d in (data, copied))
    assert twice.upper - twice.lower == pytest.approx(once.upper - once.lower, rel=1e-6)


@pytest.mark.parametrize("copies", [1, 4])
def test_constant_spread_of_several_fingers_comes_from_components(copies):
    data = fingers(per=(2,), k=40)
    rng = np.random.default_rng(3)
    parts = [data.assign(scan_id=data["scan_id"] + f"-{i}") for i in range(copies)]
    whole = pd.concat(parts, ignore_index=True)
    whole["gap_mm"] += 0.001 * rng.standard_normal(len(whole))
    found = limits_regression(whole, spread="constant", at=[1.5])
    once = limits_regression(data, spread="constant", at=[1.5])
    for name in ("slope", "residual_sd", "bias", "upper_limit"):
        assert "component" in found[name].method
        # scans of one finger that are all but copies tell nothing new
        assert triple(found[name]) == pytest.approx(triple(once[name]), abs=0.01)


def test_size_outside_what_was_seen_is_refused():
    with pytest.raises(ArgumentError, match="between the smallest and the largest"):
        limits_regression(sloping(), at=[9.0], **PLAIN)


def test_too_little_for_a_line():
    with pytest.raises(EstimateError, match="at least four pairs"):
        limits_regression(sloping(3), **PLAIN)


def test_fan_under_constant_spread_is_said():
    fan = sloping(80, fan=0.2)
    assert "spread_depends_on_size" in codes(limits_regression(fan, spread="constant", **PLAIN))
    assert "spread_depends_on_size" not in codes(limits_regression(fan, n_boot=100, **PLAIN))


def test_spread_that_falls_below_zero_leaves_limits_undefined():
    rng = np.random.default_rng(1)
    size = np.r_[np.linspace(1, 2, 30), 6.0]
    d = np.r_[np.where(rng.random(30) < 0.5, -1, 1) * (2.2 - np.linspace(1, 2, 30)), 0.0]
    wide = pd.DataFrame({"subject": range(31), "a": size + d / 2, "b": size - d / 2})
    reads = two_columns(wide, "a", "b", ["subject"])
    result = limits_regression(reads, at=[1.5, 5.9], n_boot=100, **PLAIN)
    assert np.isnan(result["upper_limit@mean=5.9"].value)
    assert np.isfinite(result["upper_limit@mean=1.5"].value)
    assert "negative_spread" in codes(result)


def test_too_few_to_see_skewness_are_said_where_the_interval_needs_normal_differences():
    for per in ((1,), (2,)):
        data = fingers(k=30, per=per)
        assert "normality_unseen" in codes(limits_regression(data, spread="constant"))
        resampled = limits_regression(data, n_boot=99)
        assert "normality_unseen" not in codes(resampled)
