"""Sums of squares against a textbook's table, NIST's certified values and a second route."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from cohortkit.agreement.anova import errors_of_measurement, forms, sums_of_squares
from tests.agreement.reads import invented, long


def test_mean_squares_of_shrout_and_fleiss(repository):
    oracle = json.loads((repository / "tests/oracles/shrout_fleiss_1979.json").read_text())
    ss = sums_of_squares(np.array(oracle["ratings"], dtype=float))
    printed = oracle["printed"]["mean_squares"]
    found = {"subjects": ss.msr, "raters": ss.msc, "error": ss.mse, "within": ss.msw}
    assert {k: round(float(v), 2) for k, v in found.items()} == printed


def test_two_way_anova_of_another_library():
    values = invented(12, 4, seed=3)
    # source: statsmodels 0.15, anova_lm of the additive two-way model
    judge = anova_lm(ols("value ~ C(subject) + C(rater)", long(values)).fit())
    ss = sums_of_squares(values)
    assert [float(ss.subjects), float(ss.raters), float(ss.error)] == pytest.approx(
        judge["sum_sq"].tolist(), rel=1e-10
    )
    assert list(ss.df) == judge["df"].astype(int).tolist()


NIST = ["atmwtag", "sirstv", "smls01", "smls02", "smls03", "smls04", "smls05", "smls07"]


@pytest.mark.parametrize("name", NIST)
def test_certified_one_way_anova(check_values, name):
    case = f"h01_nist_anova_{name}"
    # source: NIST StRD certified values, in the folder of check values
    expected = pd.read_csv(check_values / "expected.csv").set_index(["case", "statistic"]).loc[case]
    data = pd.read_csv(check_values / "data" / f"nist_{name}.csv")
    group, response = data.columns[:2]
    values = np.stack([g[response].to_numpy() for _, g in data.groupby(group)])
    ss = sums_of_squares(values)
    for statistic, found in (("certified_between_ms", ss.msr), ("certified_within_ms", ss.msw)):
        row = expected.loc[statistic]
        assert float(found) == pytest.approx(row["value"], abs=row["tolerance"])


def test_parts_add_up_to_the_total():
    values = invented(7, 5)
    ss = sums_of_squares(values)
    total = ((values - values.mean()) ** 2).sum()
    assert float(ss.subjects + ss.raters + ss.error) == pytest.approx(total, rel=1e-13)


def test_many_tables_at_once_equal_one_by_one():
    many = np.stack([invented(6, 3, seed=s) for s in range(4)])
    together = sums_of_squares(many)
    alone = [sums_of_squares(values) for values in many]
    assert together.subjects.tolist() == [float(ss.subjects) for ss in alone]
    assert together.error.tolist() == [float(ss.error) for ss in alone]


def test_an_offset_of_ten_billion_changes_nothing():
    eighths = np.round(invented(15, 3) * 8) / 8  # exact in binary, also after the shift
    near, far = sums_of_squares(eighths), sums_of_squares(eighths + 1e10)
    assert float(far.error) == pytest.approx(float(near.error), rel=1e-12)
    assert float(far.subjects) == pytest.approx(float(near.subjects), rel=1e-12)


@pytest.mark.parametrize("offset", [0.0, 0.1, 1e10])
def test_perfect_agreement_has_exactly_no_error(offset):
    values = np.repeat(np.array([[0.1], [0.2], [0.7]]), 3, axis=1) + offset
    ss = sums_of_squares(values)
    assert float(ss.error) == 0
    assert float(ss.raters) == 0
    assert float(ss.subjects) > 0
    assert float(forms(ss)["icc_a_1"]) == 1


def test_constant_values_have_no_form():
    ss = sums_of_squares(np.full((4, 3), 0.1))
    assert all(np.isnan(v) for v in forms(ss).values())
    assert {float(v) for v in errors_of_measurement(ss).values()} == {0.0}


readings = arrays.arrays(
    float, st.tuples(st.integers(2, 8), st.integers(2, 5)), elements=st.integers(0, 40)
)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(readings)
def test_forms_are_related_by_spearman_and_brown(values):
    ss = sums_of_squares(values)
    found = forms(ss)
    for form in ("1", "a", "c"):
        one, mean = float(found[f"icc_{form}_1"]), float(found[f"icc_{form}_k"])
        if np.isnan(mean):
            continue
        # by hand: k r / (1 + (k - 1) r) = mean, written without the division
        assert ss.k * one == pytest.approx(mean * (1 + (ss.k - 1) * one), rel=1e-9, abs=1e-9)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(readings)
def test_a_single_rater_form_lies_between_its_bounds(values):
    ss = sums_of_squares(values)
    found = forms(ss)
    for form in ("1", "c"):
        value = float(found[f"icc_{form}_1"])
        # by hand: with no spread between subjects the form is -1 / (k - 1)
        assert np.isnan(value) or -1 / (ss.k - 1) - 1e-12 <= value <= 1
