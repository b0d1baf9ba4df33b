"""Quality of reading by rater and site: planted faults found, the rest left in peace."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import reading_quality
from cohortkit.cohort.release import open_release
from cohortkit.errors import ArgumentError, EstimateError, TableError


def readings(n=120, *, raters=("A", "B", "C", "D"), seed=1, heap=(), drift=0.0):
    """Invented: four raters of two sites read n scans of n / 2 participants, two loads each."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n):
        for load, mean in (("rest", 2.0), ("loaded", 2.6)):
            gap = mean + 0.4 * rng.standard_normal()
            for j, rater in enumerate(raters):
                place = rng.permutation(n)[0]
                value = (
                    gap + 0.15 * (j == 0) + 0.1 * rng.standard_normal() + drift * (j == 1) * place
                )
                value = round(2 * value) / 2 if rater in heap else round(value, 1)
                rows.append((f"p{i // 2}", f"s{i}", rater, f"S{j // 2}", load, value, place))
    names = ["participant_id", "scan_id", "rater_id", "rater_site_id", "load", "gap_mm", "place"]
    return pd.DataFrame(rows, columns=names).assign(
        pulley="A2", read_no=1, reads_averaged=1, below_resolution=False
    )


def codes(result):
    return {c.code for c in result.cautions}


def flagged(result, test="half_unit"):
    hit = (result.tests["test"] == test) & (result.tests["p_holm"] < 0.05)
    return set(result.tests.loc[hit, "group"])


def test_the_heaping_rater_and_site_of_the_demo_are_found(demo, repository):
    release = open_release(demo / "release")
    result = reading_quality(release.readings(), missing="drop")
    raters = {g for g in flagged(result) if g.startswith("rater=")}
    # planted truth: one rater, of site S03, writes to 0.5 mm (synthetic_cohort/design.toml)
    assert "site=S03" in flagged(result)
    assert len(raters) == 1
    (culprit,) = raters
    rows = release.readings().rows
    name = culprit.removeprefix("rater=")
    assert set(rows.loc[rows["rater_id"] == name, "rater_site_id"]) == {"S03"}
    assert result[f"heaping_share@{culprit}"].lower > 0.8
    assert {g for g in flagged(result) if g.startswith("site=")} == {"site=S03"}
    assert "heaping" in codes(result)


def test_quiet_readings_raise_few_alarms():
    results = [reading_quality(readings(seed=seed), order=None) for seed in range(10, 22)]
    alarms = sum("heaping" in codes(result) for result in results)
    # by hand: two families (raters, sites) at 5 %, so 1.2 of 12 tables; more than 4 in 0.5 %
    assert alarms <= 4
    assert not any("few_readings" in codes(result) for result in results)
    assert len([e for e in results[0] if e.name == "heaping_share"]) == 6


def test_planted_heap_shift_and_drift_are_found():
    result = reading_quality(readings(heap=("D",), drift=0.01), order="place")
    assert flagged(result) == {"rater=D", "site=S1"}
    drift = result["drift@rater=B"]
    # planted truth: 0.01 mm per reading for rater B
    assert drift.lower < 0.01 < drift.upper
    assert "column 'place'" in drift.method
    assert drift.unit == "mm/{place}"  # by hand: a slope, in mm per unit of its column
    quiet = result["drift@rater=C"]
    assert quiet.lower < 0 < quiet.upper


def test_shift_is_against_the_other_raters_and_shrinks():
    result = reading_quality(readings())
    # planted truth: A reads 0.15 mm more, so 0.15 x 3 / 4 above the mean of four
    shift, small = result["rater_shift@rater=A"], result["rater_shift_shrunken@rater=A"]
    assert shift.lower < 0.1125 < shift.upper  # planted truth: as above
    assert 0 < small.value < shift.value
    assert shift.n_participants == 60
    assert sum(e.value for e in result if e.name == "rater_shift") == pytest.approx(0, abs=1e-12)


