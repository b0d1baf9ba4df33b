"""Specific agreement against published tables and itself."""

from __future__ import annotations

import itertools
import json
import math

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from cohortkit.agreement import specific_agreement
from cohortkit.errors import ArgumentError
from tests.agreement.planted_ratings import Design, rows_of
from tests.agreement.rated_tables import OWN, codes, from_grid, from_square
from tests.expected import figures


@pytest.mark.parametrize("which", ["balanced", "skewed"])
def test_positive_and_negative_agreement(repository, which):
    oracle = json.loads((repository / "tests/oracles/feinstein_cicchetti_1990.json").read_text())
    case = oracle[which]
    found = specific_agreement(from_square(case["table"], ["yes", "no"]), **OWN)
    assert found["overall_agreement"].value == pytest.approx(case["observed"])
    for answer in ("yes", "no"):
        ours = found[f"specific_agreement@category={answer}"].value
        assert ours == pytest.approx(case[answer], abs=1e-6)


@pytest.mark.parametrize("which", ["balanced", "skewed"])
def test_check_values(check_values, repository, which):
    oracle = json.loads((repository / "tests/oracles/feinstein_cicchetti_1990.json").read_text())
    found = specific_agreement(from_square(oracle[which]["table"], ["yes", "no"]), **OWN)
    # source: check values d09 (own formulas in R 4.2.2 and Python)
    expected = figures(check_values, f"d09_kappa_paradox_{which}")
    for answer, name in (("yes", "positive_agreement"), ("no", "negative_agreement")):
        row = expected.loc[name]
        ours = found[f"specific_agreement@category={answer}"].value
        assert ours == pytest.approx(row["value"], abs=row["tolerance"])


def test_pairs_one_by_one():
    ratings = Design(30, 1, 4, 0.8, absent=0.2).draw(np.random.default_rng(3))
    pairs = [
        pair
        for line in ratings.codes
        for pair in itertools.permutations(line[line >= 0].tolist(), 2)
    ]
    found = specific_agreement(rows_of(ratings))
    assert found["overall_agreement"].value == pytest.approx(np.mean([a == b for a, b in pairs]))
    for k, name in enumerate(ratings.categories):
        others = [b for a, b in pairs if a == k]
        ours = found[f"specific_agreement@category={name}"].value
        assert ours == pytest.approx(np.mean([b == k for b in others]))


def test_overall_agreement_of_two_raters_is_a_plain_share():
    rows = from_square([[17, 3], [2, 8]], ["a", "b"])
    found = specific_agreement(rows, **OWN)["overall_agreement"]
    # source: statsmodels proportion_confint, method "wilson", statsmodels 0.15.0
    assert (found.lower, found.upper) == pytest.approx(proportion_confint(25, 30, method="wilson"))
    assert "Wilson interval (Wilson 1927)" in found.method


def test_overall_is_the_mean_of_the_categories():
    found = specific_agreement(rows_of(Design(30, 1, 3, 0.7).draw(np.random.default_rng(1))))
    each = [e.value for e in found if e.name == "specific_agreement"]
    # by hand: weighed by the share of ratings in each category, all rated equally often
    assert found["overall_agreement"].value == pytest.approx((found.table["share"] * each).sum())


def test_fingers_of_one_person_widen_the_interval():
    rows = rows_of(Design(15, 4, 2, 0.8, 0.9).draw(np.random.default_rng(2)))
    clustered = specific_agreement(rows)
    naive = specific_agreement(rows, participant=None)
    assert clustered["overall_agreement"].n_participants == 15
    assert naive["overall_agreement"].n_participants == 60
    assert clustered["overall_agreement"].value == naive["overall_agreement"].value


class TestEdges:
    def test_perfect_agreement_has_a_lower_limit(self):
        found = specific_agreement(from_grid([["a", "a"]] * 8 + [["b", "b"]] * 3), **OWN)
        for name, n in (("overall_agreement", 11), ("specific_agreement@category=b", 3)):
            # source: statsmodels proportion_confint, method "wilson", statsmodels 0.15.0
            low = proportion_confint(n, n, method="wilson")[0]
            assert found[name].value == 1
            assert found[name].lower == pytest.approx(low)

    def test_a_category_that_nobody_used(self):
        rows = from_grid([["a", "a"], ["a", "b"], ["b", "b"]])
        found = specific_agreement(rows, categories=["a", "b", "c"], **OWN)
        assert math.isnan(found["specific_agreement@category=c"].value)
        assert "not_defined" in codes(found)

    def test_a_category_on_which_raters_never_agree(self):
        rows = from_grid([["a", "a"]] * 9 + [["a", "b"]])
        found = specific_agreement(rows, **OWN)["specific_agreement@category=b"]
        assert (found.value, found.lower) == (0, 0)
        assert found.upper > 0.5

    def test_one_category_only(self):
        found = specific_agreement(from_grid([["a", "a"]] * 5), **OWN)
        assert found["overall_agreement"].value == 1
        assert "one_category_only" in codes(found)

    def test_identical_raters_show_no_disagreement(self):
        same, other = [["a", "a"], ["b", "b"]] * 10, [["a", "b"]]
        assert "no_disagreement_seen" in codes(specific_agreement(from_grid(same), **OWN))
        found = specific_agreement(from_grid(same + other), **OWN)
        assert "no_disagreement_seen" not in codes(found)

    @pytest.mark.parametrize(("used", "rare"), [(9, True), (10, False)])
    def test_a_category_is_rare_or_its_interval_wide_never_both(self, used, rare):
        grid = [["a", "a"]] * 30 + [["b", "b"]] * (used - 2) + [["a", "b"]] * 2
        found = specific_agreement(from_grid(grid), **OWN)
        said = {c.code: c.message for c in found.cautions}
        assert "hardly_any_other_category" not in said
        # of 30 participants with one rare category the common one's interval held 95 %
        assert said.get("wide_specific_agreement", ": .").endswith(": ." if rare else ": a, b.")
        assert ("rare_category" in said) is rare
        if rare:
            assert "by anybody: b. Intervals" in said["rare_category"]
        resampled = specific_agreement(from_grid(grid), interval="bootstrap", n_boot=99, **OWN)
        assert "wide_specific_agreement" not in codes(resampled)  # measured for the default

    def test_published_is_no_interval_of_this_one(self):
        with pytest.raises(ArgumentError, match="'logit' or 'bootstrap'"):
            specific_agreement(from_grid([["a", "b"]] * 3), interval="published", **OWN)
