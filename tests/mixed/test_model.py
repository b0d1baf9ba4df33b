"""One fitted model: both starts, the other method, units."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.mixed.design import build
from cohortkit.mixed.model import fit_design, refit
from tests.mixed import dense_reference
from tests.mixed.designs import crossed


def fitted(table, method="reml", factors=(("subject",), ("rater",))):
    return fit_design(build(table, value="value", random=factors, fixed=[]), method)


def test_variances_and_likelihood_are_in_the_units_of_the_values():
    table = crossed(12, 4, 2, (1, 0.3, 0.5))
    model = fitted(table)
    n, v = len(table), model.variances
    total = v[0] * np.eye(n)
    for k, name in enumerate(("subject", "rater")):
        z = pd.get_dummies(table[name]).to_numpy(dtype=float)
        total += v[k + 1] * z @ z.T
    ones, y = np.ones(n), table["value"].to_numpy()
    weight = np.linalg.solve(total, ones)
    rest = y - weight @ y / weight.sum()
    deviance = np.linalg.slogdet(total)[1] + np.log(weight.sum())
    deviance += rest @ np.linalg.solve(total, rest) + (n - 1) * np.log(2 * np.pi)
    assert model.log_likelihood == pytest.approx(-deviance / 2, rel=1e-10)


def test_refit_by_the_other_method_equals_a_fit_by_it():
    table = crossed(12, 4, 2, (1, 0.3, 0.5))
    reml, ml = fitted(table), fitted(table, "ml")
    assert refit(reml, "reml") is reml.best
    assert refit(reml, "ml").value == pytest.approx(ml.best.value, abs=1e-9)


def test_the_higher_of_two_maxima_is_found():
    # Five rows with a covariate: one maximum is at zero for both factors, a higher one is not.
    table = pd.DataFrame({"subject": [0, 0, 1, 1, 2], "rater": [0, 1, 0, 1, 1]})
    table["value"] = [0.5, -0.2, -0.4, -0.7, -1.3]
    table["covariate"] = [-1.3, 0.5, 0.1, 0.8, 1.2]
    factors = [["subject"], ["rater"]]
    model = fit_design(build(table, value="value", random=factors, fixed=["covariate"]), "reml")
    x = np.column_stack([np.ones(5), table["covariate"]])
    indicators = [np.eye(f.size)[f.codes] for f in model.design.factors]
    setting = (table["value"].to_numpy(), x, indicators)
    best, _ = dense_reference.best(*setting, reml=True)
    at_zero, _ = dense_reference.best(*setting, reml=True, fixed_at_zero=(0, 1))
    assert model.log_likelihood == pytest.approx(best, abs=1e-6)
    assert model.log_likelihood > at_zero + 1