def test_means_of_several_reads_are_never_mixed_in():
    data = readings()
    averaged = data["rater_id"].eq("A") & (data.index % 8 == 0)
    odd = data.assign(
        reads_averaged=np.where(averaged, 3, 1),
        gap_mm=data["gap_mm"].where(~averaged, 9.0),
    )
    result = reading_quality(odd)
    without = reading_quality(data[~averaged])
    for name in ("rater_shift", "heaping_share"):
        assert result[f"{name}@rater=A"].value == without[f"{name}@rater=A"].value
    assert "averaged_left_out" in codes(result)
    share = result["share_averaged@rater=A"]
    # by hand: every second of A's readings
    assert share.value == averaged.sum() / 240
    assert share.n_readings == 240


def test_shares_of_blinding_and_resolution_count_what_is_known():
    data = readings().assign(blinded_to_prior=pd.array([True, None, False, None] * 240, "boolean"))
    data["below_resolution"] = data.index % 16 == 1
    data.loc[data["below_resolution"], "gap_mm"] = np.nan
    result = reading_quality(data)
    # by hand: rater A is always blinded, C never, B and D never say
    assert result["share_blinded_to_prior@rater=A"].value == 1.0
    assert result["share_blinded_to_prior@rater=C"].value == 0.0
    assert set(result.not_estimated["group"]) >= {"rater=B", "rater=D"}
    assert result["share_below_resolution@rater=B"].value == 0.25


def test_missing_values_stop_and_are_counted():
    data = readings()
    data.loc[3, "gap_mm"] = np.nan
    with pytest.raises(TableError, match="1 row "):
        reading_quality(data)
    assert "left_out" in codes(reading_quality(data, missing="drop"))


@pytest.mark.parametrize("why", ["means", "unseen"])
def test_a_rater_without_a_single_value_is_said_and_the_others_are_looked_at(why):
    data = readings()
    own = data["rater_id"] == "A"
    if why == "means":
        odd = data.assign(reads_averaged=np.where(own, 3, 1))
    else:
        odd = data.assign(below_resolution=own, gap_mm=data["gap_mm"].where(~own))
    result = reading_quality(odd)
    lost = result.not_estimated.set_index(["group", "estimate"])["reason"]
    assert lost["rater=A", "rater_shift"] == "has no single reading with a value"
    assert "0 readings" in lost["rater=A", "heaping_share"]
    without = reading_quality(data[~own])
    for name in ("rater_shift", "heaping_share"):
        assert result[f"{name}@rater=B"].value == without[f"{name}@rater=B"].value


def test_nobody_has_a_single_value():
    result = reading_quality(readings().assign(reads_averaged=2))
    assert {e.name for e in result} == {"share_below_resolution", "share_averaged"}
    assert {"few_readings", "raters_not_compared", "averaged_left_out"} <= codes(result)


def test_few_readings_are_said_and_not_tested():
    result = reading_quality(readings(8))
    assert "few_readings" in codes(result)
    assert set(result.tests["group"]) == set()


def test_raters_of_their_own_scans_are_not_compared():
    data = readings()
    alone = data[(data["rater_id"] == "A") | (data["scan_id"].str[1:].astype(int) > 60)]
    alone = alone.assign(scan_id=alone["scan_id"] + np.where(alone["rater_id"] == "A", "a", ""))
    result = reading_quality(alone)
    assert "raters_not_compared" in codes(result)
    assert "rater=A" not in {e.group for e in result if e.name == "rater_shift"}


def test_live_and_stored_readings_of_a_scan_are_not_compared():
    data = readings().assign(read_mode=lambda t: np.where(t["rater_id"] < "C", "live", "stored"))
    result = reading_quality(data)
    # by hand: A and B differ by 0.15 in their group of two
    assert result["rater_shift@rater=A"].value == -result["rater_shift@rater=B"].value
    assert result["rater_shift@rater=A"].value == pytest.approx(0.075, abs=0.03)  # planted truth


