"""What estimators should recover."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import roc_auc_score

from cohortkit.synthetic.design import read_design
from cohortkit.synthetic.truth import area, derived_truth, truth_tables
from cohortkit.tables.schema import shipped_folder
from tests.synthetic.cohorts import shipped

DESIGN = read_design()
FOLDER = shipped_folder("synthetic_cohort") / "truth"
WRITTEN = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))


def test_the_area_is_that_of_a_general_library():
    rng = np.random.default_rng(4)
    values, positive = rng.integers(0, 9, 200), rng.random(200) < 0.3
    # source: sklearn.metrics.roc_auc_score, scikit-learn 1.6+
    assert area(values, positive) == pytest.approx(roc_auc_score(positive, values), abs=1e-12)


def test_return_by_180_days_is_computed_from_the_design():
    planted = WRITTEN["return_to_full_climbing"]["by_true_grade"]
    # by hand: (1 - 0.07) * (1 - 2^-((180/115)^1.7)) for grade III
    assert planted["III"]["180"] == pytest.approx(0.93 * (1 - 2 ** -((180 / 115) ** 1.7)))


def test_a_smaller_twin_finds_the_same_figures():
    """The written figures come from a large twin; a smaller one may differ by sampling only."""
    small = derived_truth(DESIGN, scale=15)
    for large_row, row in zip(WRITTEN["agreement_stored"], small["agreement_stored"], strict=True):
        assert row["icc_a_1"] == pytest.approx(large_row["icc_a_1"], abs=0.03)
        assert row["sem_agreement"] == pytest.approx(large_row["sem_agreement"], rel=0.05)
    key = "uninjured_adults_as_measured"
    for large_row, row in zip(WRITTEN[key], small[key], strict=True):
        for q, value in row["quantiles_mm"].items():
            assert value == pytest.approx(large_row["quantiles_mm"][q], abs=0.05)
            written = large_row["quantiles_written_mm"][q]
            # rounding to tenths moves a gap by up to 0.05, and one rater heaps at halves
            assert written is None or written == pytest.approx(value, abs=0.2)
    key = "complete_against_less"
    for large_row, row in zip(WRITTEN[key], small[key], strict=True):
        for name in ("auc_true_status", "auc_recorded_without_us_gap", "auc_verified_only"):
            assert row[name] == pytest.approx(large_row[name], abs=0.01)


def test_the_parts_of_a_truth_agree_with_one_another():
    for row in WRITTEN["agreement_stored"]:
        subject, rater, rest = (row[f"variance_{p}"] for p in ("subject", "rater", "residual"))
        assert row["icc_a_1"] == pytest.approx(subject / (subject + rater + rest))
        assert row["sem_agreement"] == pytest.approx(np.sqrt(rater + rest))
        assert rater == pytest.approx(DESIGN.reading.rater_sd**2)


def test_torn_fingers_flatter_the_icc_and_worsen_the_error():
    rows = {(r["pulley"], r["load"], r["group"]): r for r in WRITTEN["agreement_stored"]}
    for pulley in ("A2", "A4"):
        uninjured, everyone = (rows[pulley, "loaded", g] for g in ("uninjured", "all"))
        assert everyone["icc_a_1"] > uninjured["icc_a_1"]
        assert everyone["sem_agreement"] > uninjured["sem_agreement"]


def test_a_status_from_the_gap_itself_flatters_the_accuracy():
    a2 = WRITTEN["complete_against_less"][0]
    assert a2["pulley"] == "A2"
    assert a2["auc_recorded"] > a2["auc_true_status"]


def test_verifying_large_gaps_raises_sensitivity_and_lowers_specificity():
    """The direction that partial verification has (Begg & Greenes 1983)."""
    at = WRITTEN["complete_against_less"][0]["at_3_mm"]
    assert at["sensitivity_verified_only"] > at["sensitivity_true_status"]
    assert at["specificity_verified_only"] < at["specificity_true_status"]


@pytest.mark.parametrize("name", ["true_gaps", "true_episodes", "effects", "same_person"])
def test_the_written_truth_is_that_of_the_design(name):
    made = truth_tables(shipped(), DESIGN, DESIGN.seed)[name].reset_index(drop=True)
    written = pd.read_csv(FOLDER / f"{name}.csv", keep_default_na=False, na_values=[""])
    assert list(made.columns) == list(written.columns)
    assert len(made) == len(written)
    for column in made.columns:
        if pd.api.types.is_numeric_dtype(written[column]):
            ours = made[column].to_numpy(dtype=float, na_value=np.nan)
            assert ours == pytest.approx(written[column].to_numpy(float), abs=1e-4, nan_ok=True)
        else:
            ours = made[column].fillna("").astype(str).tolist()
            assert ours == written[column].fillna("").astype(str).tolist()


def test_effects_add_up_to_the_true_gap():
    """Mean + scale * (site + participant + finger + pulley + covariates), for one man's A2."""
    effects = pd.read_csv(FOLDER / "effects.csv").set_index(["kind", "id"])["effect_mm"]
    cohort = shipped()
    people = cohort.tables["participants"].set_index("participant_id")
    gaps = pd.read_csv(FOLDER / "true_gaps.csv")
    scans = cohort.tables["scans"].set_index("scan_id")
    plain = gaps[gaps["episode_id"].isna() & (gaps["pulley"] == "A2") & (gaps["load"] == "rest")]
    checked = 0
    for row in plain.head(300).itertuples():
        person, scan = people.loc[row.participant_id], scans.loc[row.scan_id]
        if person["sex"] != "male" or person["age_years"] < 18 or scan["support_worn"] != "none":
            continue
        finger = f"{row.participant_id}|{row.side}|{row.digit}"
        expected = (
            DESIGN.gaps.mean_mm["A2"]["rest"]["none"]
            + effects["site", row.participant_id[:3]]
            + effects["participant", row.participant_id]
            + effects["finger", finger]
            + effects["pulley", f"{finger}|A2"]
            + DESIGN.gaps.per_climbing_year * (person["climbing_years"] - 10)
        )
        assert row.true_gap_mm == pytest.approx(max(expected, 0), abs=5e-4)
        checked += 1
    assert checked > 50
