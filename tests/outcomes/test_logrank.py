"""Log-rank test."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from statsmodels.duration.survfunc import survdiff

from cohortkit import outcomes
from cohortkit.errors import EstimateError
from tests.expected import figures
from tests.outcomes.planted import Course, table

PLAIN = {"time": "time", "event": "event", "group": "group", "participant": None}


def invented(seed, groups=3, n=60):
    generator = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "time": generator.integers(1, 25, n),
            "event": generator.random(n) < 0.7,
            "group": generator.integers(0, groups, n),
        }
    )


@pytest.mark.parametrize(
    ("case", "file"),
    [
        ("g01_freireich", "freireich.csv"),
        ("g10_aml", "aml.csv"),
        ("g15_edge_tied_times", "edge_tied_times.csv"),
    ],
)
def test_published_tests(check_values, case, file):
    found = outcomes.log_rank(pd.read_csv(check_values / "data" / file), **PLAIN)
    expected = figures(check_values, case)
    # source: check values g01, g10, g15 (survival 3.5-3, lifelines 0.30.3)
    for ours, theirs in (("chi2", "logrank_chi2"), ("p_value", "logrank_p")):
        row = expected.loc[theirs]
        assert found[ours].value == pytest.approx(row["value"], abs=row["tolerance"])
    assert found.settings["degrees_of_freedom"] == expected.loc["logrank_df", "value"]


def test_textbook_value_in_the_repository(repository):
    oracle = json.loads((repository / "tests/oracles/freireich_1963.json").read_text())
    rows = pd.concat(
        [
            pd.DataFrame(
                {"time": oracle["treated_time"], "event": oracle["treated_event"], "group": "t"}
            ),
            pd.DataFrame({"time": oracle["control_time"], "event": 1, "group": "c"}),
        ]
    )
    found = outcomes.log_rank(rows, **PLAIN)
    assert found["chi2"].value == pytest.approx(oracle["expected"]["log_rank_chi2"], abs=5e-3)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("groups", [2, 3, 4])
def test_agrees_with_a_foreign_library(seed, groups):
    rows = invented(seed, groups)
    found = outcomes.log_rank(rows, **PLAIN)
    # source: statsmodels survdiff, statsmodels 0.15.0, run here on the same rows
    chi2, p_value = survdiff(rows["time"], rows["event"].astype(int), rows["group"])
    assert found["chi2"].value == pytest.approx(chi2, rel=1e-8)
    assert found["p_value"].value == pytest.approx(p_value, rel=1e-8)
    assert found.settings["degrees_of_freedom"] == groups - 1
    assert found.table["observed"].sum() == pytest.approx(found.table["expected"].sum())


def test_by_hand():
    rows = pd.DataFrame({"time": [1, 2], "event": [1, 1], "group": ["a", "b"]})
    found = outcomes.log_rank(rows, **PLAIN)
    # by hand: a expects 1/2, variance 1/4; nothing to learn on day 2: (1/2)^2 / (1/4) = 1
    assert found["chi2"].value == pytest.approx(1)
    assert found.table["expected"].tolist() == [0.5, 1.5]


def test_names_of_groups_and_order_do_not_matter():
    rows = invented(4)
    swapped = rows.assign(group=2 - rows["group"]).sample(frac=1, random_state=2)
    ours = outcomes.log_rank(rows, **PLAIN)["chi2"].value
    assert outcomes.log_rank(swapped, **PLAIN)["chi2"].value == pytest.approx(ours)


def test_visit_days_are_called_late():
    rows = table(*Course(40).seen(np.random.default_rng(1)))
    rows["grade"] = ["I", "II"] * 20
    found = outcomes.log_rank(rows)
    assert "biased_late" in {c.code for c in found.cautions}
    assert found["chi2"].n_participants == 40


def test_size_of_the_test_under_equal_curves():
    generator = np.random.default_rng(8)
    small = 0
    for _ in range(400):
        rows = pd.DataFrame(
            {
                "time": generator.exponential(1, 60),
                "event": generator.random(60) < 0.8,
                "group": np.arange(60) % 2,
            }
        )
        small += outcomes.log_rank(rows, **PLAIN)["p_value"].value < 0.05
    # planted truth: equal curves, 5 %; by hand, 4 Monte Carlo errors of sqrt(0.05 * 0.95 / 400)
    assert small / 400 == pytest.approx(0.05, abs=4 * 0.011)


class TestRefusals:
    def test_repeated_participants(self):
        rows = invented(1).assign(who=np.arange(60) // 2)
        with pytest.raises(EstimateError, match="participants repeat"):
            outcomes.log_rank(rows, **{**PLAIN, "participant": "who"})

    def test_one_group(self):
        with pytest.raises(EstimateError, match="two groups"):
            outcomes.log_rank(invented(1).assign(group=1), **PLAIN)

    def test_no_event(self):
        with pytest.raises(EstimateError, match="0 events"):
            outcomes.log_rank(invented(1).assign(event=False), **PLAIN)


@pytest.mark.parametrize("seed", range(120))
def test_random_groups_have_one_degree_of_freedom_less_than_groups(seed):
    count = 2 + seed % 9
    rows = invented(seed, groups=count, n=20 * count)
    found = outcomes.log_rank(rows, **PLAIN)
    # source: statsmodels 0.15, survdiff, which leaves out one group
    statistic, _ = survdiff(rows["time"], rows["event"].astype(int), rows["group"])
    assert found.settings["degrees_of_freedom"] == count - 1
    assert found["chi2"].value == pytest.approx(statistic, rel=1e-8)
