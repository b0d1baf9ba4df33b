"""Krippendorff's alpha against published tables, another library and itself."""

from __future__ import annotations

import json
import math

import krippendorff
import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import krippendorff_alpha
from cohortkit.agreement.krippendorff_alpha import METRICS, distances
from cohortkit.errors import ArgumentError
from tests.agreement.planted_ratings import Design, rows_of
from tests.agreement.rated_tables import OWN, codes, from_grid, from_square, triple
from tests.expected import assert_equals, figures


def grid_of(path):
    return from_grid(pd.read_csv(path, index_col=0).to_numpy().tolist())


@pytest.mark.parametrize("metric", METRICS)
def test_canonical_example(repository, metric):
    case = json.loads((repository / "tests/oracles/krippendorff_canonical.json").read_text())
    found = krippendorff_alpha(from_grid(case["ratings"]), metric=metric, **OWN)
    expected = case["expected"][metric]
    assert found["krippendorff_alpha"].value == pytest.approx(expected, abs=case["tolerance"])
    # by hand: the twelfth subject has one rating only
    assert found["krippendorff_alpha"].n_participants == 11
    said = {c.code: c.message for c in found.cautions}
    assert said["few_participants"].startswith("11 participants")
    assert said["ratings_absent"].startswith("7 of 48")
    assert found["krippendorff_alpha"].n_readings == 40


@pytest.mark.parametrize("case", ["d03_fleiss1971", "d04_krippendorff_canonical", "d05_video"])
def test_check_values(check_values, case):
    rows = grid_of(check_values / "data" / f"{case.split('_', 1)[1]}.csv")
    # source: check values d03, d04, d05 (krippendorff 0.9.0, irr and own formulas in R)
    expected = figures(check_values, case)
    listed = [s for s in expected.index if s.startswith("krippendorff_alpha")]
    assert listed
    for name in listed:
        found = krippendorff_alpha(rows, metric=name.rsplit("_", 1)[1], **OWN)
        row = expected.loc[name]
        assert found["krippendorff_alpha"].value == pytest.approx(
            row["value"], abs=row["tolerance"]
        )


@pytest.mark.parametrize(("metric", "name"), [("nominal", "unweighted"), ("interval", "quadratic")])
def test_published_interval(check_values, metric, name):
    rows = grid_of(check_values / "data/gwet_4raters.csv")
    found = krippendorff_alpha(rows, metric=metric, interval="published", **OWN)
    # source: check values d06 (irrCAC in R and Python)
    expected = figures(check_values, "d06_gwet_4raters")
    assert_equals(triple(found["krippendorff_alpha"]), expected.loc[f"krippendorff_{name}"])
    row = expected.loc[f"krippendorff_{name}_se"]
    ours = found.errors["published_error"].iloc[0]
    assert ours == pytest.approx(row["value"], abs=row["tolerance"])


def test_four_diagnoses(check_values):
    data = pd.read_csv(check_values / "data/gwet_4x4diagnosis.csv", index_col=0)
    rows = from_square(data.to_numpy().tolist(), list(data.columns))
    found = krippendorff_alpha(rows, metric="nominal", **OWN)
    # source: check values d02 (irrCAC); its form for two raters divides by n, ours by n - 1
    expected = figures(check_values, "d02_gwet_4x4diagnosis")
    row = expected.loc["krippendorff_alpha_nominal"]
    assert found["krippendorff_alpha"].value == pytest.approx(row["value"], abs=row["tolerance"])
    row = expected.loc["krippendorff_alpha_nominal_se"]
    n = found["krippendorff_alpha"].n_participants
    ours = found.errors["published_error"].iloc[0] * math.sqrt((n - 1) / n)
    assert ours == pytest.approx(row["value"], abs=row["tolerance"])


@pytest.mark.parametrize("metric", METRICS)
@pytest.mark.parametrize("seed", range(5))
def test_another_library_agrees_on_random_ratings(seed, metric):
    ratings = Design(25, 1, 4, 0.7, absent=0.25).draw(np.random.default_rng(seed))
    grid = np.where(ratings.codes < 0, np.nan, ratings.codes + 1.0)
    # source: krippendorff.alpha, krippendorff 0.9.0, run here on the same ratings
    judge = krippendorff.alpha(reliability_data=grid.T, level_of_measurement=metric)
    found = krippendorff_alpha(from_grid(grid.tolist()), metric=metric, **OWN)
    assert found["krippendorff_alpha"].value == pytest.approx(judge, abs=1e-12)


