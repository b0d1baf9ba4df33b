"""Fleiss' kappa against published tables, another library and itself."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.inter_rater import fleiss_kappa as judge

from cohortkit.agreement import fleiss_kappa
from cohortkit.agreement.fleiss_kappa import null_error
from tests.agreement.planted_ratings import Design, rows_of
from tests.agreement.rated_tables import OWN, codes, from_counts, from_grid, from_square, triple
from tests.expected import assert_equals, figures


def test_fourteen_raters(repository):
    case = json.loads((repository / "tests/oracles/fleiss_14_raters.json").read_text())
    found = fleiss_kappa(from_counts(case["counts"]), **OWN)
    expected, tolerance = case["expected"], case["tolerance"]
    assert found["fleiss_kappa"].value == pytest.approx(expected["kappa"], abs=tolerance)
    assert found["percent_agreement"].value == pytest.approx(expected["observed"], abs=tolerance)
    null = found.errors["null_error"].iloc[0]
    assert null == pytest.approx(expected["null_error"], abs=tolerance)
    for k, value in enumerate(case["categories"], start=1):
        ours = found[f"category_kappa@category={k}"].value
        assert ours == pytest.approx(value, abs=tolerance)


def grid_of(path):
    data = pd.read_csv(path, index_col=0)
    return from_grid(data.to_numpy().tolist())


@pytest.mark.parametrize("case", ["d03_fleiss1971", "d10_fleiss_14raters"])
def test_check_values(check_values, case):
    # source: check values d03, d10 (Fleiss 1971; own formulas in R 4.2.2, statsmodels 0.15.0)
    expected = figures(check_values, case)
    if case == "d03_fleiss1971":
        rows = grid_of(check_values / "data/fleiss1971.csv")
    else:
        counts = pd.read_csv(check_values / "data/fleiss_14raters_counts.csv", index_col=0)
        rows = from_counts(counts.to_numpy().tolist())
    found = fleiss_kappa(rows, **OWN)
    null = found.errors["null_error"].iloc[0]
    values = {
        "fleiss_kappa": found["fleiss_kappa"].value,
        "mean_observed_agreement": found["percent_agreement"].value,
        "fleiss_kappa_se_null": null,
        "fleiss_kappa_z": found["fleiss_kappa"].value / null,
        **{
            f"fleiss_kappa_category_{k}": found[f"category_kappa@category={k}"].value
            for k in range(1, 6)
        },
    }
    for name, value in values.items():
        row = expected.loc[name]
        assert value == pytest.approx(row["value"], abs=row["tolerance"])


def test_scotts_pi(check_values):
    data = pd.read_csv(check_values / "data/gwet_4x4diagnosis.csv", index_col=0)
    rows = from_square(data.to_numpy().tolist(), list(data.columns))
    found = fleiss_kappa(rows, interval="published", **OWN)
    # source: check values d02 (irrCAC); its form for two raters divides by n, ours by n - 1
    expected = figures(check_values, "d02_gwet_4x4diagnosis")
    row = expected.loc["scott_pi"]
    assert found["fleiss_kappa"].value == pytest.approx(row["value"], abs=row["tolerance"])
    row = expected.loc["scott_pi_se"]
    n = found["fleiss_kappa"].n_participants
    ours = found.errors["published_error"].iloc[0] * math.sqrt((n - 1) / n)
    assert ours == pytest.approx(row["value"], abs=row["tolerance"])


@pytest.mark.parametrize("weights", ["unweighted", "linear", "quadratic"])
def test_absent_ratings_and_weights(check_values, weights):
    rows = grid_of(check_values / "data/gwet_4raters.csv")
    found = fleiss_kappa(rows, weights=weights, interval="published", **OWN)
    # source: check values d06 (irrCAC in R and Python)
    expected = figures(check_values, "d06_gwet_4raters")
    assert_equals(triple(found["fleiss_kappa"]), expected.loc[f"fleiss_{weights}"])
    row = expected.loc[f"fleiss_{weights}_se"]
    assert found.errors["published_error"].iloc[0] == pytest.approx(
        row["value"], abs=row["tolerance"]
    )
    row = expected.loc[f"percent_agreement_{weights}"]
    assert found["percent_agreement"].value == pytest.approx(row["value"], abs=row["tolerance"])


@pytest.mark.parametrize("seed", range(6))
def test_another_library_agrees_on_random_ratings(seed):
    ratings = Design(30, 1, 3 + seed % 3, 0.7).draw(np.random.default_rng(seed))
    # source: statsmodels.stats.inter_rater.fleiss_kappa, statsmodels 0.15.0, on the same counts
    expected = judge(ratings.counts, method="fleiss")
    found = fleiss_kappa(rows_of(ratings))["fleiss_kappa"].value
    assert found == pytest.approx(expected, abs=1e-12)


def test_kappa_is_the_weighted_mean_of_its_categories():
    found = fleiss_kappa(rows_of(Design(40, 1, 3, 0.7).draw(np.random.default_rng(1))))
    share = found.table["share"].to_numpy()
    each = [e.value for e in found if e.name == "category_kappa"]
    # by hand: Fleiss 1971, weights p (1 - p)
    mean = (share * (1 - share) * each).sum() / (share * (1 - share)).sum()
    assert found["fleiss_kappa"].value == pytest.approx(mean, rel=1e-10)


def test_two_categories_need_no_kappa_of_each():
    found = fleiss_kappa(from_grid([["a", "a"], ["b", "a"], ["b", "b"]]), **OWN)
    assert [e.name for e in found] == ["fleiss_kappa", "percent_agreement"]


def test_a_category_that_nobody_used_has_no_kappa():
    rows = from_grid([["a", "a"], ["b", "a"], ["b", "b"]] * 3)
    found = fleiss_kappa(rows, categories=["a", "b", "c"], **OWN)
    assert math.isnan(found["category_kappa@category=c"].value)
    message = next(c.message for c in found.cautions if c.code == "not_defined")
    assert "category=c" in message


def test_one_category_only():
    found = fleiss_kappa(from_grid([["a", "a"]] * 4), categories=["a", "b"], **OWN)
    assert math.isnan(found["fleiss_kappa"].value)
    assert found["percent_agreement"].value == 1
    assert {"one_category_only", "not_defined"} <= codes(found)


def test_null_error_needs_equal_numbers():
    assert math.isnan(null_error(np.array([[2, 0], [1, 2]])))
    assert math.isnan(null_error(np.array([[2, 0], [2, 0]])))
