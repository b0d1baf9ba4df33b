"""Each rule on a single reading: a row it keeps, one it breaks, one it cannot judge."""

from __future__ import annotations

import pytest

from tests.tables.rows import answers, cohort

HIDDEN = {"gap_mm": None, "below_resolution": True}
UNSAID = {"below_resolution": None}

CASES = [
    ("gap_above_zero", {"gap_mm": 0.1}, {"gap_mm": 0.0}, HIDDEN),
    ("below_resolution_has_limit", HIDDEN, {**HIDDEN, "resolution_mm": None}, UNSAID),
    ("below_resolution_has_no_gap", HIDDEN, {"below_resolution": True}, UNSAID),
    ("gap_present", {}, {"gap_mm": None}, UNSAID),
    ("gap_at_most_8_mm", {"gap_mm": 8.0}, {"gap_mm": 8.1}, HIDDEN),
    (
        "gap_not_below_limit",
        {"gap_mm": 0.3, "resolution_mm": 0.3},
        {"gap_mm": 0.2, "resolution_mm": 0.3},
        {"resolution_mm": None},
    ),
    (
        "reference_structure_fits_pulley",
        {"pulley": "A3", "reference_structure": "volar_plate"},
        {"pulley": "A3", "reference_structure": "phalanx"},
        {"reference_structure": None},
    ),
    (
        "reference_structure_fits_pulley",
        {"pulley": "A4", "reference_structure": "phalanx"},
        {"pulley": "A2", "reference_structure": "volar_plate"},
        {"pulley": None},
    ),
    (
        "caliper_site_fits_pulley",
        {"pulley": "A4", "caliper_site": "mp_midpoint"},
        {"pulley": "A4", "caliper_site": "a2_distal_edge"},
        {"caliper_site": None},
    ),
    (
        "caliper_site_fits_pulley",
        {"pulley": "A3", "caliper_site": "other"},
        {"pulley": "A2", "caliper_site": "mp_midpoint"},
        {"pulley": None},
    ),
    (
        "rest_has_no_load",
        {"load_n": 0.0},
        {"load_method": "manual_examiner"},
        {"load_method": None},
    ),
    (
        "rest_has_no_load",
        {"load": "loaded", "load_method": "force_gauge", "load_n": 90.0},
        {"load_n": 90.0},
        {"load": None},
    ),
    (
        "loaded_has_method",
        {"load": "loaded", "load_method": "self_press"},
        {"load": "loaded", "load_method": "none"},
        {"load": "loaded", "load_method": None},
    ),
    (
        "force_has_gauge",
        {"load": "loaded", "load_method": "force_gauge", "load_n": 90.0},
        {"load": "loaded", "load_method": "manual_examiner", "load_n": 90.0},
        {"load": "loaded", "load_method": "force_gauge", "load_n": None},
    ),
    (
        "averaged_reading_not_repeated",
        {"reads_averaged": 3},
        {"reads_averaged": 3, "read_no": 2},
        {"reads_averaged": None},
    ),
]


@pytest.mark.parametrize(("rule", "kept", "broken", "not_judged"), CASES)
def test_rule_keeps_breaks_and_abstains(rule, kept, broken, not_judged):
    tables = cohort(readings=[kept, broken, not_judged])
    assert answers(rule, "readings", tables) == ["kept", "broken", "not judged"]
