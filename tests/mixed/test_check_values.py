"""Published data sets with figures computed by lme4 and by separate Python code.

Every expected number here is read from the folder of check values.
"""

from __future__ import annotations

import functools

import pandas as pd
import pytest

from cohortkit import mixed

# case: (file, value, random, fixed, {name in the check values: component here})
CASES = {
    "a03_dyestuff": ("dyestuff", "yield", [["batch"]], [], {"batch": "batch"}),
    "a04_penicillin": (
        "penicillin", "diameter", [["plate"], ["sample"]], [],
        {"plate": "plate", "sample": "sample"},
    ),
    "a05_pastes_nested": (
        "pastes", "strength", [["batch"], ["batch", "cask"]], [],
        {"batch": "batch", "cask_in_batch": "batch:cask"},
    ),
    "a06_machines_fixed_machine": (
        "machines", "score", [["worker"], ["worker", "machine"]], ["machine"],
        {"worker": "worker", "worker_machine": "worker:machine"},
    ),
    "a07_machines_random_machine": (
        "machines", "score", [["worker"], ["machine"], ["worker", "machine"]], [],
        {"worker": "worker", "machine": "machine", "worker_machine": "worker:machine"},
    ),
    "a08_fat_sub": (
        "fat_ultrasound", "sub", [["id"], ["observer"], ["id", "observer"]], [],
        {"subject": "id", "observer": "observer", "subject_observer": "id:observer"},
    ),
    "a08_fat_vic": (
        "fat_ultrasound", "vic", [["id"], ["observer"], ["id", "observer"]], [],
        {"subject": "id", "observer": "observer", "subject_observer": "id:observer"},
    ),
    "a09_insteval_dept7": (
        "insteval_dept7", "rating", [["student"], ["lecturer"]], [],
        {"student": "student", "lecturer": "lecturer"},
    ),
    "a10_oxide_nested": (
        "oxide", "thickness", [["lot"], ["lot", "wafer"]], [],
        {"lot": "lot", "wafer_in_lot": "lot:wafer"},
    ),
    "g07_sleepstudy": ("sleepstudy", "reaction", [["subject"]], ["days"], {"subject": "subject"}),
    "g12_orthodont": ("orthodont", "distance", [["subject"]], ["age", "sex"], {"subject": "subject"}),
}  # fmt: skip


@functools.cache
def expected(folder):
    table = pd.read_csv(folder / "expected.csv")
    return {(row.case, row.statistic): row for row in table.itertuples()}


def fitted(folder, case, method, **settings):
    file, value, random, fixed, _ = CASES[case]
    table = pd.read_csv(folder / "data" / f"{file}.csv")
    if case == "g12_orthodont":
        table["sex"] = pd.Categorical(table["sex"], ["Male", "Female"])
    return mixed.fit(
        table,
        value=value,
        random=random,
        fixed=fixed,
        method=method,
        unit="1",
        participant=None,
        **settings,
    )


def agrees(found, row):
    """To five digits, or the tolerance of the check value where lme4 itself is rougher."""
    return found == pytest.approx(row.value, rel=1e-5, abs=row.tolerance)


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("case", CASES)
def test_components_and_likelihood(check_values, case, method):
    values = expected(check_values)
    prefix = f"intercept_{method}" if case.startswith("g") else method
    suffix = "_Intercept" if case.startswith("g") else ""
    result = fitted(check_values, case, method)
    for theirs, ours in CASES[case][-1].items():
        assert agrees(result[f"var_{ours}"].value, values[case, f"{prefix}_var_{theirs}{suffix}"])
    assert agrees(result["var_residual"].value, values[case, f"{prefix}_var_residual"])
    assert agrees(result.log_likelihood, values[case, f"{prefix}_loglik"])
    if (case, f"{prefix}_criterion") in values:
        assert agrees(result.criterion, values[case, f"{prefix}_criterion"])


NAMES = {"Intercept": "intercept", "days": "days", "age": "age", "sexFemale": "sex[Female]"}


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("case", CASES)
def test_fixed_coefficients_and_standard_errors(check_values, case, method):
    values = expected(check_values)
    prefix = f"intercept_{method}_" if case.startswith("g") else f"{method}_fixed_"
    table = fitted(check_values, case, method).fixed.set_index("name")
    for theirs, ours in NAMES.items():
        for column, kind in (
            ("estimate", "fixed_" if "intercept_" in prefix else ""),
            ("se", "se_"),
        ):
            row = values.get((case, f"{prefix}{kind}{theirs}"))
            if row is not None:
                assert agrees(table.loc[ours, column], row)


def test_machines_as_fixed_levels(check_values):
    values = expected(check_values)
    case = "a06_machines_fixed_machine"
    result = fitted(check_values, case, "reml")
    base = result["fixed_intercept"].value
    means = {"A": base} | {m: base + result[f"fixed_machine[{m}]"].value for m in "BC"}
    for machine, mean in means.items():
        assert agrees(mean, values[case, f"reml_fixed_machine{machine}"])
    assert agrees(result.fixed["se"].iloc[0], values[case, "reml_fixed_se_machineA"])


def test_profile_limits_of_the_dyestuff_data(check_values):
    values = expected(check_values)
    result = fitted(check_values, "a03_dyestuff", "reml", intervals="profile")
    for theirs, ours in (
        ("profile_ci_sd_batch", "sd_batch"),
        ("profile_ci_sd_residual", "sd_residual"),
        ("profile_ci_mean", "fixed_intercept"),
    ):
        row, found = values["a03_dyestuff", theirs], result[ours]
        assert found.lower == pytest.approx(row.ci_low, abs=row.tolerance)
        assert found.upper == pytest.approx(row.ci_high, abs=row.tolerance)


def test_intraclass_correlations_from_the_components(check_values):
    values = expected(check_values)
    case = "a07_machines_random_machine"
    share = fitted(check_values, case, "reml").components.set_index("component")["share"]
    assert share["worker"] == pytest.approx(values[case, "icc_interrater_single"].value, rel=2e-6)
    assert 1 - share["residual"] == pytest.approx(
        values[case, "icc_intrarater_single"].value, rel=2e-6
    )
