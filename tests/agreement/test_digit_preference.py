"""The digit tests: level, power, shape, clusters."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from statsmodels.genmod.families import Poisson
from statsmodels.genmod.generalized_linear_model import GLM

from cohortkit.agreement.digit_preference import digit_test, place_test, smooth
from cohortkit.errors import EstimateError
from tests.agreement.simulated_digits import SETTINGS, Values, draw, false_alarms


def values(n=400, seed=1, kind="wide"):
    return draw(Values(n, kind), np.random.default_rng(seed))


def test_smooth_mean_is_the_poisson_fit_of_statsmodels():
    steps = values()[0]
    fit = smooth(steps)
    # source: statsmodels 0.15, GLM with Poisson family on the same basis
    theirs = GLM(fit.count, fit.basis, family=Poisson()).fit().fittedvalues
    assert fit.mean == pytest.approx(theirs, rel=1e-5)
    # by hand: the polynomial keeps the number and the mean of the (log) values
    assert fit.mean.sum() == pytest.approx(len(steps))


def test_score_is_near_the_likelihood_ratio():
    steps, people, _ = values(4000, 3)
    fit = smooth(steps)
    heap = (fit.grid % 5 == 0).astype(float)[:, None]
    plain = GLM(fit.count, fit.basis, family=Poisson()).fit().llf
    more = GLM(fit.count, np.hstack([fit.basis, heap]), family=Poisson()).fit().llf
    # source: statsmodels 0.15, likelihood ratio of the same two models
    assert place_test(steps, people, 5).chi_square == pytest.approx(2 * (more - plain), abs=0.05)


@pytest.mark.parametrize("share", [0.3, 1.0])
def test_planted_heaps_are_found(share):
    steps, people, _ = values(300)
    rounded = np.where(
        np.random.default_rng(2).random(len(steps)) < share, 5 * np.rint(steps / 5), steps
    )
    test = place_test(rounded.astype(int), people, 5)
    assert test.df == 1
    assert test.p_value < 1e-4


def test_planted_even_digits_are_found_and_counted():
    steps, people, _ = values(600)
    even = np.where(np.random.default_rng(2).random(len(steps)) < 0.5, 2 * (steps // 2), steps)
    test = digit_test(even, people)
    assert test.df == 9
    assert test.p_value < 1e-4
    assert test.observed[::2].sum() > 1.3 * test.expected[::2].sum()
    assert test.observed.sum() == len(steps)


def test_unequal_digits_alone_are_no_preference():
    """Narrow values have unequal digits by their shape; equal frequencies are the wrong null."""
    steps, people, _ = values(1000, kind="narrow")
    test = digit_test(steps, people)
    even = test.observed.sum() / 10
    assert float(((test.observed - even) ** 2 / even).sum()) > 40
    assert test.p_value > 0.01


def test_copied_readings_do_not_add_evidence():
    steps, people, _ = values(300, 4)
    once = digit_test(steps, people)
    copied = digit_test(np.repeat(steps, 3), np.repeat(people, 3))
    # by hand: chi-square would be three times as large, and so is the design effect
    assert copied.design_effect == pytest.approx(3, rel=0.15)
    assert copied.chi_square == pytest.approx(once.chi_square, rel=0.4)


@pytest.mark.parametrize("steps", [np.arange(49), np.full(80, 5), np.repeat(np.arange(7), 20)])
def test_few_readings_or_values_are_refused(steps):
    with pytest.raises(EstimateError):
        digit_test(steps, np.arange(len(steps)))


@pytest.mark.parametrize("setting", [Values(300, "narrow"), Values(300, "wide", 4)])
def test_false_alarms_in_a_quick_look(setting):
    # by hand: 300 tables at 5 %, standard error 1.26 points, band of four errors
    for share in false_alarms(setting, 300, seed=2).values():
        assert share < 0.05 + 4 * 0.0126


@pytest.mark.long
def test_published_false_alarms(repository):
    with (repository / "docs/methods/false_alarms.csv").open(encoding="utf-8") as file:
        printed = list(csv.DictReader(file))
    found = [
        (setting.words, test, share)
        for setting in SETTINGS
        for test, share in false_alarms(setting, 4000).items()
    ]
    for row, (words, test, share) in zip(printed, found, strict=True):
        assert (row["setting"], row["test"]) == (words, test)
        assert 100 * share == pytest.approx(float(row["false_alarms_percent"]), abs=0.11)
        if test == "half_unit":
            # 4,000 tables: standard error 0.34 points; planted truth: a level of 5 %
            assert 0.036 < share < 0.064


def test_no_reading_at_all_is_too_few():
    none = np.empty(0, dtype=int)
    for stratum in (None, none):
        with pytest.raises(EstimateError, match="Fewer than 50 readings"):
            digit_test(none, none, stratum)
