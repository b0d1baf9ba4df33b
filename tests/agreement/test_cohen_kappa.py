"""Cohen's kappa against published tables, other libraries and itself."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa

from cohortkit.agreement import cohen_kappa
from cohortkit.agreement.cohen_kappa import null_error
from cohortkit.agreement.weighting import WEIGHTS, agreement_weights
from cohortkit.errors import ArgumentError, EstimateError
from tests.agreement.planted_ratings import Design, rows_of
from tests.agreement.rated_tables import OWN, codes, from_grid, from_square, triple
from tests.expected import assert_equals, figures

STATISTICS = {"unweighted": None, "linear": "linear", "quadratic": "quadratic"}


def oracle(repository, name):
    return json.loads((repository / f"tests/oracles/{name}.json").read_text())


def test_fleiss_cohen_and_everitt(repository):
    case = oracle(repository, "fleiss_cohen_everitt_1969")
    rows = from_square(case["table"], case["categories"])
    found = cohen_kappa(rows, categories=case["categories"], interval="published", **OWN)
    expected, tolerance = case["expected"], case["tolerance"]
    assert triple(found["cohen_kappa"]) == pytest.approx(
        (expected["kappa"], expected["lower"], expected["upper"]), abs=tolerance
    )
    assert found["observed_agreement"].value == pytest.approx(expected["observed"])
    assert found["expected_agreement"].value == pytest.approx(expected["chance"])
    errors = found.errors.iloc[0]
    assert errors["published_error"] == pytest.approx(expected["error"], abs=tolerance)
    assert errors["null_error"] == pytest.approx(expected["null_error"], abs=tolerance)
    assert found.table.to_numpy().tolist() == case["table"]


CASES = {
    "d01_fleiss_cohen_everitt": ("fleiss_cohen_everitt", ["unweighted"]),
    "d02_gwet_4x4diagnosis": ("gwet_4x4diagnosis", ["unweighted"]),
    "d07_mspatients_winnipeg": ("mspatients_winnipeg", list(WEIGHTS)),
    "d08_mspatients_neworleans": ("mspatients_neworleans", list(WEIGHTS)),
}


@pytest.mark.parametrize("case", CASES)
def test_check_values(check_values, case):
    name, kinds = CASES[case]
    data = pd.read_csv(check_values / "data" / f"{name}.csv", index_col=0)
    categories = list(data.columns)
    rows = from_square(data.to_numpy().tolist(), categories)
    # source: check values d01, d02, d07, d08 (vcd 1.4-11, statsmodels 0.15.0)
    expected = figures(check_values, case)
    for kind in kinds:
        found = cohen_kappa(rows, categories=categories, weights=kind, interval="published", **OWN)
        assert_equals(triple(found["cohen_kappa"]), expected.loc[f"kappa_{kind}"])
        for column, suffix in (("published_error", "se"), ("null_error", "se_null")):
            row = expected.loc[f"kappa_{kind}_{suffix}"]
            ours = found.errors[column].iloc[0]
            assert ours == pytest.approx(row["value"], abs=row["tolerance"])
    row = expected.loc["observed_agreement"]
    plain = cohen_kappa(rows, categories=categories, **OWN)
    assert plain["observed_agreement"].value == pytest.approx(row["value"], abs=row["tolerance"])


@pytest.mark.parametrize("which", ["balanced", "skewed"])
def test_paradox_of_feinstein_and_cicchetti(repository, which):
    case = oracle(repository, "feinstein_cicchetti_1990")[which]
    found = cohen_kappa(from_square(case["table"], ["yes", "no"]), **OWN)
    assert found["cohen_kappa"].value == pytest.approx(case["kappa"], abs=1e-6)
    assert found["observed_agreement"].value == pytest.approx(case["observed"])
    assert found["expected_agreement"].value == pytest.approx(case["chance"])
    assert ("mostly_one_category" in codes(found)) is (which == "skewed")


@pytest.mark.parametrize("weights", WEIGHTS)
@pytest.mark.parametrize("seed", range(8))
def test_other_libraries_agree_on_random_ratings(seed, weights):
    ratings = Design(40, 1, 2, 0.5 + 0.05 * seed).draw(np.random.default_rng(seed))
    rows = rows_of(ratings)
    found = cohen_kappa(rows, weights=weights, interval="published")
    # source: sklearn.metrics.cohen_kappa_score, scikit-learn 1.9.1, run here on the same ratings
    judge = cohen_kappa_score(*ratings.codes.T, weights=STATISTICS[weights], labels=[0, 1, 2, 3])
    assert found["cohen_kappa"].value == pytest.approx(judge, abs=1e-12)
    # source: statsmodels.stats.inter_rater.cohens_kappa, statsmodels 0.15.0
    w = 1 - agreement_weights(weights, 4)
    theirs = cohens_kappa(found.table.to_numpy(), weights=w if weights != "unweighted" else None)
    assert found["cohen_kappa"].value == pytest.approx(theirs.kappa, abs=1e-12)
    ours = found.errors.iloc[0]
    assert ours["published_error"] == pytest.approx(theirs.std_kappa, rel=1e-8)
    assert ours["null_error"] == pytest.approx(theirs.std_kappa0, rel=1e-8)


def test_default_order_of_tear_status_comes_from_the_schema():
    rows = rows_of(Design(40, 1, 2, 0.8).draw(np.random.default_rng(1)))
    given = ["none", "strain", "partial", "complete"]
    assert triple(cohen_kappa(rows, weights="linear")["cohen_kappa"]) == triple(
        cohen_kappa(rows, weights="linear", categories=given)["cohen_kappa"]
    )
    backwards = cohen_kappa(rows, weights="linear", categories=given[::-1])["cohen_kappa"]
    mixed = cohen_kappa(rows, weights="linear", categories=[given[i] for i in (2, 0, 3, 1)])
    assert backwards.value == pytest.approx(
        cohen_kappa(rows, weights="linear")["cohen_kappa"].value
    )
    assert mixed["cohen_kappa"].value != pytest.approx(backwards.value)


def test_by_hand():
    rows = from_grid([["a", "a"], ["a", "b"], ["b", "b"], ["b", "b"]])
    found = cohen_kappa(rows, **OWN)
    # by hand: observed 3/4; shares 1/2, 1/2 and 1/4, 3/4 give 1/2; (3/4 - 1/2) / (1/2)
    assert found["cohen_kappa"].value == pytest.approx(0.5)
    assert found["expected_agreement"].value == pytest.approx(0.5)


def test_null_error_of_a_table_without_agreement():
    # by hand: a 2 x 2 table of equal cells: sqrt(po (1 - po) / n) / (1 - pe) with po = pe = 1/2
    assert null_error(np.full((2, 2), 25.0), np.eye(2)) == pytest.approx(0.1)


class TestRaters:
    rows = rows_of(Design(30, 1, 3, 0.8).draw(np.random.default_rng(1)))

    def test_three_raters_are_pointed_elsewhere(self):
        with pytest.raises(EstimateError, match="3 raters: r0, r1, r2") as stop:
            cohen_kappa(self.rows)
        assert "fleiss_kappa" in str(stop.value)

    def test_two_of_three(self):
        found = cohen_kappa(self.rows, raters=("r2", "r0"))
        assert "r2 and r0" in found.question
        assert found.table.index.name == "r2"

    @pytest.mark.parametrize("raters", ["r0", ("r0",), ("r0", "r0")])
    def test_raters_are_two(self, raters):
        with pytest.raises(ArgumentError, match="two different raters"):
            cohen_kappa(self.rows, raters=raters)

    def test_subjects_of_one_rater_stop_or_are_counted(self):
        rows = self.rows[self.rows["rater_id"] != "r2"].iloc[1:]
        with pytest.raises(EstimateError, match="1 of 30 subjects by one rater only"):
            cohen_kappa(rows)
        found = cohen_kappa(rows, missing="drop")
        assert found["cohen_kappa"].n_readings == 58
        assert "rated_by_one" in codes(found)


class TestEdges:
    def test_one_category_is_undefined_with_a_reason(self):
        found = cohen_kappa(from_grid([["none", "none"]] * 5), value="value", categories=None,
                            subject="subject", rater="rater", participant=None)  # fmt: skip
        assert math.isnan(found["cohen_kappa"].value)
        assert found["observed_agreement"].value == 1
        assert {"one_category_only", "not_defined"} <= codes(found)

    def test_a_rater_who_says_one_thing(self):
        found = cohen_kappa(from_grid([["a", "a"], ["b", "a"], ["a", "a"], ["b", "a"]]), **OWN)
        assert found["cohen_kappa"].value == 0
        assert math.isnan(found["cohen_kappa"].lower)
        assert {"rater_used_one_category", "no_interval"} <= codes(found)

    def test_complete_disagreement(self):
        found = cohen_kappa(from_grid([["a", "b"], ["b", "a"]] * 4), **OWN)
        # by hand: observed 0, expected 1/2
        assert found["cohen_kappa"].value == -1
        assert math.isnan(found["cohen_kappa"].lower)
        assert found["observed_agreement"].lower == 0

    @pytest.mark.parametrize("n", [2, 3])
    def test_smallest_tables(self, n):
        grid = [["a", "a"], ["b", "a"], ["b", "b"]][-n:]
        found = cohen_kappa(from_grid(grid), categories=["a", "b"], **OWN)
        assert -1 <= found["cohen_kappa"].value < 1
        assert "few_participants" in codes(found)

    def test_weights_need_an_order(self):
        with pytest.raises(ArgumentError, match="order of the categories"):
            cohen_kappa(from_grid([["x", "y"]] * 3), weights="linear", **OWN)

    def test_unknown_weights(self):
        with pytest.raises(ArgumentError, match="weights"):
            cohen_kappa(from_grid([["x", "y"]] * 3), weights="equal", **OWN)
