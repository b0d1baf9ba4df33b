"""Participants for kappa: weights, more raters, several fingers."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.inter_rater import cohens_kappa, fleiss_kappa

from cohortkit.agreement import participants_for_kappa, planned_kappa
from cohortkit.agreement.planned_kappa import compositions, rating_model
from cohortkit.agreement.weighting import WEIGHTS, agreement_weights
from cohortkit.errors import ArgumentError, EstimateError
from tests.agreement.planned_studies import impressed_pairs, truth_known, weighted_kappa

SHARES = np.array([0.5, 0.3, 0.2])


def codes(found):
    return {c.code for c in found.cautions}


def test_variance_of_the_published_table(repository):
    case = json.loads(
        (repository / "tests/oracles/fleiss_cohen_everitt_1969.json").read_text(encoding="utf-8")
    )
    table = np.array(case["table"]) / 100
    found = planned_kappa.kappa_variance(table, np.eye(3))
    # source: tests/oracles/fleiss_cohen_everitt_1969.json, 100 patients
    assert math.sqrt(found / 100) == pytest.approx(case["expected"]["error"], abs=1e-6)


@pytest.mark.parametrize("kind", WEIGHTS)
def test_weighted_variance_is_that_of_another_library(kind):
    counts = np.array([[40, 9, 3], [6, 30, 8], [1, 7, 21]])
    ask = {"unweighted": None, "linear": "linear", "quadratic": "quadratic"}[kind]
    # source: statsmodels.stats.inter_rater.cohens_kappa, statsmodels 0.15.0
    wanted = cohens_kappa(counts, wt=ask).var_kappa * counts.sum()
    found = planned_kappa.kappa_variance(counts / counts.sum(), agreement_weights(kind, 3))
    assert found == pytest.approx(wanted)


@pytest.mark.parametrize("kind", WEIGHTS)
@pytest.mark.parametrize("misses", ["any", "near"])
def test_raters_of_the_model_have_the_planned_kappa_and_prevalence(kind, misses):
    model = rating_model(0.55, SHARES, agreement_weights(kind, 3), misses)
    joint = model.joint()
    power = {"unweighted": "linear"}.get(kind, kind)
    if kind == "unweighted":
        chance = float(SHARES @ SHARES)
        assert (np.trace(joint) - chance) / (1 - chance) == pytest.approx(0.55)  # by hand: Cohen
    else:
        assert weighted_kappa(joint, power) == pytest.approx(0.55, abs=1e-6)  # by hand: Cohen 1968
    assert joint.sum(axis=0) == pytest.approx(SHARES, abs=1e-6)


@pytest.mark.parametrize("alike", [0.3, 0.7, 0.95])
def test_near_misses_are_cut_normal_impressions(alike):
    wanted = impressed_pairs(alike, SHARES)
    model = rating_model(
        weighted_kappa(wanted, "linear"), SHARES, agreement_weights("linear", 3), "near"
    )
    # source: scipy's bivariate normal distribution, over the same rectangles
    assert model.joint() == pytest.approx(wanted, abs=1e-4)


def test_any_misses_are_the_common_form_of_two_raters():
    joint = rating_model(0.4, SHARES, np.eye(3), "any").joint()
    # by hand: p_i p_j (1 - kappa), and kappa p_i more on the diagonal
    assert joint == pytest.approx(0.6 * np.outer(SHARES, SHARES) + 0.4 * np.diag(SHARES))


def test_patterns_of_ratings():
    found = compositions(4, 3)
    assert len(found) == 15  # by hand: 6 over 2
    assert (found.sum(axis=1) == 4).all()
    assert (found >= 0).all()
    assert len(np.unique(found, axis=0)) == 15
    counts, share = rating_model(0.5, SHARES, np.eye(3), "any").patterns(4)
    assert share.sum() == pytest.approx(1)
    assert share @ counts == pytest.approx(4 * SHARES)  # by hand: each rater by prevalence
    two, pairs = rating_model(0.5, SHARES, np.eye(3), "any").patterns(2)
    # by hand: both choose the first with probability p^2 + kappa p (1 - p)
    assert pairs[(two == [2, 0, 0]).all(axis=1)] == pytest.approx(0.25 + 0.5 * 0.25)


@pytest.mark.parametrize(("kappa", "p"), [(0.6, 0.3), (0.0, 0.5), (0.8, 0.1)])
def test_two_raters_of_two_categories_are_donner_and_eliasziw(kappa, p):
    model = rating_model(kappa, np.array([p, 1 - p]), np.eye(2), "any")
    # source: Donner & Eliasziw 1992, Stat Med 11: 1511-1519 (from memory), for Scott's pi too
    wanted = (1 - kappa) * ((1 - kappa) * (1 - 2 * kappa) + kappa * (2 - kappa) / (2 * p * (1 - p)))
    assert planned_kappa.fleiss_variance(model, 2, np.eye(2)) == pytest.approx(wanted)


@pytest.mark.parametrize("raters", [3, 6])
def test_variance_of_several_raters_is_the_spread_of_simulated_kappas(raters):
    model = rating_model(0.6, SHARES, np.eye(3), "any")
    rng = np.random.default_rng(raters)
    found = []
    for _ in range(1500):
        ratings = truth_known(0.6, SHARES, raters, 300, rng)
        found.append(fleiss_kappa((ratings[:, :, None] == np.arange(3)).sum(axis=1)))
    # source: statsmodels.stats.inter_rater.fleiss_kappa, statsmodels 0.15.0; planted truth
    assert np.mean(found) == pytest.approx(0.6, abs=0.005)
    wanted = math.sqrt(planned_kappa.fleiss_variance(model, raters, np.eye(3)) / 300)
    # by hand: an SD from 1,500 values has an error of 1.8 %
    assert np.std(found) == pytest.approx(wanted, rel=0.07)


def test_without_agreement_the_variance_is_the_published_one():
    model = rating_model(0.0, SHARES, np.eye(3), "any")
    spread, skew = SHARES @ (1 - SHARES), SHARES @ ((1 - SHARES) * (1 - 2 * SHARES))
    # source: Fleiss, Nee & Landis 1979, 5 ratings of each subject (from memory)
    wanted = 2 * (spread**2 - skew) / (5 * 4) / spread**2
    assert planned_kappa.fleiss_variance(model, 5, np.eye(3)) == pytest.approx(wanted, rel=1e-6)


def test_several_fingers_by_the_design_effect():
    one = participants_for_kappa(0.6, [0.7, 0.3], 0.2, misses="near")["participants"].value
    for m, rho in ((2, 0.0), (2, 1.0), (3, 0.3)):
        more = participants_for_kappa(
            0.6, [0.7, 0.3], 0.2, misses="near", fingers=m, correlation=rho
        )["participants"].value
        # by hand: (1 + (m - 1) rho) / m times as many participants, a little more by Student's t
        assert more == pytest.approx(one * (1 + (m - 1) * rho) / m, rel=0.02)


def test_more_raters_need_fewer_participants():
    sizes = [
        participants_for_kappa(0.6, SHARES, 0.2, raters=k)["participants"].value
        for k in (2, 3, 5, 10)
    ]
    assert sizes == sorted(sizes, reverse=True)
    assert sizes[1] < sizes[0]


def test_the_fisher_scale_is_near_the_published_formula():
    plain = participants_for_kappa(0.6, SHARES, 0.2)["participants"].value
    spread = planned_kappa.kappa_variance(
        rating_model(0.6, SHARES, np.eye(3), "any").joint(), np.eye(3)
    )
    found = participants_for_kappa(0.6, SHARES, 0.2, fingers=2, correlation=1.0)
    assert found["participants"].value == pytest.approx(plain, rel=0.02)
    n = int(found["participants"].value)
    half = stats.t.ppf(0.975, n - 1) * math.sqrt(spread / n) / (1 - 0.36)
    # by hand: tanh(atanh(0.6) -+ t SE / (1 - 0.6^2)), two fingers of a person quite alike
    wanted = math.tanh(math.atanh(0.6) + half) - math.tanh(math.atanh(0.6) - half)
    assert found["width"].value == pytest.approx(wanted)


def test_what_is_said():
    assert "misses_assumed" not in codes(participants_for_kappa(0.6, SHARES, 0.2))
    found = participants_for_kappa(0.6, SHARES, 0.2, weights="quadratic", raters=4)
    assert "misses_assumed" in codes(found)
    assert found.settings["misses"] == "near"
    three = participants_for_kappa(0.6, SHARES, 0.2, fingers=3, correlation=0.2)
    assert any("3 fingers of each participant" in c.message for c in three.cautions)
    assert found.curve["width"].is_monotonic_decreasing
    assert 0.19 < found["width"].value <= 0.2


def test_wrong_plans_are_named():
    with pytest.raises(ArgumentError, match="'correlation' says how alike"):
        participants_for_kappa(0.6, SHARES, 0.2, fingers=2)
    with pytest.raises(ArgumentError, match="'correlation' says how alike"):
        participants_for_kappa(0.6, SHARES, 0.2, fingers=2, correlation=1.2)
    with pytest.raises(ArgumentError, match="'raters' is a whole number of at least 2"):
        participants_for_kappa(0.6, SHARES, 0.2, raters=1)
    with pytest.raises(ArgumentError, match="'weights' takes"):
        participants_for_kappa(0.6, SHARES, 0.2, weights="cubic")
    with pytest.raises(ArgumentError, match="'misses' takes"):
        participants_for_kappa(0.6, SHARES, 0.2, misses="far")
    with pytest.raises(ArgumentError, match="too many patterns"):
        participants_for_kappa(0.6, np.full(10, 0.1), 0.2, raters=40)
    with pytest.raises(ArgumentError, match="hardly any miss"):
        participants_for_kappa(0.9999, SHARES, 0.2, weights="linear")
    with pytest.raises(EstimateError, match="not enough"):
        participants_for_kappa(0.1, SHARES, 0.005, raters=3)
