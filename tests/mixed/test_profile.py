"""Profile limits against their definition and a closed form."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.stats import chi2

from cohortkit import mixed
from cohortkit.errors import EstimateError
from cohortkit.mixed import profile
from cohortkit.mixed.profile import Curve
from tests.mixed import dense_reference
from tests.mixed.designs import (
    crossed,
    dyestuff,
    four_readings,
    no_variance,
    scanned_once_but_one,
    spanned_by_factors,
)

SETTINGS = {"value": "value", "participant": None, "unit": "1"}


def dense_ml(table, sds, mean):
    """-2 log likelihood of a subject + rater table at given sds (subject, rater, residual)."""
    v = sds[2] ** 2 * np.eye(len(table))
    for name, sd in (("subject", sds[0]), ("rater", sds[1])):
        z = pd.get_dummies(table[name]).to_numpy(dtype=float)
        v += sd**2 * z @ z.T
    rest = table["value"].to_numpy() - mean
    return np.linalg.slogdet(v)[1] + rest @ np.linalg.solve(v, rest) + len(v) * np.log(2 * np.pi)


@pytest.mark.parametrize(
    ("name", "place"), [("sd_subject", 0), ("sd_residual", 2), ("fixed_intercept", 3)]
)
def test_the_likelihood_at_a_limit_has_fallen_by_the_quantile(name, place):
    table = crossed(9, 4, 2, (1, 0.4, 0.5), seed=2).drop(index=[0, 1, 9, 30]).reset_index(drop=True)
    result = mixed.fit(
        table, random=[["subject"], ["rater"]], method="ml", intervals="profile", **SETTINGS
    )
    start = [result[f"sd_{n}"].value for n in ("subject", "rater", "residual")]
    start.append(result["fixed_intercept"].value)
    for limit in (result[name].lower, result[name].upper):

        def cost(others, limit=limit):
            full = np.insert(others, place, limit)
            return dense_ml(table, full[:3], full[3])

        found = minimize(cost, np.delete(start, place), method="Nelder-Mead",
                         options={"xatol": 1e-7, "fatol": 1e-9, "maxiter": 4000})  # fmt: skip
        fall = found.fun - result.criterion
        assert fall == pytest.approx(chi2.ppf(0.95, 1), abs=1e-4)


def test_restricted_limits_of_the_residual_in_a_balanced_one_way_table():
    # The restricted likelihood of a balanced one-way table splits in two where the batch
    # variance is free: f(s) = 24 log s^2 + 24 * 2451.25 / s^2 + a part that batches absorb.
    # source: mean square within 2451.25, Davies & Goldsmith 1972, table 6.2
    result = mixed.fit(
        dyestuff(), value="yield", random=[["batch"]], unit="g", participant=None,
        intervals=mixed.Profile("reml"),
    )  # fmt: skip
    within = 2451.25
    for limit in (result["sd_residual"].lower, result["sd_residual"].upper):
        fall = 24 * (np.log(limit**2 / within) + within / limit**2 - 1)
        assert fall == pytest.approx(chi2.ppf(0.95, 1), abs=2e-3)
    assert "profile likelihood (REML)" in result["sd_batch"].method
    assert "Satterthwaite" in result["fixed_intercept"].method


def test_a_variance_at_zero_has_the_lower_limit_zero_and_an_upper_one():
    table = no_variance()
    result = mixed.fit(table, random=[["subject"], ["rater"]], intervals="profile", **SETTINGS)
    assert result.singular == ("subject", "rater")
    for name in result.singular:
        assert result[f"sd_{name}"].lower == 0
        assert 0 < result[f"sd_{name}"].upper < np.inf


def test_a_variance_above_zero_whose_zero_is_not_ruled_out():
    table = crossed(12, 4, 1, (0.25, 0.5, 1), seed=3)
    result = mixed.fit(table, random=[["subject"], ["rater"]], intervals="profile", **SETTINGS)
    assert result["sd_subject"].value > 0
    assert result["sd_subject"].lower == 0
    assert result["var_subject"].lower == 0


def test_wider_at_a_higher_level():
    table = crossed(12, 4, 1, (1, 0.5, 1), seed=4)
    call = {"random": [["subject"], ["rater"]], "intervals": "profile", **SETTINGS}
    narrow, wide = (mixed.fit(table, level=level, **call) for level in (0.8, 0.99))
    for estimate in narrow:
        assert (
            wide[estimate.name].lower <= estimate.lower < estimate.upper < wide[estimate.name].upper
        )
        assert wide[estimate.name].level == 0.99


def test_a_likelihood_that_stays_flat_is_an_error():
    curve = Curve(lambda value: 0.0, 0.0, 1.0, 0.95)
    with pytest.raises(EstimateError, match="not found"):
        curve.crossing(0.5)


def held(table, random, name, limit):
    """-2 log likelihood (ML) with one standard deviation held, over all others, by dense search."""
    place = ["residual", *(r[0] for r in random)].index(name)
    indicators = [pd.get_dummies(table[r[0]]).to_numpy(dtype=float) for r in random]
    setting = (table["value"].to_numpy(), np.ones((len(table), 1)), indicators)

    def cost(logs):
        v = np.exp(2 * np.clip(np.insert(logs, place, np.log(limit)), -14, 5))
        return -2 * dense_reference.log_likelihood(*setting, v, False)

    options = {"xatol": 1e-7, "fatol": 1e-9, "maxiter": 4000}
    starts = [(a, b) for a in (0, -6) for b in (0, -6)]
    return min(minimize(cost, s, method="Nelder-Mead", options=options).fun for s in starts)


@pytest.mark.parametrize(
    ("table", "random", "limits"),
    [
        # source: lme4 1.1-31 confint(), which reads limits off a spline
        (
            four_readings(),
            [["subject"], ["rater"]],
            {"subject": (0.71, 3.937), "rater": (0, 3.639), "residual": (0.01568, 0.4446)},
        ),
        (
            scanned_once_but_one(),
            [["subject"], ["scan"]],
            {"subject": (0, 1.8135), "scan": (0.4471, 1.5299), "residual": (9.318e-5, 2.7109e-3)},
        ),
    ],
)
def test_limits_with_very_few_rows(table, random, limits):
    result = mixed.fit(table, random=random, method="ml", intervals="profile", **SETTINGS)
    assert "limit_not_found" not in {c.code for c in result.cautions}
    for name, expected in limits.items():
        found = result[f"sd_{name}"]
        assert (found.lower, found.upper) == pytest.approx(expected, rel=0.05)
        for limit in (found.lower, found.upper):
            if limit > 0:
                fall = held(table, random, name, limit) - result.criterion
                assert fall == pytest.approx(chi2.ppf(0.95, 1), abs=1e-3)


@pytest.mark.parametrize("scale", ["ml", "reml"])
def test_a_residual_of_zero_has_limits(scale):
    result = mixed.fit(
        spanned_by_factors(), random=[["subject"], ["rater"]], intervals=mixed.Profile(scale),
        **SETTINGS,
    )  # fmt: skip
    assert result["sd_residual"].value == result["sd_residual"].lower == 0
    # source: lme4 1.1-31, confint(): rater up to 0.1705, off a spline
    assert result["sd_rater"].upper == pytest.approx(0.1705, rel=0.06)
    assert result["sd_subject"].lower < result["sd_subject"].value < result["sd_subject"].upper
    assert not any(np.isnan(e.upper) for e in result if e.name.startswith("sd_"))


def test_a_limit_that_is_not_found_is_nan_and_leaves_the_rest(monkeypatch):
    table = crossed(12, 6, 1, (1, 0.5, 1), seed=4)
    call = {"random": [["subject"], ["rater"]], "intervals": mixed.Profile("reml"), **SETTINGS}
    whole = mixed.fit(table, **call)
    usual, highest = profile.minimise, 1.5 * whole["var_rater"].value / table["value"].var(ddof=0)

    def not_beyond(problem, start, held=None):
        if held and held.get(2, 0) > highest:
            raise EstimateError("no", next_step="none")
        return usual(problem, start, held)

    monkeypatch.setattr(profile, "minimise", not_beyond)
    result = mixed.fit(table, **call)
    assert np.isnan(result["sd_rater"].upper)
    assert np.isnan(result["var_rater"].upper)
    assert result["sd_rater"].lower == whole["sd_rater"].lower
    assert result["sd_subject"].upper == whole["sd_subject"].upper
    message = {c.code: c.message for c in result.cautions}["limit_not_found"]
    assert "upper limit of sd_rater. " in message
    assert "limit_not_found" not in {c.code for c in whole.cautions}