def test_measurements_in_mm():
    rng = np.random.default_rng(4)
    grid = np.round(rng.normal(2, 0.6, (30, 1)) + rng.normal(0, 0.1, (30, 3)), 1)
    judge = krippendorff.alpha(reliability_data=grid.T, level_of_measurement="interval")
    found = krippendorff_alpha(from_grid(grid.tolist()), metric="interval", **OWN)
    # source: krippendorff.alpha, krippendorff 0.9.0
    assert found["krippendorff_alpha"].value == pytest.approx(judge, abs=1e-12)


def test_interval_metric_ignores_offset_and_unit():
    rng = np.random.default_rng(4)
    grid = np.round((rng.normal(2, 0.6, (20, 1)) + rng.normal(0, 0.2, (20, 2))) * 8) / 8
    here = krippendorff_alpha(from_grid(grid.tolist()), metric="interval", **OWN)
    for other in (grid + 1e10, grid * 64):
        there = krippendorff_alpha(from_grid(other.tolist()), metric="interval", **OWN)
        assert triple(there["krippendorff_alpha"]) == pytest.approx(
            triple(here["krippendorff_alpha"]), rel=1e-9
        )


def test_ordinal_metric_knows_the_order_alone():
    grid = [[1, 1], [2, 3], [3, 3], [2, 2], [1, 2], [3, 2]]
    stretched = [[v**5 for v in line] for line in grid]
    here = krippendorff_alpha(from_grid(grid), **OWN)
    there = krippendorff_alpha(from_grid(stretched), **OWN)
    assert triple(there["krippendorff_alpha"]) == triple(here["krippendorff_alpha"])


def test_by_hand():
    rows = from_grid([["a", "a"], ["a", "b"], ["b", "b"], ["b", "b"]])
    # by hand: N = 8, counts 3 and 5, observed 2 unequal of 8; 1 - 7 x 2 / (2 x 15)
    found = krippendorff_alpha(rows, metric="nominal", **OWN)["krippendorff_alpha"].value
    assert found == pytest.approx(1 - 14 / 30)


def test_distances_by_hand():
    # by hand: (4 - 1)^2, (3 / 5)^2, and two zeros that do not differ
    assert distances([1, 4], "interval")[0, 1] == 9
    assert distances([1, 4], "ratio")[0, 1] == pytest.approx(0.36)
    assert distances([0, 0.5], "ratio").tolist() == [[0, 1], [1, 0]]


class TestEdges:
    def test_one_value_only(self):
        found = krippendorff_alpha(from_grid([[2, 2]] * 4), **OWN)
        assert math.isnan(found["krippendorff_alpha"].value)
        assert {"one_category_only", "not_defined"} <= codes(found)

    @pytest.mark.parametrize("metric", METRICS)
    def test_perfect_agreement(self, metric):
        grid = [[v, v, v] for v in (1, 2, 3, 4) * 6]
        found = krippendorff_alpha(from_grid(grid), metric=metric, **OWN)
        assert found["krippendorff_alpha"].value == 1
        assert found["krippendorff_alpha"].lower < 0.9
        assert "no_disagreement_seen" in codes(found)

    def test_words_are_no_numbers(self):
        rows = rows_of(Design(10, 1, 2, 0.8).draw(np.random.default_rng(1)))
        with pytest.raises(ArgumentError, match="'interval' needs numbers") as stop:
            krippendorff_alpha(rows, metric="interval")
        assert "metric='ordinal'" in str(stop.value)

    def test_negative_values_have_no_ratio(self):
        with pytest.raises(ArgumentError, match="at least 0"):
            krippendorff_alpha(from_grid([[-1, 1], [2, 2]]), metric="ratio", **OWN)

    def test_too_many_ranks(self):
        grid = [[float(i), i + 0.5] for i in range(60)]
        with pytest.raises(ArgumentError, match="at most 100"):
            krippendorff_alpha(from_grid(grid), metric="ordinal", **OWN)

    def test_unknown_metric(self):
        with pytest.raises(ArgumentError, match="metric"):
            krippendorff_alpha(from_grid([[1, 2]] * 3), metric="circular", **OWN)


@pytest.mark.parametrize("n", [10, 14, 20, 22, 48, 66])
def test_subjects_who_are_all_alike_give_no_interval(n):
    rows = [
        (f"p{i}", f"e{i}", rater, ("none", "complete")[(i + k) % 2])
        for i in range(n)
        for k, rater in enumerate("ab")
    ]
    names = ["participant_id", "episode_id", "rater_id", "status"]
    found = krippendorff_alpha(pd.DataFrame(rows, columns=names), categories=("none", "complete"))
    # by hand: each subject counts the same, so nothing varies over participants but rounding
    assert math.isnan(found["krippendorff_alpha"].lower)
    assert "no_interval" in {c.code for c in found.cautions}
