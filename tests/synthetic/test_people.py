"""Participants and raters of invented cohorts."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.synthetic.design import read_design
from cohortkit.synthetic.people import draw_people, quotas, raters_table, same_person_rows
from tests.synthetic.cohorts import large, shipped

DESIGN = read_design()


def test_quotas_add_up():
    # by hand: shares of a tenth each of 7, cut at 0.7, 1.4, 2.1, ... and rounded
    assert quotas([1.0] * 10, 7).sum() == 7
    assert quotas([0.5, 0.5], 5).tolist() == [3, 2]


def test_as_many_people_as_the_design_says():
    people = shipped().hidden["people"]
    assert (~people["injured"]).sum() == DESIGN.people.uninjured
    assert people["injured"].sum() == DESIGN.people.injured
    assert set(people["site_id"]) == {s.site_id for s in DESIGN.sites}


def test_scale_multiplies_people_and_keeps_sites_and_raters():
    assert len(large().tables["participants"]) == 10 * len(shipped().tables["participants"])
    for name in ("sites", "devices", "raters"):
        assert large().tables[name].equals(shipped().tables[name])


def test_ids_are_opaque_and_unique():
    ids = shipped().tables["participants"]["participant_id"]
    assert ids.is_unique
    assert ids.str.fullmatch(r"S0[1-5]-P\d{3}").all()


def test_adolescents_are_minors_and_the_others_are_not():
    people = large().hidden["people"]
    assert people.loc[people["adolescent"], "age_years"].between(14, 17).all()
    assert (people.loc[~people["adolescent"], "age_years"] >= 18).all()
    share = people.loc[~people["injured"], "adolescent"].mean()
    # planted truth: 10 %; by hand: standard error sqrt(0.1*0.9/3000) = 0.0055, five allowed
    assert share == pytest.approx(DESIGN.people.adolescent_uninjured, abs=0.0275)


def test_the_persons_shift_has_the_planted_spread():
    effect = large().hidden["people"]["effect_mm"]
    # by hand: relative standard error of an SD is 1/sqrt(2n) = 0.0095, five allowed
    assert effect.std() == pytest.approx(DESIGN.gaps.participant_sd, rel=0.048)


def test_raters_keep_their_shift_whatever_people_are_drawn():
    effects = raters_table(DESIGN)["effect_mm"]
    assert np.array_equal(effects, raters_table(DESIGN)["effect_mm"])
    assert effects.nunique() == len(effects)


def test_one_person_stands_at_two_sites_under_two_ids():
    people = shipped().hidden["people"]
    first, second = same_person_rows(people, DESIGN)
    a, b = people.loc[first], people.loc[second]
    assert (a["site_id"], b["site_id"]) == ("S01", "S03")
    assert a["participant_id"] != b["participant_id"]
    for column in ("sex", "age_years", "height_cm", "dominant_side", "climbing_years"):
        assert a[column] == b[column]
    assert b["enrolled"] - a["enrolled"] == 25  # planted truth


def test_nobody_stands_twice_where_a_site_is_too_small():
    people = draw_people(DESIGN, 0.02, 1)
    assert same_person_rows(people, DESIGN)[1] is None
