"""Limits of agreement from repeated reads, against published data and each other."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import limits_clustered, limits_of_agreement, limits_replicates
from cohortkit.errors import EstimateError
from tests.agreement.paired import PLAIN, codes, fingers, triple
from tests.expected import figures


def pressure(folder):
    wide = pd.read_csv(folder / "data" / "sbp.csv")
    reads = wide.melt("subject", var_name="column")
    reads["rater"], reads["read_no"] = reads["column"].str[0], reads["column"].str[1]
    return reads


def numbered(folder, name):
    return pd.read_csv(folder / "data" / f"{name}.csv").melt(
        ["subject", "rep"], var_name="rater", value_name="value"
    )


def holds(result, expected, prefix):
    for theirs, ours in (
        ("bias", "bias"),
        ("loa_lower", "lower_limit"),
        ("loa_upper", "upper_limit"),
    ):
        row = expected.loc[f"{prefix}_{theirs}"]
        # source: check values (R 4.2.2, numpy); Bland & Altman 1999, 2007
        assert result[ours].value == pytest.approx(row["value"], abs=row["tolerance"])
    row = expected.loc[f"{prefix}_total_var"]
    assert result["sd_difference"].value ** 2 == pytest.approx(row["value"], abs=row["tolerance"])


def test_constant_truth_of_blood_pressure(check_values):
    result = limits_replicates(pressure(check_values), raters=("J", "S"), **PLAIN)
    expected = figures(check_values, "b03_sbp_replicates")
    holds(result, expected, "rep_constant")
    for rater, column in (("J", "x"), ("S", "y")):
        row = expected.loc[f"rep_constant_within_var_{column}"]
        found = result[f"within_sd@rater={rater}"].value ** 2
        assert found == pytest.approx(row["value"], abs=row["tolerance"])


@pytest.mark.parametrize("truth", ["constant", "varying"])
def test_cardiac_output_with_unequal_repeats(check_values, truth):
    reads = numbered(check_values, "cardiac")
    result = limits_replicates(reads, truth=truth, replicate="rep", raters=("RV", "IC"), **PLAIN)
    holds(result, figures(check_values, "b04_cardiac"), f"rep_{truth}")


def test_oximetry_with_linked_repeats(check_values):
    reads = numbered(check_values, "oximetry")
    result = limits_replicates(
        reads, truth="varying", replicate="rep", raters=("CO", "pulse"), **PLAIN
    )
    expected = figures(check_values, "b05_oximetry")
    holds(result, expected, "rep_varying")
    assert result["bias"].n_participants == expected.loc["n_subjects", "value"]
    assert result["bias"].n_readings == 2 * expected.loc["n_pairs", "value"]


def repeated(k=15, m=(2, 3), *, error=0.1, seed=1):
    """Two raters read k subjects m times each; the truth is constant. Invented."""
    rng = np.random.default_rng(seed)
    rows = [
        (f"s{i}", rater, r, 2 + shift + error * rng.standard_normal())
        for i in range(k)
        for rater, shift in (("A", 0.1 + 0.1 * rng.standard_normal()), ("B", 0.0))
        for r in range(m[i % len(m)])
    ]
    return pd.DataFrame(rows, columns=["subject", "rater", "read_no", "value"])


def test_one_read_each_would_be_the_simple_limits():
    """With equal numbers of reads the variance is that of means plus (1 - 1/m) s_w^2."""
    data = repeated(m=(2,))
    result = limits_replicates(data, **PLAIN)
    wide = data.groupby(["subject", "rater"])["value"].agg(["mean", "var"]).unstack()
    difference = wide["mean"]["A"] - wide["mean"]["B"]
    # by hand: m = 2, so half of each within-subject variance is added
    total = difference.var(ddof=1) + (wide["var"]["A"].mean() + wide["var"]["B"].mean()) / 2
    assert result["sd_difference"].value ** 2 == pytest.approx(total)
    simple = limits_of_agreement(data[data["read_no"] == 0], **PLAIN)
    assert simple["sd_difference"].value == pytest.approx(result["sd_difference"].value, rel=0.5)


def test_order_of_repeats_means_nothing_where_truth_is_constant():
    data = repeated()
    mixed = data.assign(read_no=np.random.default_rng(3).permutation(len(data)))
    assert limits_replicates(mixed, **PLAIN).to_dict() == limits_replicates(data, **PLAIN).to_dict()


def test_linked_repeats_are_clustered_pairs():
    data = repeated(m=(3,))
    linked = limits_replicates(data, truth="varying", **PLAIN)
    own = data.assign(scan=data["subject"] + "-" + data["read_no"].astype(str))
    same = limits_clustered(own, **PLAIN | {"subject": "scan", "participant": "subject"})
    for name in ("bias", "sd_difference", "lower_limit", "upper_limit"):
        assert triple(linked[name]) == triple(same[name])


def test_several_scans_with_repeats_go_by_the_bootstrap():
    data = fingers(k=40)
    twice = pd.concat([data.assign(read_no=1), data.assign(read_no=2)], ignore_index=True)
    twice["gap_mm"] += 0.05 * np.random.default_rng(1).standard_normal(len(twice))
    for truth in ("constant", "varying"):
        with pytest.raises(EstimateError, match="interval='bootstrap'"):
            limits_replicates(twice, truth=truth)
        result = limits_replicates(twice, truth=truth, interval="bootstrap", n_boot=400)
        assert result["bias"].n_participants == 40
        assert (
            result["upper_limit"].lower < result["upper_limit"].value < result["upper_limit"].upper
        )
    once = limits_clustered(data, interval="bootstrap", n_boot=400)["bias"]
    again = limits_replicates(twice, interval="bootstrap", n_boot=400)["bias"]
    assert again.upper - again.lower > 0.8 * (once.upper - once.lower)


def test_no_repeats_at_all_are_sent_back():
    data = repeated(m=(1,))
    with pytest.raises(EstimateError, match="limits_of_agreement"):
        limits_replicates(data, **PLAIN)
    with pytest.raises(EstimateError, match="limits_replicates"):
        limits_of_agreement(repeated(), **PLAIN)


def test_only_one_rater_repeats():
    data = repeated(m=(2,))
    one = data[(data["rater"] == "A") | (data["read_no"] == 0)]
    result = limits_replicates(one, **PLAIN)
    assert np.isnan(result["within_sd@rater=B"].value)
    assert np.isfinite(result["upper_limit"].upper)


def test_subject_that_one_rater_did_not_read():
    data = repeated()
    lost = data[~((data["subject"] == "s0") & (data["rater"] == "B"))]
    with pytest.raises(EstimateError, match="1 of 15 subjects"):
        limits_replicates(lost, **PLAIN)
    result = limits_replicates(lost, missing="drop", **PLAIN)
    assert "subjects_without_partner" in codes(result)
    assert result["bias"].n_participants == 14


def test_too_few_to_see_skewness_are_said_where_the_interval_needs_normal_differences():
    data = pd.concat([fingers(k=30, per=(1,), seed=s).assign(read_no=s) for s in (2, 3)])
    for truth in ("constant", "varying"):
        assert "normality_unseen" in codes(limits_replicates(data, truth=truth))
        drawn = limits_replicates(data, truth=truth, interval="bootstrap", n_boot=99)
        assert "normality_unseen" not in codes(drawn)
