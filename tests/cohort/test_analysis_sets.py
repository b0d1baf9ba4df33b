"""Who is eligible for which question, and the count of those who are not."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from cohortkit.cohort.analysis_sets import (
    ADOLESCENTS,
    AnalysisSet,
    graded_tears,
    outcomes,
    readings,
    reference_population,
)
from cohortkit.errors import ArgumentError
from cohortkit.tables.schema import TABLE_NAMES, typed
from tests.cohort.clinics import clinic, small_rows

HASH = "ab" * 32


@pytest.fixture
def rows():
    """Rows of one clinic of eight persons, adults all; every second one injured."""
    return small_rows("S01", 8, 1)


def frozen(rows):
    return SimpleNamespace(tables=clinic("S01", rows).tables, release_hash=HASH)


def reading(rows, person, digit="index", load="loaded", rater=1):
    """The reading of an uninjured right finger, to be changed in place."""
    scan = f"S01-P{person:03d}-S{1 if digit == 'index' else 2}"
    return next(r for r in rows["readings"] if r["reading_id"] == f"{scan}-{load}-{rater}")


def scan(rows, person, n=1):
    return next(s for s in rows["scans"] if s["scan_id"] == f"S01-P{person:03d}-S{n}")


def lost(found, reason):
    flow = found.flow.set_index("reason")
    return flow.loc[reason, ["participants", "fingers", "readings"]].tolist()


def adds_up(found):
    for unit in ("participants", "fingers", "readings", "episodes"):
        numbers = found.flow[unit].dropna()
        if len(numbers):
            assert numbers.iloc[0] - numbers.iloc[1:-1].sum() == numbers.iloc[-1]


SETS = {
    "readings": lambda r, **k: readings(r, pulley="A2", load="loaded", **k),
    "reference_population": lambda r, **k: reference_population(r, pulley="A2", load="loaded", **k),
    "graded_tears": lambda r, **k: graded_tears(r, pulley="A2", load="loaded", **k),
    "outcomes": outcomes,
}


@pytest.mark.parametrize("name", SETS)
def test_every_set_counts_from_everybody_to_its_rows(rows, name):
    found = SETS[name](frozen(rows))
    assert isinstance(found, AnalysisSet)
    assert found.question == name
    assert found.flow["step"].tolist()[0] == "eligible at start"
    assert found.flow["step"].tolist()[-1] == "in the set"
    assert found.flow["participants"].iloc[-1] == found.rows["participant_id"].nunique() > 0
    assert found.settings["release_hash"] == HASH
    assert name in repr(found)
    adds_up(found)


@pytest.mark.parametrize("name", SETS)
def test_no_set_mixes_adults_with_adolescents_unasked(rows, name):
    first = 0 if name == "reference_population" else 1  # every second person is injured
    rows["participants"][first]["age_years"] = 15
    rows["participants"][first + 2]["age_years"] = None
    adults = SETS[name](frozen(rows))
    young = SETS[name](frozen(rows), ages=ADOLESCENTS)
    everybody = SETS[name](frozen(rows), ages=None)
    assert (adults.rows["age_years"] >= 18).all()
    assert (young.rows["age_years"] < 18).all()
    assert len(young.rows) > 0
    assert everybody.rows["age_years"].isna().any()
    assert lost(adults, "age not recorded")[0] == lost(adults, "younger than 18")[0] == 1
    adds_up(adults)


@pytest.mark.parametrize("name", SETS)
def test_the_order_of_rows_does_not_matter(rows, name):
    one = frozen(rows)
    shuffled = SimpleNamespace(
        tables={
            n: f.sample(frac=1, random_state=3).reset_index(drop=True)
            for n, f in one.tables.items()
        },
        release_hash=HASH,
    )
    a, b = SETS[name](one), SETS[name](shuffled)
    key = "reading_id" if "reading_id" in a.rows else "episode_id"
    pd.testing.assert_frame_equal(
        a.rows.sort_values(key, ignore_index=True), b.rows.sort_values(key, ignore_index=True)
    )
    pd.testing.assert_frame_equal(a.flow, b.flow)


@pytest.mark.parametrize("name", SETS)
def test_a_release_without_rows_gives_an_empty_set(name):
    empty = frozen(small_rows("S01", 0, 1))
    assert len(SETS[name](empty)) == 0


@pytest.mark.parametrize("name", ["reference_population", "graded_tears"])
def test_pulley_and_load_have_to_be_named(rows, name):
    function = {"reference_population": reference_population, "graded_tears": graded_tears}[name]
    with pytest.raises(TypeError):
        function(frozen(rows), pulley="A2")
    with pytest.raises(TypeError):
        function(frozen(rows), load="rest")
    with pytest.raises(ArgumentError, match="'pulley' takes"):
        function(frozen(rows), pulley="A5", load="rest")


def test_readings_hold_all_columns_that_the_estimators_know(rows):
    found = readings(frozen(rows)).rows
    wanted = {
        "finger_id",
        "rater_site_id",
        "site_id",
        "injured",
        "tear_status",
        "gap_mm",
        "scan_id",
    }
    assert wanted <= set(found.columns)
    assert len(found) == len(rows["readings"])
    assert (
        found["injured"].sum() == 4 * 4
    )  # planted truth: four injured fingers, four readings each


def test_readings_of_several_kinds_say_so(rows):
    assert readings(frozen(rows), pulley="A2").settings["holds_several"] == ["load"]
    assert readings(frozen(rows), pulley="A2", load="rest").settings["holds_several"] == []


def test_readings_can_be_kept_by_any_column(rows):
    found = readings(frozen(rows), pulley="A2", load="rest", injured=False, digit=["index", "ring"])
    assert set(found.rows["digit"]) <= {"index", "ring"}
    assert not found.rows["injured"].any()
    assert found.settings["equal"] == {"injured": False, "digit": ["index", "ring"]}


def test_readings_of_one_finger_per_participant(rows):
    found = readings(
        frozen(rows), pulley="A2", load="rest", one_finger_per_participant=True, seed=4
    )
    assert (found.rows.groupby("participant_id")["finger_id"].nunique() == 1).all()
    assert found.rows["participant_id"].nunique() == 8
    assert found.settings["seed"] == 4


def test_the_reference_population_is_one_value_per_uninjured_person(rows):
    found = reference_population(frozen(rows), pulley="A2", load="loaded").rows
    assert found["participant_id"].tolist() == found["participant_id"].drop_duplicates().tolist()
    # planted truth: every second of eight persons is injured, all have two whole right fingers
    assert len(found) == 4
    assert set(found["side"]) == {"right"}
    assert (found["load"] == "loaded").all()


RULES = {
    "not read to the phalanx": lambda rows: reading(rows, 0).update(
        reference_structure="volar_plate"
    ),
    "support worn during the scan": lambda rows: scan(rows, 0).update(support_worn="tape"),
    "fingers warmed up before the scan": lambda rows: scan(rows, 0).update(warm_up=True),
    "mean of several readings": lambda rows: reading(rows, 0).update(reads_averaged=3),
    "not read live": lambda rows: reading(rows, 0).update(read_mode="stored"),
}


@pytest.mark.parametrize("reason", RULES)
def test_what_is_not_eligible_for_the_reference_population_is_counted(rows, reason):
    before = reference_population(frozen(rows), pulley="A2", load="loaded")
    RULES[reason](rows)
    found = reference_population(frozen(rows), pulley="A2", load="loaded")
    assert lost(before, reason) == [0, 0, 0]
    assert lost(found, reason)[2] >= 1
    adds_up(found)
    assert len(found) == 4  # planted truth: four of the eight have no episode


def test_whoever_injured_another_finger_is_no_reference_unless_asked(rows):
    left_out = reference_population(frozen(rows), pulley="A2", load="loaded")
    kept = reference_population(
        frozen(rows), pulley="A2", load="loaded", other_fingers_injured="keep"
    )
    hurt = {e["participant_id"] for e in rows["episodes"]}
    assert hurt.isdisjoint(left_out.rows["participant_id"])
    # planted truth: every second of eight persons is injured, two whole fingers, two raters
    assert lost(left_out, "participant injured another finger") == [4, 8, 16]
    assert hurt < set(kept.rows["participant_id"])
    assert len(kept) == 8  # planted truth
    assert kept.settings["other_fingers_injured"] == "keep"
    adds_up(left_out)
    with pytest.raises(ArgumentError, match="'other_fingers_injured'"):
        reference_population(frozen(rows), pulley="A2", load="loaded", other_fingers_injured="x")


def test_a_finger_that_was_ever_injured_is_no_reference_even_before_the_injury(rows):
    hurt = {
        "episode_id": "S01-E9",
        "participant_id": "S01-P000",
        "side": "right",
        "digit": "index",
        "onset_day": 400,
    }
    rows["episodes"].append(hurt)
    found = reference_population(
        frozen(rows), pulley="A2", load="loaded", other_fingers_injured="keep"
    )
    assert lost(found, "finger injured at another time") == [0, 1, 2]
    kept = found.rows.set_index("participant_id")
    assert kept.loc["S01-P000", "digit"] == "middle"


def test_scans_whose_conditions_are_unknown_are_kept_unless_asked(rows):
    scan(rows, 0).update(warm_up=None, support_worn=None)
    kept = reference_population(frozen(rows), pulley="A2", load="loaded")
    strict = reference_population(frozen(rows), pulley="A2", load="loaded", unknown="leave_out")
    assert kept.flow["fingers"].iloc[-1] == strict.flow["fingers"].iloc[-1]
    assert lost(strict, "support_worn not recorded") == [0, 1, 2]
    with pytest.raises(ArgumentError, match="'unknown'"):
        reference_population(frozen(rows), pulley="A2", load="loaded", unknown="x")


def test_an_unseen_gap_stays_with_its_limit(rows):
    for digit in ("index", "middle"):
        for rater in (1, 2):
            reading(rows, 0, digit, rater=rater).update(
                gap_mm=None, below_resolution=True, resolution_mm=0.3
            )
    found = reference_population(frozen(rows), pulley="A2", load="loaded").rows.set_index(
        "participant_id"
    )
    row = found.loc["S01-P000"]
    assert np.isnan(row["gap_mm"])
    assert row["below_resolution"]
    assert row["resolution_mm"] == 0.3


def test_graded_tears_hold_one_row_per_episode(rows):
    found = graded_tears(frozen(rows), pulley="A2", load="loaded").rows
    assert found["episode_id"].tolist() == [f"S01-E{k:03d}" for k in (1, 3, 5, 7)]
    assert set(found["status"]) == {"complete"}
    # source: Schöffl et al. 2003, a complete tear of A2 is grade III
    assert set(found["grade"]) == {"III"}
    assert found["verified"].all()
    assert {"gap_mm", "below_resolution", "scan_day", "onset_day", "basis"} <= set(found.columns)


def test_a_status_given_from_the_gap_is_left_out_unless_asked(rows):
    rows["tears"][0]["basis"] = "us_gap"
    rows["tears"][1]["basis"] = None
    found = graded_tears(frozen(rows), pulley="A2", load="loaded")
    assert lost(found, "status given from the gap itself")[0] == 1
    assert lost(found, "basis of the status not recorded")[0] == 1
    kept = graded_tears(frozen(rows), pulley="A2", load="loaded", us_gap="keep").rows
    assert len(kept) == 4
    assert kept["verified"].tolist() == [False, False, True, True]


def test_an_operated_pulley_is_no_torn_one_any_more(rows):
    rows["treatments"].append({"episode_id": "S01-E001", "kind": "surgery", "start_day": 0})
    rows["treatments"].append({"episode_id": "S01-E003", "kind": "surgery", "start_day": 1})
    found = graded_tears(frozen(rows), pulley="A2", load="loaded")
    assert lost(found, "scanned after surgery") == [1, 1, 2]
    assert found.rows["episode_id"].tolist() == ["S01-E003", "S01-E005", "S01-E007"]


def test_a_late_scan_is_left_out_unless_asked_for(rows):
    next(s for s in rows["scans"] if s["episode_id"] == "S01-E001")["scan_day"] = 200
    kept = graded_tears(frozen(rows), pulley="A2", load="loaded", within_days=None)
    assert len(kept) == 4
    found = graded_tears(frozen(rows), pulley="A2", load="loaded")
    assert lost(found, "scanned later than 75 days after onset") == [1, 1, 2]


def test_a_tear_without_a_reading_is_counted(rows):
    assert len(graded_tears(frozen(rows), pulley="A2", load="rest")) == 4
    rows["readings"] = [r for r in rows["readings"] if "P001-S0-rest" not in r["reading_id"]]
    found = graded_tears(frozen(rows), pulley="A2", load="rest")
    assert lost(found, "no reading of this pulley and load") == [1, 1, 0]
    adds_up(found)


def test_other_pulleys_are_another_set(rows):
    rows["tears"].append(
        {"episode_id": "S01-E001", "pulley": "A4", "status": "none", "basis": "mri"}
    )
    found = graded_tears(frozen(rows), pulley="A4", load="loaded")
    assert lost(found, "no reading of this pulley and load") == [1, 1, 0]
    assert len(graded_tears(frozen(rows), pulley="A2", load="loaded")) == 4


def test_outcomes_hold_bounds_and_grade_per_episode(rows):
    found = outcomes(frozen(rows)).rows
    assert found["episode_id"].tolist() == [f"S01-E{k:03d}" for k in (1, 3, 5, 7)]
    assert (found["left_day"] < found["right_day"]).all()
    assert (found["n_visits"] + found["missed_visits"] == 3).all()
    assert found["finger_id"].str.startswith(tuple(found["participant_id"])).all()
    # by hand: onset on day -3, visits of the fourth person on days 43 and 181, the second missed
    e1 = found.set_index("episode_id").loc["S01-E001", ["left_day", "right_day"]]
    visits = clinic("S01", rows).tables["visits"].set_index("episode_id").loc["S01-E001"]
    seen = visits[visits["actual_day"].notna()].set_index("returned")["actual_day"]
    right = seen["full"] + 3 if "full" in seen.index else np.inf
    left = max(int(day) + 3 for answer, day in seen.items() if answer != "full")
    assert e1.tolist() == [left, right]


def test_outcomes_that_cannot_be_used_are_counted(rows):
    rows["episodes"][0]["onset_day"] = None
    for visit in rows["visits"]:
        if visit["episode_id"] == "S01-E003":
            visit.update(actual_day=None, returned=None)
    rows["tears"] = [t for t in rows["tears"] if t["episode_id"] != "S01-E005"]
    found = outcomes(frozen(rows))
    assert lost(found, "day of onset not recorded")[0] == 1
    assert lost(found, "no attended visit that asked about the return")[0] == 1
    assert lost(found, "grade not derivable under schoffl2003")[0] == 1
    assert found.rows["episode_id"].tolist() == ["S01-E007"]
    kept = outcomes(frozen(rows), ungraded="keep").rows
    assert kept["grade"].isna().tolist() == [True, False]
    assert found.flow["readings"].isna().all()


def test_outcomes_name_competing_ends(rows):
    rows["treatments"].append({"episode_id": "S01-E001", "kind": "surgery", "start_day": 10})
    found = outcomes(frozen(rows)).rows.set_index("episode_id")
    # by hand: onset on day -3, surgery on day 10
    assert found.loc["S01-E001", ["competing", "competing_day", "right_day"]].tolist() == [
        "surgery",
        13,
        np.inf,
    ]
    ignored = outcomes(frozen(rows), competing=()).rows
    assert set(ignored["competing"]) == {""}


def test_rule_sets_are_named(rows):
    rows["tears"].append(
        {"episode_id": "S01-E001", "pulley": "A3", "status": "complete", "basis": "mri"}
    )
    rows["tears"] = [
        t for t in rows["tears"] if (t["episode_id"], t["pulley"]) != ("S01-E001", "A2")
    ]
    old = outcomes(frozen(rows)).rows.set_index("episode_id")["grade"]
    new = outcomes(frozen(rows), rule_set="lutter2021").rows.set_index("episode_id")["grade"]
    # source: a complete A3 is III in Schöffl et al. 2003 and II in Lutter et al. 2021
    assert (old["S01-E001"], new["S01-E001"]) == ("III", "II")
    with pytest.raises(ArgumentError, match="'rule_set'"):
        outcomes(frozen(rows), rule_set="x")


def test_tables_are_not_changed_by_drawing_sets(rows):
    release = frozen(rows)
    before = {name: release.tables[name].copy() for name in TABLE_NAMES}
    for draw in SETS.values():
        draw(release)
    for name in TABLE_NAMES:
        pd.testing.assert_frame_equal(typed(release.tables[name], name), before[name])
