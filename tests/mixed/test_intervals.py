"""Which interval is asked for, and what it is called."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t as student

from cohortkit import mixed
from cohortkit.errors import ArgumentError
from cohortkit.mixed.intervals import chosen
from tests.mixed.designs import crossed

CALL = {"value": "value", "random": [["subject"]], "participant": None, "unit": "mm"}


@pytest.fixture(scope="module")
def table():
    return crossed(12, 4, 1, (1, 0.3, 0.5))


@pytest.mark.parametrize(
    ("choice", "words"),
    [
        ("profile", "profile, scale=ml"),
        (mixed.Profile("reml"), "profile, scale=reml"),
        (mixed.Bootstrap(n_boot=3, seed=4), "bootstrap, n_boot=3, seed=4"),
    ],
)
def test_the_kind_of_interval_stands_in_the_settings(table, choice, words):
    found = mixed.fit(table, intervals=choice, **CALL)
    assert found.settings["intervals"] == words


def test_words_stand_for_the_default_settings():
    assert chosen("profile") == mixed.Profile("ml")
    assert chosen("bootstrap").n_boot == 999
    assert chosen(None) is None
    with pytest.raises(ArgumentError, match="None, 'profile' or 'bootstrap'"):
        chosen("wald")


def test_without_a_choice_only_coefficients_have_an_interval(table):
    result = mixed.fit(table, level=0.9, **CALL)
    row = result.fixed.iloc[0]
    assert np.isnan(result["sd_subject"].lower)
    assert np.isnan(result["sd_subject"].level)
    half = student.ppf(0.95, row["df"]) * row["se"]
    assert result["fixed_intercept"].upper == pytest.approx(row["estimate"] + half)
    assert result["fixed_intercept"].level == 0.9


def test_limits_of_a_variance_are_those_of_its_sd_squared(table):
    result = mixed.fit(table, intervals="profile", **CALL)
    for name in ("subject", "residual"):
        assert result[f"var_{name}"].lower == result[f"sd_{name}"].lower ** 2
        assert result[f"var_{name}"].upper == result[f"sd_{name}"].upper ** 2


def test_an_ml_profile_of_a_reml_fit_is_that_of_the_ml_fit(table):
    reml, ml = (mixed.fit(table, method=m, intervals="profile", **CALL) for m in ("reml", "ml"))
    for name in ("sd_subject", "sd_residual", "fixed_intercept"):
        assert reml[name].lower == pytest.approx(ml[name].lower, rel=1e-5)
        assert reml[name].upper == pytest.approx(ml[name].upper, rel=1e-5)
        assert "profile likelihood (ML)" in reml[name].method