def test_anybodys_table():
    data = readings().rename(columns={"rater_id": "judge", "gap_mm": "score", "scan_id": "film"})
    result = reading_quality(
        data[["judge", "score", "film"]],
        rater="judge", value="score", subject="film", participant=None, order=None, unit="cm",
    )  # fmt: skip
    assert {e.group.split("=")[0] for e in result} == {"rater"}
    assert not [e for e in result if e.name == "drift"]


@pytest.mark.parametrize("step", [0.0, 0.3, 0.5, -0.1])
def test_steps_that_do_not_make_a_half(step):
    with pytest.raises(ArgumentError, match="step"):
        reading_quality(readings(10), step=step)


def test_nothing_to_look_at():
    with pytest.raises(EstimateError, match="no reading"):
        reading_quality(readings().iloc[:0])
    with pytest.raises(ArgumentError, match="colour"):
        reading_quality(readings(10), colour="red")


@pytest.mark.parametrize("offset", [0.0, 1e10])
@pytest.mark.parametrize("raters", [2, 4])
def test_raters_who_differ_by_a_constant_have_no_interval(raters, offset):
    rng = np.random.default_rng(2)
    gap, shift = 2 + rng.normal(0, 0.4, 20), [0.5, 0.0, -0.3, -0.2][:raters]
    rows = [
        (f"p{i}", f"s{i}", f"R{j}", read, gap[i] + shift[j] + offset)
        for i in range(20)
        for j in range(raters)
        for read in (1, 2)
    ]
    names = ["participant_id", "scan_id", "rater_id", "read_no", "gap_mm"]
    found = reading_quality(pd.DataFrame(rows, columns=names))
    assert "no_disagreement_seen" in codes(found)
    assert "raters_not_compared" not in codes(found)
    asked = [e for e in found if e.name in ("rater_shift", "rater_shift_shrunken", "drift")]
    assert len(asked) == 3 * raters
    for e in asked:
        assert np.isnan(e.lower)
        assert np.isnan(e.upper)
        # planted truth: the shifts less their mean, no drift; at 1e10 doubles are 1.9e-6 apart
        j = int(e.group.removeprefix("rater=R"))
        truth = 0.0 if e.name == "drift" else shift[j] - np.mean(shift)
        assert e.value == pytest.approx(truth, abs=4e-6 if offset else 1e-12)
    drift = [e.value for e in asked if e.name == "drift"]
    assert drift == [0.0] * raters  # by hand: both reads of a scan are equal
    reasons = found.not_estimated.groupby("estimate")["reason"].first()
    assert "by a constant only" in reasons["rater_shift"]
    assert "by a constant only" in reasons["drift"]


def test_one_reading_off_the_constant_gives_intervals_again():
    data = readings(20, raters=("A", "B"))
    data["gap_mm"] = data.groupby(["scan_id", "load"])["gap_mm"].transform("first")
    data["gap_mm"] += np.where(data["rater_id"] == "B", 0.5, 0.0)
    assert "no_disagreement_seen" in codes(reading_quality(data, order=None))
    data.loc[3, "gap_mm"] += 0.1
    found = reading_quality(data, order=None)
    assert "no_disagreement_seen" not in codes(found)
    assert found["rater_shift@rater=A"].lower < found["rater_shift@rater=A"].upper


def test_a_code_that_several_sites_use_is_refused():
    table = readings(20).replace({"rater_id": {"C": "A"}})
    with pytest.raises(EstimateError, match=r"one person.*'A', with 2 sites.*pass site=None"):
        reading_quality(table)
    apart = table.drop(columns=["rater_site_id", "read_no"])
    assert reading_quality(apart, site=None, order=None).estimates


def test_missing_ids_are_named_by_their_column():
    table = readings(20)
    table.loc[[1, 2, 5], "rater_id"] = None
    with pytest.raises(TableError, match=r"column 'rater_id' \(3\). Found: 3 rows of 160"):
        reading_quality(table)
