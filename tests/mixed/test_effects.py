"""Predicted effects of raters, against lme4 and against dense matrices."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from cohortkit import mixed
from cohortkit.errors import ArgumentError
from cohortkit.mixed import sequential
from cohortkit.mixed.design import build
from cohortkit.mixed.effects import effects
from cohortkit.mixed.model import fit_design
from cohortkit.mixed.prediction import Predictor, mixture_quantile
from tests.covered import printed
from tests.mixed.designs import crossed, no_variance
from tests.mixed.simulated_effects import SETTINGS as MEASURED
from tests.mixed.simulated_effects import Setting, measure

CROSSED = [["subject"], ["rater"]]
SETTINGS = {"value": "value", "random": CROSSED, "participant": None, "unit": "1"}


def unbalanced(seed=4):
    table = crossed(15, 6, 2, (1, 0.6, 0.5), seed)
    return table[np.random.default_rng(seed).random(len(table)) > 0.3].reset_index(drop=True)


def dense(table, fit):
    """Predicted rater effects and their errors at the fitted variances, by dense matrices."""
    z = [pd.get_dummies(table[c[0]]).to_numpy(float) for c in CROSSED]
    v = [fit[f"var_{c[0]}"].value for c in CROSSED]
    total = sum(s * a @ a.T for s, a in zip(v, z, strict=True))
    inverse = np.linalg.inv(total + fit["var_residual"].value * np.eye(len(table)))
    ones = np.ones((len(table), 1))
    p = inverse - inverse @ ones @ np.linalg.inv(ones.T @ inverse @ ones) @ ones.T @ inverse
    predicted = v[1] * z[1].T @ p @ table["value"].to_numpy()
    return predicted, np.sqrt(np.diag(v[1] * np.eye(z[1].shape[1]) - v[1] ** 2 * z[1].T @ p @ z[1]))


def test_effects_and_errors_are_those_of_dense_matrices():
    table = unbalanced()
    result = effects(table, of=["rater"], **SETTINGS)
    predicted, error = dense(table, mixed.fit(table, **SETTINGS))
    assert [e.value for e in result] == pytest.approx(predicted, rel=1e-5, abs=1e-7)
    model = fit_design(build(table, value="value", random=CROSSED, fixed=[]), "reml")
    found = Predictor(model, [1]).at(model.best.point.v)[1]
    assert model.design.scale * found == pytest.approx(error, rel=1e-5)
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


@pytest.mark.parametrize("raters", [3, 6])
def test_with_many_readings_the_interval_is_students(raters):
    table = crossed(100, raters, 1, (1, 0.5, 0.01), seed=8)
    result = effects(table, of=["rater"], n_draws=4000, **SETTINGS)
    # by hand: raters' means are known but for the mean of all raters at large, which lies
    # t(k - 1) s / root k around theirs; lme4's normal interval would be 1.96 s / root k
    means = table.groupby("rater")["value"].mean()
    half = student.ppf(0.975, raters - 1) * means.std(ddof=1) / np.sqrt(raters)
    for estimate, mean in zip(result, means - means.mean(), strict=True):
        assert estimate.value == pytest.approx(mean, abs=0.005)
        assert estimate.upper - mean == pytest.approx(half, rel=0.06)
        assert mean - estimate.lower == pytest.approx(half, rel=0.06)


def test_the_seed_fixes_the_interval():
    one, two, other = (effects(unbalanced(), of=["rater"], seed=s, **SETTINGS) for s in (1, 1, 2))
    assert [e.lower for e in one] == [e.lower for e in two]
    assert [e.lower for e in one] != [e.lower for e in other]
    # by hand: 1,000 draws turn a limit by about 1 % of the width
    width = one.estimates[0].upper - one.estimates[0].lower
    assert one.estimates[0].lower == pytest.approx(other.estimates[0].lower, abs=0.05 * width)
    with pytest.raises(ArgumentError, match="n_draws"):
        effects(unbalanced(), of=["rater"], n_draws=10, **SETTINGS)


def test_zero_variance_draws_all_effects_to_zero_and_says_so():
    result = effects(no_variance(), of=["rater"], **SETTINGS)
    assert [e.value for e in result] == [0, 0, 0, 0]
    # by hand: equal means of raters fit no variance above zero
    assert all(np.isnan(e.lower) for e in result)
    messages = {c.code: c.message for c in result.cautions}
    assert "they have no interval" in messages["singular_fit"]
    assert "interval_at_zero" not in messages


def test_a_variance_missed_is_allowed_for():
    table = crossed(30, 8, 1, (0.4, 0, 0.2), seed=5)
    result = effects(table, of=["rater"], **SETTINGS)
    assert [e.value for e in result] == [0] * 8
    # planted truth: no shifts; a shift of 0.2 would show in means of 30 readings, whose error is 0.04
    assert all(-0.2 < e.lower < 0 < e.upper < 0.2 for e in result)
    messages = {c.code: c.message for c in result.cautions}
    assert "allow for a variance that was missed" in messages["singular_fit"]
    assert "do not rule out that rater makes no difference" in messages["interval_at_zero"]
    clear = effects(crossed(30, 8, 1, (0.4, 0.3, 0.2), seed=5), of=["rater"], **SETTINGS)
    assert clear.cautions == ()


def test_without_draws_the_variances_are_taken_as_known_and_that_is_said(monkeypatch):
    monkeypatch.setattr(sequential, "MOST_CELLS", 10)
    table = unbalanced()
    result = effects(table, of=["rater"], **SETTINGS)
    predicted, error = dense(table, mixed.fit(table, **SETTINGS))
    # source: normal quantile of 0.975, 1.959964
    assert [e.upper for e in result] == pytest.approx(predicted + 1.959964 * error, rel=1e-4)
    (caution,) = (c for c in result.cautions if c.code == "interval_variances_known")
    assert "too large for generalised intervals" in caution.message
    nothing = effects(no_variance(), of=["rater"], **SETTINGS)
    assert all(np.isnan(e.upper) for e in nothing)


def test_the_order_of_the_factors_may_be_any():
    table = crossed(12, 5, 2, (1, 0.5, 0.3), seed=3)
    settings = {**SETTINGS, "random": [["subject"], ["rater"], ["subject", "rater"]]}
    usual = effects(table, of=["rater"], **settings)
    turned = effects(table, of=["rater"], **{**settings, "random": settings["random"][::-1]})
    assert "interval_variances_known" not in {c.code for c in turned.cautions}
    for a, b in zip(usual, turned, strict=True):
        assert a.value == pytest.approx(b.value, rel=1e-5)
        assert b.upper - b.lower == pytest.approx(a.upper - a.lower, rel=0.15)


def test_what_raters_of_one_site_share_is_the_sites():
    setting = Setting((4, 12, 3, 1), (0.4, 0.1, 0.2), site=0.1)
    table, _ = setting.draw(np.random.default_rng(1))
    result = effects(table, of=["rater"], **{**SETTINGS, "random": setting.random})
    messages = {c.code: c.message for c in result.cautions}
    assert "Each rater occurs with one site only" in messages["shared_shift_elsewhere"]
    crossing = effects(unbalanced(), of=["rater"], **SETTINGS)
    assert "shared_shift_elsewhere" not in {c.code for c in crossing.cautions}


def test_the_whole_shift_of_raters_of_several_sites():
    setting = Setting((3, 100, 2, 1), (0.4, 0.3, 0.01), site=0.5, together=True)
    table, shift = setting.draw(np.random.default_rng(3))
    call = {**SETTINGS, "random": setting.random}
    own = effects(table, of=["rater"], **call)
    whole = effects(table, of=["rater"], plus=[["site"]], **call)
    # by hand: raters' means are all but known; their own share is what is beyond the site's,
    # which is about v / (v + w / 2) of the mean of its two raters, less the mean of all
    means = table.groupby("rater")["value"].mean()
    fit = mixed.fit(table, **call)
    site, rater = (fit[f"var_{name}"].value for name in ("site", "rater"))
    of_site = np.repeat(means.groupby(np.arange(6) // 2).mean(), 2).to_numpy() - means.mean()
    assert [e.value for e in whole] == pytest.approx(means - means.mean(), abs=0.003)
    shared = [a.value - b.value for a, b in zip(whole, own, strict=True)]
    assert shared == pytest.approx(site / (site + rater / 2) * of_site, abs=0.003)
    messages = {c.code: c.message for c in whole.cautions}
    assert "shared_shift_elsewhere" not in messages
    assert "the sum of rater and site" in messages["interval_of_sum"]
    assert "interval_of_sum" not in {c.code for c in own.cautions}
    assert all(e.lower < planted < e.upper for e, planted in zip(whole, shift, strict=True))


def test_effects_are_added_only_of_what_a_level_lies_in():
    table = unbalanced()
    with pytest.raises(ArgumentError, match="each rater has one of it"):
        effects(table, of=["rater"], plus=[["subject"]], **SETTINGS)
    with pytest.raises(ArgumentError, match="rater itself"):
        effects(table, of=["rater"], plus=[["rater"]], **SETTINGS)
    with pytest.raises(ArgumentError, match="'plus' names one of the random factors"):
        effects(table, of=["rater"], plus=[["site"]], **SETTINGS)


def test_quantiles_of_a_mixture():
    centre, error = np.array([[0.0, -3.0], [0.0, 3.0]]), np.array([[1.0, 0.1], [1.0, 0.1]])
    # by hand: one normal twice, and two far apart, whose lower quarter point is the middle of one
    assert mixture_quantile(centre, error, 0.975)[0] == pytest.approx(1.959964, abs=1e-6)
    assert mixture_quantile(centre, error, 0.25)[1] == pytest.approx(-3)


def test_a_small_run_of_coverage():
    share, tables = measure(Setting((1, 20, 5, 1), (0.4, 0.1, 0.2)), 60)[0]
    assert tables >= 55
    # planted truth; by hand: shares of tables' raters vary by less than those of single tables,
    # of which at 95 % fewer than 49 of 60 happen with binomial probability 4e-5
    assert share >= 49 / 60


def test_measured_coverage_is_cautioned_where_it_is_off(repository):
    found = printed(repository / "docs/methods", "effects")
    kept = {
        design: (share, n) for (design, figure), (share, n) in found.items() if figure == "effect"
    }
    assert len(kept) == len(MEASURED)
    for setting in MEASURED:
        share, n_sim = kept[setting.words]
        # planted truth: simulated designs. Where raters hardly differ `interval_at_zero` says
        # that intervals are too wide, and of sums `interval_of_sum`
        hardly = setting.sds[1] < 0.1
        assert n_sim >= 3800
        low, high = (98, 100) if hardly else (96.5, 99) if setting.together else (93.5, 96.5)
        assert low <= share <= high, setting


def test_fewer_readings_shrink_more():
    table = crossed(20, 5, 1, (0.3, 1, 1), seed=3)
    few = table[(table["rater"] != 0) | (table["subject"] < 2)]
    result = effects(few, of=["rater"], **SETTINGS)
    widths = [e.upper - e.lower for e in result]
    assert widths[0] == max(widths)


def test_a_factor_outside_the_model_is_refused():
    with pytest.raises(ArgumentError, match="names one of the random factors"):
        effects(unbalanced(), of=["device"], **SETTINGS)
