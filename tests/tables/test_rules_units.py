"""Gaps typed in centimetres are noticed, gaps in millimetres are left alone."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.tables.rules_units import clinic_gap_not_in_cm
from tests.tables.rows import answers, cohort

CLINIC = "clinic_gap_not_in_cm"
ROW = "reading_not_in_cm"
LOADED = {"load": "loaded", "load_method": "manual_examiner"}

# planted truth: loaded gaps of uninjured fingers in mm, within the working ranges of the field
MM = [1.1, 1.4, 0.9, 1.7, 1.2]
# source: Klauser et al. 1999, abstract: A2 0.14 at rest, 0.30 loaded, 0.51 loaded after rupture (cm)
REST_CM, LOADED_CM, TORN_CM = 0.14, 0.30, 0.51
# source: Schneeberger et al. 2016, abstract: loaded A2 4.4 (SD 1.0), A4 2.9 (SD 0.7) mm, rupture
TORN_A2_MM, TORN_A4_MM = 4.4, 2.9
# source: Iruretagoiena et al. 2023, abstract: intact A2 median 0.95, quartiles 0.77 and 1.33 mm
INTACT_MM = [0.77, 0.95, 1.33]


def clinic(*gaps, scan="C1", **change):
    """Loaded A2 readings with these gaps."""
    return [
        {**LOADED, "scan_id": scan, "reading_id": f"{scan}-{i}-{g}", "gap_mm": g, **change}
        for i, g in enumerate(gaps)
    ]


def judged(rule, readings, **others):
    return answers(rule, "readings", cohort(readings=readings, **others))


@pytest.mark.parametrize("n", [3, 4, 5, 12])
def test_published_means_in_cm_are_refused(n):
    for gap in (LOADED_CM, LOADED_CM / 2):
        assert judged(CLINIC, clinic(*[gap] * n)) == ["broken"] * n


def test_published_ruptures_in_cm_are_refused():
    complete = [{"status": "complete"}]
    assert judged(CLINIC, clinic(*[TORN_CM] * 4), tears=complete) == ["broken"] * 4
    for pulley, gap in (("A2", TORN_A2_MM), ("A4", TORN_A4_MM)):
        tears = [{"status": "complete", "pulley": pulley}]
        in_cm = clinic(*[gap / 10] * 4, pulley=pulley)
        assert judged(CLINIC, in_cm, tears=tears) == ["broken"] * 4
        in_mm = clinic(*[gap] * 4, pulley=pulley)
        assert judged(CLINIC, in_mm, tears=tears) == ["kept"] * 4


def test_gaps_in_mm_are_kept():
    assert judged(CLINIC, clinic(*MM)) == ["kept"] * 5
    assert judged(CLINIC, clinic(*INTACT_MM)) == ["kept"] * 3


def test_one_small_gap_in_mm_refuses_nobody():
    assert judged(CLINIC, clinic(0.4, *MM)) == ["kept"] * 6
    assert judged(CLINIC, clinic(0.4, 0.4, 1.0)) == ["kept"] * 3
    assert judged(CLINIC, clinic(0.4, 0.4, 1.0, 1.1)) == ["kept"] * 4


def test_two_readings_are_too_few():
    assert judged(CLINIC, clinic(0.15, 0.15)) == ["not judged"] * 2


def test_a_clinic_that_reads_at_rest_only():
    rest = {"load": "rest", "load_method": "none"}
    assert judged(CLINIC, clinic(*[REST_CM] * 5, **rest)) == ["broken"] * 5
    assert judged(CLINIC, clinic(0.5, 0.7, 0.9, 1.2, 0.6, **rest)) == ["kept"] * 5


def test_every_gap_of_a_clinic_in_cm_is_refused():
    hidden = {"gap_mm": None, "below_resolution": True, "reading_id": "H"}
    readings = [
        *clinic(*[LOADED_CM] * 6),
        *clinic(0.09, pulley="A3", reference_structure="volar_plate"),
        *clinic(0.06, load="rest", load_method="none"),
        hidden,
    ]
    assert judged(CLINIC, readings) == ["broken"] * 8 + ["not judged"]


def test_one_pulley_in_cm_is_refused_alone():
    readings = clinic(*MM) + clinic(*(g / 10 for g in MM), pulley="A4")
    assert judged(CLINIC, readings) == ["kept"] * 5 + ["broken"] * 5


def test_clinics_are_judged_apart():
    people = [{}, {"participant_id": "P2", "site_id": "S2"}]
    scans = [{}, {"scan_id": "C2", "participant_id": "P2", "episode_id": None}]
    readings = clinic(*MM) + clinic(*(g / 10 for g in MM), scan="C2")
    found = judged(CLINIC, readings, participants=people, scans=scans)
    assert found == ["kept"] * 5 + ["broken"] * 5


def test_a_reading_whose_site_is_unknown_is_not_judged():
    assert judged(CLINIC, clinic(*[0.15] * 5, scan="X9")) == ["not judged"] * 5


def test_message_names_gap_and_site():
    (verdict,) = clinic_gap_not_in_cm(cohort(readings=clinic(0.3, 0.3, 0.3)))
    assert verdict.messages[0] == "gap 0.3 at site S1, most of whose gaps are too small to be in mm"


def test_a_few_gaps_in_cm_among_others_are_suspected():
    readings = clinic(*MM, 0.12, 0.2)
    assert judged(CLINIC, readings) == ["kept"] * 7
    assert judged(ROW, readings) == ["kept"] * 5 + ["broken"] * 2


def test_a_small_gap_close_to_the_others_is_not_suspected():
    assert judged(ROW, clinic(*MM, 0.4)) == ["kept"] * 6


def test_suspicion_needs_three_other_gaps_of_its_kind():
    assert judged(ROW, clinic(1.1, 1.4, 0.12)) == ["not judged"] * 3
    other_pulley = clinic(*MM) + clinic(0.12, pulley="A4")
    assert judged(ROW, other_pulley) == ["kept"] * 5 + ["not judged"]


def test_volar_plate_is_not_judged_by_itself():
    plate = {"pulley": "A3", "reference_structure": "volar_plate"}
    assert judged(CLINIC, clinic(*[0.3] * 6, **plate)) == ["not judged"] * 6
    assert judged(ROW, clinic(*[0.3] * 6, **plate)) == ["not judged"] * 6


@pytest.mark.parametrize("cm", [False, True])
def test_small_clinics_are_told_apart(cm):
    """Two hundred invented clinics of five readings, loaded, 1.5 mm with SD 0.4."""
    draws = np.random.default_rng(20240501).normal(1.5, 0.4, (200, 5)).clip(0.2)
    people = [{"participant_id": f"P{i}", "site_id": f"S{i}"} for i in range(200)]
    scans = [
        {"scan_id": f"C{i}", "participant_id": f"P{i}", "episode_id": None} for i in range(200)
    ]
    readings = [
        reading
        for i, gaps in enumerate(draws)
        for reading in clinic(*(gaps / 10 if cm else gaps).round(2), scan=f"C{i}")
    ]
    found = judged(CLINIC, readings, participants=people, scans=scans)
    # planted truth: either all clinics are in cm or none is
    assert set(found) == ({"broken"} if cm else {"kept"})


TENFOLD = "clinic_gap_not_tenfold"
REST = {"load": "rest", "load_method": "none"}


@pytest.mark.parametrize("n", [3, 4, 5, 12])
@pytest.mark.parametrize("gap", [*INTACT_MM, *MM])
def test_gaps_in_mm_read_as_cm_are_refused(n, gap):
    assert judged(TENFOLD, clinic(*[gap * 10] * n)) == ["broken"] * n
    assert judged(TENFOLD, clinic(*[gap] * n)) == ["kept"] * n


RUPTURES_MM = [("A2", TORN_CM * 10), ("A2", TORN_A2_MM), ("A4", TORN_A4_MM)]


@pytest.mark.parametrize(("pulley", "gap"), RUPTURES_MM)
@pytest.mark.parametrize("known", [True, False])
def test_a_clinic_of_ruptures_only_is_kept_in_mm_and_refused_tenfold(pulley, gap, known):
    tears = [{"status": "complete", "pulley": pulley}] if known else []
    few, many = clinic(*[gap] * 3, pulley=pulley), clinic(*[gap] * 8, pulley=pulley)
    assert judged(TENFOLD, few, tears=tears) == ["kept"] * 3
    assert judged(TENFOLD, many, tears=tears) == ["kept"] * 8
    assert judged(TENFOLD, clinic(*[gap * 10] * 3, pulley=pulley), tears=tears) == ["broken"] * 3


def test_ruptures_only_scatter_and_are_kept():
    """Two hundred invented clinics of five ruptures each, drawn as published."""
    draws = np.random.default_rng(20240502).normal(TORN_A2_MM, 1.0, (200, 5)).clip(0.5)
    people = [{"participant_id": f"P{i}", "site_id": f"S{i}"} for i in range(200)]
    scans = [
        {"scan_id": f"C{i}", "participant_id": f"P{i}", "episode_id": None} for i in range(200)
    ]
    readings = [r for i, gaps in enumerate(draws) for r in clinic(*gaps.round(2), scan=f"C{i}")]
    found = judged(TENFOLD, readings, participants=people, scans=scans)
    # planted truth: all clinics are in mm
    assert set(found) == {"kept"}


def test_one_load_with_a_wrong_unit_is_refused_alone():
    rest = clinic(*(g * 5 for g in MM), **REST)  # planted truth: half the loaded gap, tenfold
    assert judged(TENFOLD, clinic(*MM) + rest) == ["kept"] * 5 + ["broken"] * 5
    both = clinic(*(g * 10 for g in MM)) + rest
    plate = clinic(2.0, pulley="A3", reference_structure="volar_plate")
    assert judged(TENFOLD, both + plate) == ["broken"] * 11


def test_one_pulley_with_a_wrong_unit_is_refused_alone():
    readings = clinic(*MM, *MM) + clinic(*(g * 10 for g in MM), pulley="A4")
    assert judged(TENFOLD, readings) == ["kept"] * 10 + ["broken"] * 5


def test_two_large_gaps_are_too_few_to_judge_a_clinic_tenfold():
    assert judged(TENFOLD, clinic(10.0, 11.0)) == ["not judged"] * 2
    assert judged(TENFOLD, clinic(10.0, 11.0, *MM)) == ["kept"] * 7


# source: common practice, no source: an A4 rupture at rest measures about 3.1 mm
def test_ruptures_at_rest_are_kept():
    assert judged(TENFOLD, clinic(*[3.1] * 5, pulley="A4", **REST)) == ["kept"] * 5
