"""The parametric bootstrap: seeds, workers, the boundary, failures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from cohortkit import mixed
from cohortkit.errors import EstimateError
from cohortkit.mixed import bootstrap, intervals
from cohortkit.mixed.design import build
from cohortkit.mixed.intervals import simulator_of
from cohortkit.mixed.model import fit_design
from tests.mixed.designs import crossed, dyestuff, no_variance

CALL = {
    "value": "value",
    "random": [["subject"], ["rater"]],
    "participant": None,
    "unit": "1",
}


@pytest.fixture(scope="module")
def table():
    full = crossed(15, 4, 1, (1, 0.3, 0.5), seed=2)
    return full.drop(index=[1, 7, 20, 33]).reset_index(drop=True)


def test_the_same_seed_gives_the_same_draws_for_any_number_of_workers(table):
    one, two = (
        mixed.fit(table, intervals=mixed.Bootstrap(n_boot=20, seed=5, workers=w), **CALL)
        for w in (1, 2)
    )
    assert np.array_equal(one.draws, two.draws)
    other = mixed.fit(table, intervals=mixed.Bootstrap(n_boot=20, seed=6), **CALL)
    assert not np.array_equal(one.draws, other.draws)


@pytest.mark.parametrize("method", ["reml", "ml"])
def test_draws_of_a_balanced_design_are_the_generalised_pivots(method):
    n, k = 5, 6
    built = build(dyestuff(), value="yield", random=[["batch"]], fixed=[])
    model = fit_design(built, method)
    simulator = simulator_of(model)

    def between(values):
        return n * values.reshape(k, n).mean(axis=1).var() * k

    seen = {True: 0, False: 0}
    freedom = k - (method == "reml")
    for i in range(40):
        response = simulator.response(np.random.default_rng(i))
        refit = simulator.refit(response)
        total = ((response - response.mean()) ** 2).sum()
        again = {"b": between(response) / freedom, "w": (total - between(response)) / (n * k - k)}
        if refit.at_zero[0]:
            # by hand: without a difference between batches all rows tell the residual
            again["w"] = total / (n * k - (method == "reml"))
        fitted = {"b": model.best.v[0] + n * model.best.v[1], "w": model.best.v[0]}
        # by hand: mean square at the fit, times its value at the fit over that of the refit
        residual = fitted["w"] ** 2 / again["w"]
        batch = (fitted["b"] ** 2 / again["b"] - residual) / n
        assert simulator.variances(refit) == pytest.approx([residual, batch], rel=1e-5, abs=1e-7)
        seen[bool(refit.at_zero[0])] += 1
    assert min(seen.values()) >= 3


def test_limits_are_those_of_chi_squared_pivots():
    table = dyestuff()
    result = mixed.fit(
        table, value="yield", random=[["batch"]], participant=None, unit="g",
        intervals=mixed.Bootstrap(n_boot=2999, seed=3),
    )  # fmt: skip
    samples = table["yield"].to_numpy(dtype=float).reshape(6, 5)
    means = samples.mean(axis=1)
    ss_between = 5 * ((means - means.mean()) ** 2).sum()
    ss_within = ((samples - means[:, None]) ** 2).sum()
    rng = np.random.default_rng(8)
    within = ss_within / rng.chisquare(24, 200_000)
    between = np.maximum((ss_between / rng.chisquare(5, 200_000) - within) / 5, 0)
    # source: generalised pivotal quantity of Weerahandi 1993, drawn here from its chi-squares
    low, high = np.sqrt(np.quantile(between, [0.025, 0.975]))
    assert result["sd_batch"].lower == pytest.approx(low, abs=3)
    assert result["sd_batch"].upper == pytest.approx(high, rel=0.1)
    # source: the exact chi-squared interval of a residual variance
    exact = np.sqrt(ss_within / chi2.ppf([0.975, 0.025], 24))
    found = result["sd_residual"]
    assert (found.lower, found.upper) == pytest.approx(tuple(exact), rel=0.04)


def test_draws_are_named_as_the_variances(table):
    result = mixed.fit(table, intervals=mixed.Bootstrap(n_boot=39, seed=1), **CALL)
    assert list(result.draws.columns) == ["var_residual", "var_subject", "var_rater"]
    assert result["sd_subject"].lower == pytest.approx(
        # by hand: of 39 draws of a pivot, the lowest is the 2.5 % limit
        np.sqrt(result.draws["var_subject"].min())
    )
    plain = mixed.fit(table, **CALL)["fixed_intercept"]
    # the mean keeps its t interval
    assert (plain.lower, plain.upper) == (
        result["fixed_intercept"].lower, result["fixed_intercept"].upper
    )  # fmt: skip


def test_a_refit_equals_a_fit_of_the_simulated_table(table):
    model = fit_design(build(table, value="value", random=CALL["random"], fixed=[]), "reml")
    simulator = simulator_of(model)
    response = simulator.response(np.random.default_rng(3))
    refit = simulator.refit(response)
    again = mixed.fit(table.assign(value=response), **CALL)
    names = ("var_residual", "var_subject", "var_rater")
    assert refit.v == pytest.approx([again[name].value for name in names], rel=1e-6)


def test_a_fit_without_a_residual_is_refused(table):
    model = fit_design(build(table, value="value", random=CALL["random"], fixed=[]), "reml")
    edge = replace(model, best=replace(model.best, v=np.array([0.0, 1.0, 1.0])))
    with pytest.raises(EstimateError, match="without a residual has no bootstrap"):
        intervals.by_bootstrap(edge, mixed.Bootstrap(n_boot=20), 0.95)


def test_a_variance_at_zero_keeps_the_lower_limit_zero():
    result = mixed.fit(no_variance(), intervals=mixed.Bootstrap(n_boot=50), **CALL)
    assert result.singular == ("subject", "rater")
    for name in result.singular:
        assert result[f"var_{name}"].lower == 0 < result[f"var_{name}"].upper
        assert (result.draws[f"var_{name}"] < 0).any()
    assert (result.draws["var_residual"] > 0).all()


def test_failed_refits_are_counted(table, monkeypatch):
    usual = bootstrap.minimise
    calls = iter(range(1000))

    def sometimes(problem, start):
        if next(calls) % 4 == 0:
            raise EstimateError("no", next_step="none")
        return usual(problem, start)

    monkeypatch.setattr(bootstrap, "minimise", sometimes)
    result = mixed.fit(table, intervals=mixed.Bootstrap(n_boot=20), **CALL)
    messages = {c.code: c.message for c in result.cautions}
    assert messages["bootstrap_failures"].startswith("5 of 20")
    assert len(result.draws) == 15


def test_no_refit_at_all_is_an_error(table, monkeypatch):
    def never(problem, start):
        raise EstimateError("no", next_step="none")

    monkeypatch.setattr(bootstrap, "minimise", never)
    with pytest.raises(EstimateError, match="No bootstrap replicate"):
        mixed.fit(table, intervals=mixed.Bootstrap(n_boot=3), **CALL)
