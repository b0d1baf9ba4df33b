"""Gwet's AC1 and AC2 against published tables and themselves."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import cohen_kappa, gwet_ac
from cohortkit.errors import ArgumentError
from tests.agreement.planted_ratings import Design, rows_of
from tests.agreement.rated_tables import OWN, codes, from_grid, from_square, triple
from tests.expected import assert_equals, figures


def test_four_raters_with_absent_ratings(repository):
    case = json.loads((repository / "tests/oracles/krippendorff_canonical.json").read_text())
    found = gwet_ac(from_grid(case["ratings"]), interval="published", **OWN)
    assert found["gwet_ac"].value == pytest.approx(case["gwet"]["gwet_ac"], abs=5e-6)
    for name in ("gwet_ac", "brennan_prediger"):
        low, high, error = case["published"][name]
        assert (found[name].lower, found[name].upper) == pytest.approx((low, high), abs=2e-6)
        ours = found.errors.set_index("name").loc[name, "published_error"]
        assert ours == pytest.approx(error, abs=1e-6)


@pytest.mark.parametrize("weights", ["unweighted", "linear", "quadratic"])
def test_check_values(check_values, weights):
    data = pd.read_csv(check_values / "data/gwet_4raters.csv", index_col=0)
    found = gwet_ac(
        from_grid(data.to_numpy().tolist()), weights=weights, interval="published", **OWN
    )
    # source: check values d06 (irrCAC in R and Python)
    expected = figures(check_values, "d06_gwet_4raters")
    errors = found.errors.set_index("name")["published_error"]
    for name in ("gwet_ac", "brennan_prediger", "percent_agreement"):
        row = expected.loc[f"{name}_{weights}"]
        assert_equals(triple(found[name]), row)
        row = expected.loc[f"{name}_{weights}_se"]
        assert errors[name] == pytest.approx(row["value"], abs=row["tolerance"])


def test_four_diagnoses(check_values):
    data = pd.read_csv(check_values / "data/gwet_4x4diagnosis.csv", index_col=0)
    rows = from_square(data.to_numpy().tolist(), list(data.columns))
    found = gwet_ac(rows, interval="published", **OWN)
    # source: check values d02 (irrCAC); its form for two raters divides by n, ours by n - 1
    expected = figures(check_values, "d02_gwet_4x4diagnosis")
    n = found["gwet_ac"].n_participants
    errors = found.errors.set_index("name")["published_error"]
    for ours, theirs in (("gwet_ac", "gwet_ac1"), ("brennan_prediger", "brennan_prediger")):
        row = expected.loc[theirs]
        assert found[ours].value == pytest.approx(row["value"], abs=row["tolerance"])
        row = expected.loc[f"{theirs}_se"]
        scaled = errors[ours] * math.sqrt((n - 1) / n)
        assert scaled == pytest.approx(row["value"], abs=row["tolerance"])


@pytest.mark.parametrize("which", ["balanced", "skewed"])
def test_paradox_of_feinstein_and_cicchetti(repository, which):
    oracle = json.loads((repository / "tests/oracles/feinstein_cicchetti_1990.json").read_text())
    case = oracle[which]
    found = gwet_ac(from_square(case["table"], ["yes", "no"]), **OWN)
    assert found["gwet_ac"].value == pytest.approx(case["ac1"], abs=1e-6)
    assert found["brennan_prediger"].value == pytest.approx(case["pabak"], abs=1e-6)
    assert found["percent_agreement"].value == pytest.approx(case["observed"])


@pytest.mark.parametrize("which", ["balanced", "skewed"])
def test_paradox_errors(check_values, which):
    data = pd.read_csv(check_values / "data/kappa_paradox.csv")
    table = data.loc[data["case"] == which, ["b_yes", "b_no"]].to_numpy().tolist()
    found = gwet_ac(from_square(table, ["yes", "no"]), **OWN)
    # source: check values d09 (irrCAC); its form for two raters divides by n, ours by n - 1
    row = figures(check_values, f"d09_kappa_paradox_{which}").loc["gwet_ac1_se"]
    ours = found.errors["published_error"].iloc[0] * math.sqrt(99 / 100)
    assert ours == pytest.approx(row["value"], abs=row["tolerance"])


def test_by_hand():
    rows = from_grid([["a", "a"], ["a", "b"], ["b", "b"], ["b", "b"]])
    # by hand: agreement 3/4; shares 3/8 and 5/8, chance 2 x 15/64; (3/4 - 30/64) / (34/64)
    assert gwet_ac(rows, **OWN)["gwet_ac"].value == pytest.approx(18 / 34)


def test_it_stays_where_kappa_falls():
    """The rarer a category at equal agreement, the lower kappa; AC1 rises."""
    kappas, coefficients = [], []
    for common in (45, 70, 85):
        rows = from_square([[common, 5], [5, 90 - common]], ["none", "complete"])
        kappas.append(cohen_kappa(rows, **OWN)["cohen_kappa"].value)
        coefficients.append(gwet_ac(rows, **OWN)["gwet_ac"].value)
    assert kappas == sorted(kappas, reverse=True)
    assert coefficients == sorted(coefficients)


def test_one_category_only_is_defined():
    found = gwet_ac(from_grid([["none", "none"]] * 12), categories=["none", "complete"], **OWN)
    assert found["gwet_ac"].value == 1
    # by hand: Clopper-Pearson lower limit of 12 of 12, 0.025^(1/12)
    assert found["gwet_ac"].lower == pytest.approx(0.025 ** (1 / 12))
    assert {"one_category_only", "no_disagreement_seen"} <= codes(found)
    alone = gwet_ac(from_grid([["none", "none"]] * 12), **OWN)
    assert alone["gwet_ac"].value == 1


def test_the_number_of_categories_counts():
    rows = from_grid([["a", "a"], ["a", "b"], ["b", "b"], ["b", "b"]])
    wider = gwet_ac(rows, categories=["a", "b", "c"], **OWN)
    # by hand: chance is 30/64 over one, with three categories over two
    assert wider["gwet_ac"].value == pytest.approx((3 / 4 - 15 / 64) / (1 - 15 / 64))
    assert "category_not_used" in codes(wider)


def test_weights_forgive_a_near_miss():
    rows = rows_of(Design(40, 1, 3, 0.8).draw(np.random.default_rng(1)))
    values = [
        gwet_ac(rows, weights=w)["gwet_ac"].value for w in ("unweighted", "linear", "quadratic")
    ]
    assert values == sorted(values)


def test_unknown_weights():
    with pytest.raises(ArgumentError, match="weights"):
        gwet_ac(from_grid([["a", "b"]] * 3), weights="ordinal", **OWN)
