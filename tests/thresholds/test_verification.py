"""Correction for partial verification."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit import thresholds
from cohortkit.errors import EstimateError, TableError
from tests.expected import assert_equals, figures
from tests.thresholds.planted import Design, table


def limits(estimate):
    return estimate.value, estimate.lower, estimate.upper


def liver_scans():
    # source: Drum & Christacopoulos 1972 (J Nucl Med 13:908-15), used by Begg & Greenes 1983
    # (Biometrics 39:207-15): 429 test positive (231 + 32 verified), 221 negative (27 + 54)
    blocks = [
        (1.0, "yes", True, 231), (1.0, "no", True, 32), (1.0, None, False, 429 - 263),
        (0.0, "yes", True, 27), (0.0, "no", True, 54), (0.0, None, False, 221 - 81),
    ]  # fmt: skip
    rows = [{"value": v, "state": s, "checked": k} for v, s, k, n in blocks for _ in range(n)]
    return pd.DataFrame(rows)


LIVER = {
    "value": "value", "status": "state", "positive": "yes", "negative": "no",
    "verified": "checked", "participant": None, "unit": "1",
}  # fmt: skip


def test_liver_scan_example(check_values):
    found = thresholds.corrected_accuracy(liver_scans(), 0.5, **LIVER)
    expected = figures(check_values, "f06_begg_greenes_hepatic")
    # source: check values f06 (Begg & Greenes 1983; interval of Zhou 1993)
    for name in ("sensitivity", "specificity"):
        assert_equals(limits(found[name]), expected.loc[f"{name}_corrected"])
        naive = expected.loc[f"{name}_naive", "value"]
        assert found[f"{name}_naive"].value == pytest.approx(naive, abs=1e-6)
    prevalence = expected.loc["prevalence_corrected", "value"]
    assert found["prevalence"].value == pytest.approx(prevalence, abs=1e-6)


def test_liver_scan_example_without_the_folder():
    found = thresholds.corrected_accuracy(liver_scans(), 0.5, **LIVER)
    # source: Begg & Greenes 1983, naive 0.895 and 0.628, corrected 0.836 and 0.738
    assert found["sensitivity"].value == pytest.approx(0.836, abs=5e-4)
    assert found["specificity"].value == pytest.approx(0.738, abs=5e-4)
    assert found["sensitivity_naive"].value == pytest.approx(0.895, abs=5e-4)
    assert found["specificity_naive"].value == pytest.approx(0.628, abs=5e-4)
    assert found.table["unverified"].tolist() == [166, 140]
    assert "verification_assumed_at_random" in {c.code for c in found.cautions}


def test_all_verified_leaves_nothing_to_correct():
    rows = table(*Design(60, 1, 0.4, 0.0, 0.8).draw(np.random.default_rng(3)))
    found = thresholds.corrected_accuracy(rows.assign(verified=True), 0.8)
    plain = thresholds.accuracy_at(rows, 0.8)
    for name in ("sensitivity", "specificity"):
        assert found[name].value == pytest.approx(plain[name].value, abs=1e-12)
        assert limits(found[f"{name}_naive"]) == limits(plain[name])


def test_planted_truth_comes_back_where_the_naive_figure_fails():
    design = Design(40_000, 1, 0.3, 0.0, 0.85)
    generator = np.random.default_rng(5)
    value, torn, cluster = design.draw(generator)
    seen = generator.random(len(value)) < np.where(value >= 1, 0.9, 0.1)
    rows = table(value, torn, cluster).assign(verified=seen)
    rows.loc[~seen, "status"] = None
    found = thresholds.corrected_accuracy(rows, 1.0)
    # planted truth: sensitivity and specificity of the cut 1.0 under the normal design
    sensitivity, specificity = design.true_accuracy(1.0)
    assert found["sensitivity"].value == pytest.approx(sensitivity, abs=0.02)
    assert found["specificity"].value == pytest.approx(specificity, abs=0.02)
    assert found["sensitivity_naive"].value > sensitivity + 0.1
    assert found["specificity_naive"].value < specificity - 0.1


def clustered(participants=30):
    design = Design(participants, 2, 0.4, 0.5, 0.85)
    value, torn, cluster = design.draw(np.random.default_rng(7))
    chance = np.where(value >= 0.8, 0.9, 0.5)
    seen = np.random.default_rng(8).random(len(value)) < chance
    return table(value, torn, cluster).assign(verified=seen)


def test_every_row_twice_does_not_narrow():
    rows = clustered()
    once = thresholds.corrected_accuracy(rows, 0.8)
    twice = thresholds.corrected_accuracy(pd.concat([rows, rows]), 0.8)
    for name in ("sensitivity", "specificity", "prevalence"):
        assert limits(twice[name]) == pytest.approx(limits(once[name]), rel=1e-9)


def test_linear_terms_against_leaving_participants_out():
    rows = clustered(200)
    found = thresholds.corrected_accuracy(rows, 0.8)["sensitivity"]
    logits = []
    for name in rows["participant_id"].unique():
        rest = rows[rows["participant_id"] != name]
        p = thresholds.corrected_accuracy(rest, 0.8)["sensitivity"].value
        logits.append(np.log(p / (1 - p)))
    jackknife = np.sqrt(199 / 200 * ((np.array(logits) - np.mean(logits)) ** 2).sum())
    half = (np.log(found.upper / (1 - found.upper)) - np.log(found.lower / (1 - found.lower))) / 2
    # source: 0.975 quantile of Student's t with 199 degrees of freedom, any printed table
    assert half == pytest.approx(1.972 * jackknife, rel=0.06)


def test_a_status_read_off_the_gap_counts_as_not_verified():
    rows = clustered()
    plain = thresholds.corrected_accuracy(rows, 0.8)
    marked = rows.assign(basis=np.where(rows["verified"], "mri", "us_gap"), verified=True)
    found = thresholds.corrected_accuracy(marked, 0.8)
    assert limits(found["sensitivity"]) == limits(plain["sensitivity"])
    assert found.settings["circular_as_unverified"] == int((~rows["verified"]).sum())


def test_without_a_column_of_verification():
    with pytest.raises(TableError, match="which rows were verified"):
        thresholds.corrected_accuracy(table([1, 2], [False, True]), 1.5)


@pytest.mark.parametrize("side", ["below", "at or above"])
def test_a_side_of_the_cut_without_verified_rows(side):
    rows = table([1, 1.2, 1.1, 2, 2.2, 2.1], [False, True, False, True, False, True])
    above = (rows["gap_mm"] >= 1.5).to_numpy()
    rows["verified"] = above if side == "below" else ~above
    with pytest.raises(EstimateError, match=f"No row {side} the cut"):
        thresholds.corrected_accuracy(rows, 1.5)


def test_a_missing_status_matters_only_in_verified_rows():
    rows = clustered()
    rows.loc[~rows["verified"], "status"] = None
    before = thresholds.corrected_accuracy(rows, 0.8)["sensitivity"].value
    first = int(np.flatnonzero(rows["verified"])[0])
    rows.loc[first, "status"] = None
    with pytest.raises(TableError, match="missing"):
        thresholds.corrected_accuracy(rows, 0.8)
    found = thresholds.corrected_accuracy(rows, 0.8, missing="drop")
    assert found.settings["dropped_missing"] == 1
    assert found["sensitivity"].value == pytest.approx(before, abs=0.1)


def test_no_missed_tear_among_the_verified_still_has_a_lower_limit():
    rows = table([1, 1, 1, 2, 2, 2], [False, False, False, True, True, False])
    found = thresholds.corrected_accuracy(rows.assign(verified=True), 1.5)
    assert found["sensitivity"].value == 1
    assert 0.05 < found["sensitivity"].lower < 0.6
    assert found["sensitivity"].upper == 1
    assert "no_error_among_verified" in {c.code for c in found.cautions}


def test_verified_rows_of_another_status_are_left_out():
    rows = clustered()
    extra = rows.head(3).assign(status="strain", verified=True)
    both = pd.concat([rows, extra])
    found = thresholds.corrected_accuracy(both, 0.8, negative="none")
    assert found.settings["left_out_other_status"] == 3
    plain = thresholds.corrected_accuracy(rows, 0.8)
    assert limits(found["sensitivity"]) == limits(plain["sensitivity"])


def test_the_rows_are_counted_from_those_given_to_those_verified():
    rows = table(*Design(60, 1, 0.4, 0.0, 0.8).draw(np.random.default_rng(3)))
    rows = rows.assign(verified=True, basis="surgery", status=rows["status"].astype(object))
    rows.loc[:4, ["basis", "verified"]] = ["us_gap", False]
    rows.loc[5:8, ["basis", "verified"]] = ["clinical", False]
    rows.loc[9, "status"] = "healed"
    rows.loc[10:11, "gap_mm"] = np.nan
    found = thresholds.corrected_accuracy(rows, 0.8, missing="drop")
    steps = dict(zip(found.flow["step"], found.flow["rows"], strict=True))
    # by hand: 60 rows, 1 in neither class, 2 without a value; 5 + 4 not verified
    assert steps == {
        "rows given": 60,
        "left out: verified, but in neither class": 1,
        "left out: a value is missing": 2,
        "used": 57,
        "of these verified by a reference standard": 48,
        "of these not verified: status given from the gap itself": 5,
        "of these not verified: other": 4,
    }
    assert found.table[["positive", "negative", "unverified"]].to_numpy().sum() == 57
    said = {c.code: c.message for c in found.cautions}
    assert "9 of 57 rows" in said["verification_assumed_at_random"]
    assert "5 because their status was given from the gap" in said["verification_assumed_at_random"]


def test_prevalence_is_said_to_be_of_these_rows_only():
    found = thresholds.corrected_accuracy(liver_scans(), 0.5, **LIVER)
    said = {c.code: c.message for c in found.cautions}
    # by hand: 429 + 221 rows
    assert "of these 650 rows" in said["prevalence_of_these_rows"]
    assert "not the prevalence among climbers" in said["prevalence_of_these_rows"]
