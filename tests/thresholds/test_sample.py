"""The sample that the estimators share."""

from __future__ import annotations

import numpy as np

from cohortkit.thresholds.sample import leave_one_site_out, open_limits, verification_note
from cohortkit.thresholds.selection import draw_sample
from tests.thresholds.planted import table


def sample(**columns):
    data = table(np.arange(12.0), np.arange(12) % 2 == 0, np.arange(12) // 2).assign(**columns)
    return draw_sample(data, ("complete", "none"), "leave_out", "stop", {})


def test_a_subset_codes_its_participants_anew():
    part = sample(finger_id=range(12)).subset(np.arange(12) >= 6)
    assert part.cluster.tolist() == [0, 0, 1, 1, 2, 2]
    assert part.repeats
    assert len(part.finger) == 6


def test_class_participants_counts_people_not_rows():
    assert sample().class_participants() == (6, 6)
    assert sample().subset(np.arange(12) % 2 == 0).class_participants() == (6, 0)


def test_leave_one_site_out_needs_three_named_sites():
    assert leave_one_site_out(sample()) == []
    assert leave_one_site_out(sample(site_id=["S01", "S02"] * 6)) == []
    three = leave_one_site_out(sample(site_id=["S01", "S02", None, "S03"] * 3))
    assert [name for name, _ in three] == ["S01", "S02", "S03"]
    assert [len(part.value) for _, part in three] == [9, 9, 9]


def test_an_estimate_without_limits_has_no_level():
    bare = sample().estimate("x", open_limits(0.5), 0.95, "none")
    assert np.isnan(bare.level)
    assert sample().estimate("x", (0.5, 0.4, 0.6), 0.95, "some").level == 0.95


def test_no_note_where_all_rows_are_verified():
    assert verification_note(sample()) == []
    assert verification_note(sample(verified=True)) == []
