"""Coefficients, standard errors and degrees of freedom."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit import mixed
from tests.mixed.designs import crossed, dyestuff

SETTINGS = {"value": "value", "participant": None, "unit": "1"}


def test_mean_of_a_balanced_one_way_table():
    result = mixed.fit(dyestuff(), value="yield", random=[["batch"]], unit="g", participant=None)
    row = result.fixed.iloc[0]
    assert row["estimate"] == pytest.approx(1527.5)  # by hand: mean of the 30 values
    # by hand: the mean of six independent batch means, so five degrees of freedom
    assert row["df"] == pytest.approx(5, rel=1e-6)
    means = dyestuff().groupby("batch")["yield"].mean()
    assert row["se"] == pytest.approx(means.std() / np.sqrt(6), rel=1e-6)


def test_degrees_of_freedom_of_a_contrast_within_subjects():
    table = crossed(10, 3, 1, (1, 0, 0.4))
    table["device"] = "d" + table["rater"].astype(str)
    result = mixed.fit(table, random=[["subject"]], fixed=["device"], **SETTINGS)
    # by hand: (10 - 1)(3 - 1) residual degrees of freedom in a randomised block design
    assert result.fixed["df"].iloc[1:].to_numpy() == pytest.approx([18, 18], rel=1e-6)
    wide = table.pivot_table(index="subject", columns="device", values="value")
    difference = (wide["d1"] - wide["d0"]).mean()
    assert result["fixed_device[d1]"].value == pytest.approx(difference)


def test_a_covariate_far_from_zero_costs_no_digits():
    table = crossed(10, 3, 2, (1, 0.2, 0.4))
    table["x"] = np.arange(60) / 64
    table["value"] += 2 * table["x"]
    near = mixed.fit(table, random=[["subject"]], fixed=["x"], **SETTINGS)
    far = mixed.fit(
        table.assign(x=table["x"] + 2**20), random=[["subject"]], fixed=["x"], **SETTINGS
    )
    assert far["fixed_x"].value == pytest.approx(near["fixed_x"].value, rel=1e-6)
    assert far.fixed["se"].iloc[1] == pytest.approx(near.fixed["se"].iloc[1], rel=1e-5)
    assert far.log_likelihood == pytest.approx(near.log_likelihood, abs=1e-8)


def test_generalised_least_squares_by_hand():
    table = crossed(8, 4, 1, (1, 0.3, 0.5), seed=5).drop(index=[0, 5, 6, 17]).reset_index(drop=True)
    table["x"] = np.random.default_rng(0).normal(size=len(table))
    result = mixed.fit(table, random=[["subject"], ["rater"]], fixed=["x"], **SETTINGS)
    v = result["var_residual"].value * np.eye(len(table))
    for name in ("subject", "rater"):
        z = pd.get_dummies(table[name]).to_numpy(dtype=float)
        v += result[f"var_{name}"].value * z @ z.T
    x = np.column_stack([np.ones(len(table)), table["x"]])
    covariance = np.linalg.inv(x.T @ np.linalg.solve(v, x))
    coefficients = covariance @ x.T @ np.linalg.solve(v, table["value"])
    assert result.fixed["estimate"].to_numpy() == pytest.approx(coefficients)
    assert result.fixed["se"].to_numpy() == pytest.approx(np.sqrt(np.diag(covariance)))


def test_units_of_slopes():
    table = crossed(8, 4, 2, (1, 0.3, 0.5))
    table["age"] = np.arange(64.0)
    table["side"] = np.where(table["age"] % 2, "left", "right")
    settings = {"value": "value", "random": [["subject"]], "fixed": ["age", "side"]}
    assert list(mixed.fit(table, **settings).fixed["unit"]) == ["mm", "mm/{age}", "mm"]
    assert list(mixed.fit(table, unit="1", **settings).fixed["unit"]) == ["1", "/{age}", "1"]
