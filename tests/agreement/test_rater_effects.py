"""Effects of raters: planted shifts, the room's model, and refusals."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.agreement import rater_effects
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.mixed.effects import effects
from tests.agreement.multisite import readings


def test_planted_shifts_are_found_in_order():
    shift = {"R0-0": -0.6, "R0-1": -0.2, "R1-0": 0.2, "R1-1": 0.6}
    table = readings(sites=2, planted={"rater": 0.0, "rater_site": 0.0})
    table["gap_mm"] += table["rater_id"].map(shift)
    found = rater_effects(table)
    assert [e.group for e in found] == [f"rater={name}" for name in shift]
    # planted truth; with many readings each there is little shrinkage
    assert [e.value for e in found] == pytest.approx(list(shift.values()), abs=0.05)
    assert all(e.lower < e.value < e.upper for e in found)
    # by hand: each rater read all
    assert {e.n_readings for e in found} == {len(table) // 4}
    assert {e.n_participants for e in found} == {24}


def test_it_is_the_model_of_reliability_without_the_site_of_raters():
    table = readings(fingers=1, scans=1, sites=2)
    direct = effects(
        table, random=[["site_id"], ["participant_id"], ["rater_id"], ["scan_id", "rater_id"]]
    )
    found = rater_effects(table)
    assert [e.value for e in found] == pytest.approx([e.value for e in direct], rel=1e-5, abs=1e-9)
    assert np.ptp([e.value for e in found]) > 0


def test_refusals():
    table = readings(sites=1, raters_a_site=1)
    with pytest.raises(EstimateError, match="Raters cannot be compared"):
        rater_effects(table)
    with pytest.raises(ArgumentError, match="do not take that argument"):
        rater_effects(readings(), by=["pulley"])
    mixed_pulleys = readings().assign(pulley=lambda t: np.where(t["read_no"] == 1, "A2", "A4"))
    with pytest.raises(EstimateError, match="mix different quantities"):
        rater_effects(mixed_pulleys)


def test_one_residual_for_live_and_stored_readings_is_said():
    table = readings()
    half = np.where(np.arange(len(table)) % 2, "live", "stored")
    for mode, said in ((half, True), ("live", False), ("stored", False)):
        found = {c.code for c in rater_effects(table.assign(read_mode=mode)).cautions}
        assert ("modes_pooled" in found) is said
