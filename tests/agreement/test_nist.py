"""Means, standard deviations and lines to the digits that NIST certifies."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cohortkit.agreement import limits_clustered, limits_of_agreement, limits_regression
from cohortkit.agreement.limits_regression import lines_at
from tests.expected import figures

OWN = {"subject": "subject", "rater": "rater", "value": "value", "participant": None, "unit": "1"}
UNIVARIATE = ("lew", "lottery", "mavro", "michelso", "numacc1", "numacc2", "numacc3")


def pairs(first, second):
    """Two raters, one subject a row."""
    n = len(first)
    return pd.DataFrame(
        {
            "subject": [*range(n)] * 2,
            "rater": ["a"] * n + ["b"] * n,
            "value": np.concatenate([first, second]),
        }
    )


def stable(values, row):
    """Within the tolerance, or within what doubles of this size can hold."""
    grain = np.finfo(float).eps * np.abs(values).max()
    return pytest.approx(row["value"], abs=max(row["tolerance"], 4 * grain))


@pytest.mark.parametrize("name", UNIVARIATE)
@pytest.mark.parametrize("limits", [limits_of_agreement, limits_clustered])
def test_certified_mean_and_sd(check_values, name, limits):
    values = pd.read_csv(check_values / "data" / f"nist_{name}.csv")["y"].to_numpy(float)
    expected = figures(check_values, f"h02_nist_{name}")
    found = limits(pairs(values, np.zeros(len(values))), **OWN)
    # source: NIST StRD univariate summary statistics, certified values (check values h02)
    assert found["bias"].value == stable(values, expected.loc["certified_mean"])
    assert found["sd_difference"].value == stable(values, expected.loc["certified_sd"])
    assert found["bias"].n_participants == expected.loc["n", "value"]


# source: NIST StRD univariate, NumAcc4 (its construction rule, from memory)
NUMACC4 = 1e7 + np.array([0.2, *[0.1, 0.3] * 500])


def test_a_mean_of_ten_million_keeps_the_spread_of_a_tenth():
    found = limits_of_agreement(pairs(NUMACC4, np.zeros(1001)), **OWN)
    # source: NIST StRD univariate, NumAcc4, certified values (from memory); 1.9e-9 is the grain of such doubles
    assert found["bias"].value == pytest.approx(10000000.2, abs=1e-8)
    assert found["sd_difference"].value == pytest.approx(0.1, abs=1e-8)


def test_certified_line(check_values):
    data = pd.read_csv(check_values / "data" / "nist_norris.csv")
    x, y = data["x"].to_numpy(float), data["y"].to_numpy(float)
    expected = figures(check_values, "h03_nist_norris")["value"]
    (slope, intercept, _, sd), _ = lines_at(x, y, np.array([0.0]), 1.96, changing=False)
    # source: NIST StRD linear regression, Norris, certified values (check values h03)
    assert slope == pytest.approx(expected["slope"], rel=1e-12)
    assert intercept == pytest.approx(expected["intercept"], rel=1e-11)
    assert sd == pytest.approx(expected["residual_sd"], rel=1e-12)


def test_certified_errors_of_the_line(check_values):
    data = pd.read_csv(check_values / "data" / "nist_norris.csv")
    expected = figures(check_values, "h03_nist_norris")["value"]
    # Reads whose mean is x and whose difference is y.
    table = pairs(data["x"] + data["y"] / 2, data["x"] - data["y"] / 2)
    found = limits_regression(table, spread="constant", **OWN)
    t = stats.t.ppf(0.975, len(data) - 2)
    # source: NIST StRD linear regression, Norris, certified values (check values h03)
    assert found["residual_sd"].value == pytest.approx(expected["residual_sd"], rel=1e-9)
    for name in ("slope", "intercept"):
        assert found[name].value == pytest.approx(expected[name], rel=1e-9)
        half = (found[name].upper - found[name].lower) / 2
        assert half / t == pytest.approx(expected[f"{name}_se"], rel=1e-9)
