"""Predicted effects of raters, against lme4 and against dense matrices."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cohortkit import mixed
from cohortkit.errors import ArgumentError
from cohortkit.mixed.effects import effects
from tests.mixed.designs import crossed, no_variance

CROSSED = [["subject"], ["rater"]]
SETTINGS = {"value": "value", "random": CROSSED, "participant": None, "unit": "1"}


def unbalanced(seed=4):
    table = crossed(15, 6, 2, (1, 0.6, 0.5), seed)
    return table[np.random.default_rng(seed).random(len(table)) > 0.3].reset_index(drop=True)


def test_effects_and_errors_are_those_of_dense_matrices():
    table = unbalanced()
    result = effects(table, of=["rater"], level=0.95, **SETTINGS)
    fit = mixed.fit(table, **SETTINGS)
    z = [pd.get_dummies(table[c[0]]).to_numpy(float) for c in CROSSED]
    v = [fit[f"var_{c[0]}"].value for c in CROSSED]
    total = sum(s * a @ a.T for s, a in zip(v, z, strict=True))
    inverse = np.linalg.inv(total + fit["var_residual"].value * np.eye(len(table)))
    ones = np.ones((len(table), 1))
    p = inverse - inverse @ ones @ np.linalg.inv(ones.T @ inverse @ ones) @ ones.T @ inverse
    predicted = v[1] * z[1].T @ p @ table["value"].to_numpy()
    error = np.sqrt(np.diag(v[1] * np.eye(6) - v[1] ** 2 * z[1].T @ p @ z[1]))
    assert [e.value for e in result] == pytest.approx(predicted, rel=1e-5, abs=1e-7)
    half = [(e.upper - e.lower) / 2 for e in result]
    # source: normal quantile of 0.975, 1.959964
    assert half == pytest.approx(1.959964 * error, rel=1e-5)
    assert [e.group for e in result] == [f"rater={k}" for k in range(6)]
    assert sum(e.n_readings for e in result) == len(table)


def test_effects_are_those_of_lme4(tmp_path):
    script = shutil.which("Rscript")
    if script is None:
        pytest.skip("Rscript is not installed")
    probe = [script, "-e", "quit(status = !requireNamespace('lme4', quietly = TRUE))"]
    if subprocess.run(probe, capture_output=True, check=False).returncode:
        pytest.skip("R has no lme4")
    table = unbalanced(9)
    table.to_csv(tmp_path / "rows.csv", index=False)
    judge = str(Path(__file__).with_name("lme4_effects.R"))
    command = [script, judge, str(tmp_path / "rows.csv")]
    printed = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    names, values = (line.split() for line in printed.splitlines())
    result = effects(table, of=["rater"], **SETTINGS)
    assert [e.group for e in result] == [f"rater={name}" for name in names]
    # source: lme4 1.1-31 ranef(), run here
    assert [e.value for e in result] == pytest.approx([float(x) for x in values], rel=1e-4)


def test_zero_variance_draws_all_effects_to_zero_and_says_so():
    result = effects(no_variance(), of=["rater"], **SETTINGS)
    assert [e.value for e in result] == [0, 0, 0, 0]
    assert all(np.isnan(e.lower) for e in result)
    assert "singular_fit" in [c.code for c in result.cautions]


def test_fewer_readings_shrink_more():
    table = crossed(20, 5, 1, (0.3, 1, 1), seed=3)
    few = table[(table["rater"] != 0) | (table["subject"] < 2)]
    result = effects(few, of=["rater"], **SETTINGS)
    widths = [e.upper - e.lower for e in result]
    assert widths[0] == max(widths)


def test_a_factor_outside_the_model_is_refused():
    with pytest.raises(ArgumentError, match="names one of the random factors"):
        effects(unbalanced(), of=["device"], **SETTINGS)
