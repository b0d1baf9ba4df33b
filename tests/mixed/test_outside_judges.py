"""Other people's fits of the same tables: statsmodels always, R's lme4 where it is installed."""

from __future__ import annotations

import shutil
import subprocess
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec
from statsmodels.tools.sm_exceptions import ConvergenceWarning

from cohortkit import mixed
from tests.mixed.designs import FACTORS, crossed

SETTINGS = {"value": "value", "participant": None, "unit": "1"}


def unbalanced(seed: int, sds=(1, 0.4, 0.5), cell: float = 0.0) -> pd.DataFrame:
    """10 subjects x 5 raters x 2 reads with a fifth of the rows lost, and a covariate."""
    table = crossed(10, 5, 2, sds, seed)
    rng = np.random.default_rng(seed)
    table["value"] += cell * rng.normal(size=50)[5 * table["subject"] + table["rater"]]
    table["covariate"] = rng.normal(size=len(table))
    return table[rng.random(len(table)) > 0.2].reset_index(drop=True)


def statsmodels_fit(table: pd.DataFrame, random: list[list[str]], reml: bool) -> tuple:
    """Variances (factors, then residual) and log likelihood by statsmodels' MixedLM."""
    blocks, names = [], []
    for columns in random:
        codes = table.groupby(columns).ngroup()
        blocks.append([pd.get_dummies(codes).to_numpy(dtype=float)])
        names.append([[f"{'_'.join(columns)}{k}" for k in range(codes.max() + 1)]])
    kinds = [":".join(columns) for columns in random]
    from_blocks = VCSpec(kinds, names, blocks)
    model = MixedLM(
        table["value"], np.ones(len(table)), groups=np.zeros(len(table)), exog_vc=from_blocks
    )
    with warnings.catch_warnings():
        # Its gradient test is strict; what it found is judged by the log likelihood below.
        warnings.simplefilter("ignore", ConvergenceWarning)
        fit = model.fit(reml=reml, method="bfgs", gtol=1e-7)
    return [*fit.vcomp, fit.scale], fit.llf


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("kind", ["crossed", "nested", "interaction"])
def test_statsmodels(kind, method):
    table = unbalanced(3, cell=0.7)
    variances, log_likelihood = statsmodels_fit(table, FACTORS[kind], method == "reml")
    result = mixed.fit(table, random=FACTORS[kind], method=method, **SETTINGS)
    assert result.log_likelihood == pytest.approx(log_likelihood, abs=1e-4)
    assert result.components["variance"].to_numpy() == pytest.approx(variances, rel=2e-3, abs=1e-4)


@pytest.fixture(scope="module")
def lme4():
    script = shutil.which("Rscript")
    if script is None:
        pytest.skip("Rscript is not installed")
    probe = [script, "-e", "quit(status = !requireNamespace('lme4', quietly = TRUE))"]
    if subprocess.run(probe, capture_output=True, check=False).returncode:
        pytest.skip("R has no lme4")
    return script


def ask_lme4(script: str, folder: Path, tables: list[pd.DataFrame], model: str, method: str):
    """One row of numbers per table."""
    numbered = [table.assign(table=k) for k, table in enumerate(tables)]
    pd.concat(numbered).to_csv(folder / "tables.csv", index=False)
    judge = str(Path(__file__).with_name("lme4_judge.R"))
    command = [script, judge, str(folder / "tables.csv"), model, method]
    printed = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    return [[float(x) for x in line.split()] for line in printed.splitlines()]


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("model", ["crossed", "interaction", "nested", "covariate"])
def test_lme4(lme4, tmp_path, model, method):
    random, fixed = FACTORS.get(model, FACTORS["crossed"]), []
    if model == "covariate":
        fixed = ["covariate"]
    sds = [(1, 0.4, 0.5), (0, 0.4, 0.5), (1, 0, 0.5), (0, 0, 1)]
    tables = [unbalanced(seed, sds[seed % 4]) for seed in range(12)]
    for table, line in zip(tables, ask_lme4(lme4, tmp_path, tables, model, method), strict=True):
        result = mixed.fit(table, random=random, fixed=fixed, method=method, **SETTINGS)
        count = len(random) + 1
        theirs, (log_likelihood, *rest) = line[:count], line[count:]
        # lme4 may stop short of the optimum, never beyond it.
        assert -1e-7 < result.log_likelihood - log_likelihood < 1e-4
        assert result.components["variance"].to_numpy() == pytest.approx(theirs, rel=2e-4, abs=1e-5)
        assert result.fixed["estimate"].to_numpy() == pytest.approx(
            rest[: len(rest) // 2], rel=1e-4, abs=1e-5
        )
        assert result.fixed["se"].to_numpy() == pytest.approx(rest[len(rest) // 2 :], rel=1e-4)
