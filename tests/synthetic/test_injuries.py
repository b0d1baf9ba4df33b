"""Episodes and their true patterns."""

from __future__ import annotations

import pytest

from cohortkit.synthetic.design import PULLEYS, read_design
from cohortkit.tables.grades import derive_grade
from tests.synthetic.cohorts import large, shipped

DESIGN = read_design()


def test_each_injured_person_has_one_or_two_episodes_of_different_fingers():
    episodes = large().tables["episodes"]
    per_person = episodes.groupby("participant_id").size()
    assert set(per_person) == {1, 2}
    # planted truth: 6 %; by hand: standard error sqrt(0.06*0.94/2500) = 0.0047, five allowed
    assert (per_person == 2).mean() == pytest.approx(DESIGN.injuries.two_fingers, abs=0.0237)
    assert not episodes.duplicated(["participant_id", "side", "digit"]).any()


def test_patterns_keep_their_shares():
    drawn = large().hidden["episodes"]["pattern"].value_counts(normalize=True)
    for pattern in DESIGN.injuries.patterns:
        # by hand: standard error at most sqrt(0.27*0.73/2650) = 0.0086, five allowed
        assert drawn[pattern.name] == pytest.approx(pattern.share, abs=0.043)


def test_the_planted_grade_is_that_of_the_rule_set():
    """The grade in the design is checked against the package's own published rule set."""
    episodes = shipped().hidden["episodes"]
    long = episodes.melt(
        "episode_id", [f"true_{p}" for p in PULLEYS], var_name="pulley", value_name="status"
    )
    long["pulley"] = long["pulley"].str.removeprefix("true_")
    derived = derive_grade(long, shipped().tables["episodes"], "schoffl2003")
    assert derived["grade"].tolist() == episodes["grade"].tolist()


def test_the_injury_comes_before_the_enrolment():
    # planted truth: 1 to 60 days, and 25 more for the person who came to a second clinic
    assert large().tables["episodes"]["onset_day"].between(-85, -1).all()


def test_ring_and_middle_finger_are_hurt_most():
    share = large().tables["episodes"]["digit"].value_counts(normalize=True)
    assert share.index[:2].tolist() == ["ring", "middle"]


def test_the_person_at_two_sites_shows_the_same_finger_later():
    episodes, people = shipped().hidden["episodes"], shipped().hidden["people"]
    twice = people[people.duplicated(["effect_mm"], keep=False)]
    a, b = (episodes[episodes["person"] == p].iloc[0] for p in twice.index)
    for column in ("side", "digit", "mechanism", "pattern"):
        assert a[column] == b[column]
    assert a["onset_day"] - b["onset_day"] == 25  # planted truth
