"""The parametric bootstrap: seeds, workers, the boundary, failures."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit import mixed
from cohortkit.errors import EstimateError
from cohortkit.mixed import bootstrap
from tests.mixed.designs import crossed, no_variance

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


def test_draws_are_named_as_the_estimates_and_centred_on_them(table):
    result = mixed.fit(table, intervals=mixed.Bootstrap(n_boot=400, seed=1), **CALL)
    assert list(result.draws.columns) == [
        "var_residual", "var_subject", "var_rater", "fixed_intercept",
    ]  # fmt: skip
    for name in ("var_residual", "var_subject", "fixed_intercept"):
        draws = result.draws[name]
        error = draws.std() / np.sqrt(len(draws))
        # planted truth: the draws come from the fitted model; REML is almost unbiased
        assert abs(draws.mean() - result[name].value) < 5 * error
    assert result["sd_subject"].lower == pytest.approx(
        np.sqrt(np.quantile(result.draws["var_subject"], 0.025)), rel=0.02
    )


def test_a_refit_equals_a_fit_of_the_simulated_table(table):
    model = mixed.components.fit_design(
        mixed.components.build(table, value="value", random=CALL["random"], fixed=[]), "reml"
    )
    simulator = bootstrap.Simulator(
        model.design, model.equations, model.products, "reml", model.best.v
    )
    seed = np.random.SeedSequence(3)
    refit = simulator.refit(seed)
    again = mixed.fit(table.assign(value=simulator.draw(seed)), **CALL)
    names = ("var_residual", "var_subject", "var_rater", "fixed_intercept")
    assert refit == pytest.approx([again[name].value for name in names], rel=1e-6)


def test_a_variance_at_zero_keeps_the_lower_limit_zero():
    result = mixed.fit(no_variance(), intervals=mixed.Bootstrap(n_boot=50), **CALL)
    assert result.singular == ("subject", "rater")
    for name in result.singular:
        assert result[f"var_{name}"].lower == 0
    assert (result.draws >= 0).iloc[:, :3].all(axis=None)


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
