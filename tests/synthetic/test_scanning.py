"""Which fingers are scanned when."""

from __future__ import annotations

import pytest

from cohortkit.synthetic.design import read_design
from tests.synthetic.cohorts import large, shipped

DESIGN = read_design()


def test_most_uninjured_people_are_scanned_on_two_or_more_fingers():
    people, scans = large().hidden["people"], large().hidden["scans"]
    uninjured = scans[~people["injured"].to_numpy()[scans["person"]]]
    per_person = uninjured.groupby("person").size()
    # planted truth: 12 % on one; by hand: sqrt(0.12*0.88/3000) = 0.0059, five allowed
    assert (per_person == 1).mean() == pytest.approx(DESIGN.people.fingers_scanned[0], abs=0.03)
    assert not uninjured.duplicated(["person", "side", "digit"]).any()
    assert uninjured["episode_id"].isna().all()


def test_every_injured_finger_is_scanned_soon_after_enrolment():
    episodes, scans = shipped().tables["episodes"], shipped().hidden["scans"]
    first = scans[(scans["episode"] >= 0) & scans["first"]]
    assert sorted(first["episode_id"]) == sorted(episodes["episode_id"])
    assert first["scan_day"].between(0, 14).all()  # planted truth


def test_a_scan_of_an_episode_is_of_that_finger():
    scans = shipped().tables["scans"].dropna(subset=["episode_id"])
    joined = scans.merge(shipped().tables["episodes"], on="episode_id", suffixes=("", "_episode"))
    for column in ("participant_id", "side", "digit"):
        assert (joined[column] == joined[f"{column}_episode"]).all()


def test_later_scans_happen_at_attended_visits():
    scans, visits = shipped().hidden["scans"], shipped().tables["visits"]
    later = scans.loc[~scans["first"], ["episode_id", "scan_day"]]
    attended = set(zip(visits["episode_id"], visits["actual_day"].fillna(-1), strict=True))
    assert len(later) > 50
    assert set(zip(later["episode_id"], later["scan_day"], strict=True)) <= attended


def test_the_other_hand_counts_as_uninjured():
    people, scans = shipped().hidden["people"], shipped().hidden["scans"]
    other = scans[people["injured"].to_numpy()[scans["person"]] & (scans["episode"] < 0)]
    assert len(other) > 100
    injured = shipped().tables["episodes"][["participant_id", "side", "digit"]]
    assert other.merge(injured, on=["participant_id", "side", "digit"]).empty


def test_conditions_hold_unknown_warm_ups_and_a_few_supports():
    scans = large().tables["scans"]
    # planted truth: 5 % unknown; by hand: sqrt(0.05*0.95/13000) = 0.0019, five allowed
    assert scans["warm_up"].isna().mean() == pytest.approx(DESIGN.reading.warm_up_unknown, abs=0.01)
    assert set(scans["support_worn"]) == {"none", "tape", "ring"}
    assert scans["pip_deg"].isna().equals(scans["mcp_deg"].isna())
