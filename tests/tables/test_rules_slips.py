"""Gaps that stand out from their clinic: a slip of the decimal mark, or a rater in cm."""

from __future__ import annotations

import pytest

from cohortkit.tables.rules_slips import (
    rater_gap_not_in_cm,
    reading_not_in_cm,
    reading_not_tenfold,
)
from tests.tables.rows import answers, cohort
from tests.tables.test_rules_units import MM, REST, clinic, judged

CM_ROW, TENFOLD_ROW, RATER = "reading_not_in_cm", "reading_not_tenfold", "rater_gap_not_in_cm"
UNINJURED = [{"episode_id": None}]
TWELVE_MM = [*MM, *MM, 1.0, 1.3]


def by(rater, *gaps, **change):
    """Loaded A2 readings of one rater."""
    return [
        {**r, "reading_id": f"{rater}-{i}-{change.get('pulley')}-{change.get('load')}"}
        for i, r in enumerate(clinic(*gaps, rater_id=rater, **change))
    ]


def tenth(gaps):
    return [g / 10 for g in gaps]


# planted truth: 0.7 to 0.8 mm typed without the decimal mark among forty gaps
@pytest.mark.parametrize("slip", [7.0, 7.5, 8.0])
def test_a_gap_typed_tenfold_is_suspected(slip):
    readings = clinic(*[0.7, 0.8] * 20, slip)
    assert judged(TENFOLD_ROW, readings, scans=UNINJURED) == ["kept"] * 40 + ["broken"]


def test_wide_and_narrow_intact_gaps_are_not_tenfold():
    # source: Iruretagoiena et al. 2023, abstract: intact A2 median 0.95, quartiles 0.77 and 1.33
    readings = clinic(0.77, 0.95, 1.33, 0.95, 2.0)
    assert judged(TENFOLD_ROW, readings, scans=UNINJURED) == ["kept"] * 5


def test_gaps_of_injured_fingers_are_neither_tenfold_nor_a_measure():
    scans = [{}, {"scan_id": "C2", "episode_id": None}]
    readings = clinic(*MM, scan="C2") + clinic(7.5, 8.0)
    found = judged(TENFOLD_ROW, readings, scans=scans)
    assert found == ["kept"] * 5 + ["not judged"] * 2


def test_tenfold_needs_three_other_gaps_of_its_kind():
    few, enough = clinic(1.1, 1.4, 12.0), clinic(1.1, 1.4, 0.9, 12.0)
    assert judged(TENFOLD_ROW, few, scans=UNINJURED) == ["not judged"] * 3
    assert judged(TENFOLD_ROW, enough, scans=UNINJURED) == ["kept"] * 3 + ["broken"]


def test_gaps_in_cm_do_not_make_the_others_tenfold():
    readings = clinic(*MM) + clinic(*tenth(MM), *tenth(MM), 0.11)
    found = judged(TENFOLD_ROW, readings, scans=UNINJURED)
    assert found == ["kept"] * 16


def test_zero_is_no_sign_of_cm():
    zero = clinic(*MM, 0.0)
    assert judged(CM_ROW, zero) == ["kept"] * 5 + ["not judged"]
    assert judged("gap_above_zero", zero) == ["kept"] * 5 + ["broken"]
    assert judged("clinic_gap_not_in_cm", clinic(*[0.0] * 8)) == ["not judged"] * 8


def test_messages_give_figures_as_they_are_read():
    gaps = clinic(1.64, 1.64, 1.6400000000000001, 1.6400000000000003, 0.12)
    (small,) = reading_not_in_cm(cohort(readings=gaps))
    assert small.messages == ["gap 0.12 where most are near 1.64: perhaps in cm"]
    gaps = clinic(0.7, 0.7, 0.8, 0.8, 7.5)
    (large,) = reading_not_tenfold(cohort(readings=gaps, scans=UNINJURED))
    assert large.messages == ["gap 7.5 where most are near 0.8: perhaps ten times too large"]


def test_a_rater_in_cm_is_refused_whole():
    rest = tenth(g / 2 for g in MM)
    readings = [
        *by("R1", *TWELVE_MM),
        *by("R2", *tenth(TWELVE_MM)),
        *by("R2", *rest, **REST),
        *by("R2", 0.1, pulley="A3", reference_structure="volar_plate"),
    ]
    raters = [{}, {"rater_id": "R2"}]
    found = judged(RATER, readings, raters=raters)
    assert found == ["not judged"] * 12 + ["broken"] * 18
    (verdict,) = rater_gap_not_in_cm(cohort(readings=readings, raters=raters))
    told = "gap 0.11: the gaps of rater R2 at site S1 look like cm beside those of other raters"
    assert verdict.messages[0] == told


def test_ten_gaps_of_several_kinds_are_enough_for_a_rater():
    a4 = {"pulley": "A4", "caliper_site": "mp_midpoint"}
    others = by("R1", *TWELVE_MM) + by("R1", *TWELVE_MM, **a4)
    mine = by("R2", *tenth(MM)) + by("R2", *tenth(MM), **a4)
    assert judged(RATER, others + mine) == ["not judged"] * 24 + ["broken"] * 10
    assert judged(RATER, others + mine[:9]) == ["not judged"] * 33


def test_a_pulley_that_a_rater_reads_in_mm_is_kept():
    a4 = {"pulley": "A4", "caliper_site": "mp_midpoint"}
    others = by("R1", *TWELVE_MM) + by("R1", *TWELVE_MM, **a4)
    mine = by("R2", *tenth(TWELVE_MM)) + by("R2", *TWELVE_MM[:10], **a4)
    found = judged(RATER, others + mine)
    assert found == ["kept"] * 24 + ["broken"] * 12 + ["kept"] * 10


def test_two_raters_of_three_in_cm_are_refused():
    mine = by("R2", *tenth(TWELVE_MM)) + by("R3", *tenth(TWELVE_MM))
    assert judged(RATER, by("R1", *TWELVE_MM) + mine) == ["not judged"] * 12 + ["broken"] * 24


def test_raters_in_mm_are_kept_and_a_single_rater_is_not_judged():
    narrow = [g * 0.6 for g in TWELVE_MM]  # planted truth: a rater who reads 40% less
    assert judged(RATER, by("R1", *TWELVE_MM) + by("R2", *narrow)) == ["kept"] * 24
    assert judged(RATER, by("R1", *TWELVE_MM)) == ["not judged"] * 12


def test_a_rater_is_compared_within_the_clinic_only():
    people = [{}, {"participant_id": "P2", "site_id": "S2"}]
    scans = [{}, {"scan_id": "C2", "participant_id": "P2", "episode_id": None}]
    readings = by("R1", *TWELVE_MM) + by("R2", *tenth(TWELVE_MM), scan="C2")
    tables = cohort(readings=readings, participants=people, scans=scans)
    assert answers(RATER, "readings", tables) == ["not judged"] * 24
