"""Counts at each step add up."""

from __future__ import annotations

import pandas as pd
import pytest

from cohortkit.cohort.flow import content, participant_flow
from cohortkit.errors import PoolingError
from tests.cohort.clinics import small, two_clinics, with_problems

BAD = {"source": "scans", "file": "scans.csv", "severity": "refuse"}


def flow_of(intake):
    return participant_flow(intake.counts, intake.problems, intake.tables)


def total(flow, **where):
    for column, value in where.items():
        flow = flow[flow[column] == value]
    return int(flow["n"].sum())


def test_records_read_are_accepted_refused_and_blank():
    intake = with_problems(
        small("S01"),
        {**BAD, "line": 90, "code": "not_a_number"},
        {**BAD, "line": 90, "code": "unknown_code"},
        {**BAD, "line": 91, "code": "unknown_code"},
        {**BAD, "line": 4, "code": "gap_at_most_8_mm", "severity": "warning"},
        refused=2,
    )
    flow = flow_of(intake)
    parts = [total(flow, step=step) for step in ("accepted", "refused", "blank")]
    assert total(flow, step="read", unit="records") == sum(parts)
    assert parts[1:] == [2, 2]


def test_a_record_with_several_problems_counts_under_the_first():
    problems = [{**BAD, "line": 90, "code": code} for code in ("not_a_number", "unknown_code")]
    flow = flow_of(with_problems(small("S01"), *problems, refused=1))
    refused = flow[flow["step"] == "refused"]
    assert refused[["n", "reason"]].values.tolist() == [[1, "not_a_number"]]


def test_steps_stand_in_walking_order():
    steps = two_clinics().flow["step"].drop_duplicates().tolist()
    assert steps == ["read", "blank", "accepted", "pooled"]


def test_content_counts_each_unit_at_the_participants_site():
    pooled = two_clinics(people=6)
    found = pd.DataFrame(content(pooled.tables, "pooled")).set_index([1, 2])[3]
    for site in ("S01", "S02"):
        assert found[site, "participants"] == 6
        assert found[site, "episodes"] == 3  # planted truth: every second person is injured
        assert found[site, "fingers"] == 6 * 2 + 3
        assert found[site, "scans"] == 15
        assert found[site, "readings"] == 15 * 4


def test_a_finger_with_an_episode_and_a_scan_is_one_finger():
    intake = small("S01", people=2)
    episode = intake.tables["episodes"].iloc[0]
    scanned = intake.tables["scans"]
    assert ((scanned["side"] == episode["side"]) & (scanned["digit"] == episode["digit"])).any()
    counted = {unit: n for _, _, unit, n, _ in content(intake.tables, "x")}
    assert counted["fingers"] == 5  # by hand: two fingers each, and one injured finger


def test_records_that_do_not_add_up_stop_the_pool():
    intake = small("S01")
    intake.counts.loc[0, "read"] += 1
    with pytest.raises(PoolingError, match="not accepted"):
        flow_of(intake)


def test_refused_records_without_a_reason_stop_the_pool():
    intake = with_problems(small("S01"), {**BAD, "line": 90, "code": "unknown_code"}, refused=2)
    with pytest.raises(PoolingError, match="2 records, 1 with a reason"):
        flow_of(intake)
