"""Rules on several readings of one scan."""

from __future__ import annotations

from cohortkit.tables.rules_repeats import loaded_gap_not_below_rest
from tests.tables.rows import answers, cohort

LOADED = {"load": "loaded", "load_method": "manual_examiner"}
REPEATS = "read_no_consecutive"
LOWER = "loaded_gap_not_below_rest"


def readings(*changes):
    return cohort(readings=[{"reading_id": f"G{i}", **c} for i, c in enumerate(changes)])


def test_repeats_count_from_one():
    tables = readings({"read_no": 2}, {"read_no": 1}, {"read_no": 3})
    assert answers(REPEATS, "readings", tables) == ["kept"] * 3


def test_a_hole_a_double_or_a_late_start_breaks_the_whole_series():
    for numbers in ([1, 3], [1, 1], [2, 3], [1, 2, 2]):
        tables = readings(*({"read_no": n} for n in numbers))
        assert answers(REPEATS, "readings", tables) == ["broken"] * len(numbers), numbers


def test_series_are_counted_apart():
    tables = readings(
        {},
        LOADED,
        {"pulley": "A4", "caliper_site": "mp_midpoint"},
        {"read_mode": "stored"},
        {"rater_id": "R2"},
        {"scan_id": "C2"},
        {"caliper_site": "a2_distal_edge"},
        {"caliper_site": None},
    )
    assert answers(REPEATS, "readings", tables) == ["kept"] * 8


def test_numbering_is_not_judged_without_its_series():
    tables = readings({}, {"read_no": None}, {"rater_id": None})
    assert answers(REPEATS, "readings", tables)[1:] == ["not judged"] * 2


def test_loaded_below_rest_is_broken_and_rest_itself_is_kept():
    tables = readings({"gap_mm": 1.5}, LOADED | {"gap_mm": 1.4})
    assert answers(LOWER, "readings", tables) == ["kept", "broken"]
    tables = readings({"gap_mm": 1.5}, LOADED | {"gap_mm": 1.5})
    assert answers(LOWER, "readings", tables) == ["kept", "kept"]


def test_loaded_is_compared_only_within_its_series():
    for change in (
        {"rater_id": "R2"},
        {"read_no": 2},
        {"read_mode": "stored"},
        {"pulley": "A4"},
        {"scan_id": "C2"},
    ):
        tables = readings({"gap_mm": 3.0}, LOADED | {"gap_mm": 1.0} | change)
        assert answers(LOWER, "readings", tables) == ["kept", "not judged"], change


def test_unseen_gaps_are_compared_by_what_they_can_be():
    hidden = {"gap_mm": None, "below_resolution": True, "resolution_mm": 0.3}
    cases = [
        ({"gap_mm": 0.4}, LOADED | hidden, "broken"),
        ({"gap_mm": 0.2}, LOADED | hidden, "kept"),
        (hidden, LOADED | {"gap_mm": 0.2}, "kept"),
        ({"gap_mm": 0.4}, LOADED | hidden | {"resolution_mm": None}, "not judged"),
        ({"gap_mm": None}, LOADED | {"gap_mm": 0.2}, "not judged"),
    ]
    for rest, loaded, expected in cases:
        assert answers(LOWER, "readings", readings(rest, loaded))[1] == expected


def test_message_gives_both_gaps():
    tables = readings({"gap_mm": 1.5}, LOADED | {"gap_mm": 1.4})
    (verdict,) = loaded_gap_not_below_rest(tables)
    assert verdict.messages == ["the loaded gap of 1.4 mm is below 1.5 mm at rest"]


def test_rater_of_another_site():
    sites = [{}, {"site_id": "S2"}]
    raters = [{}, {"rater_id": "R2", "site_id": "S2"}, {"rater_id": "R3", "site_id": None}]
    tables = cohort(
        sites=sites,
        raters=raters,
        readings=[
            {},
            {"rater_id": "R2"},
            {"rater_id": "R2", "read_mode": "stored"},
            {"rater_id": "R3"},
            {"scan_id": "X9"},
        ],
    )
    found = answers("rater_at_own_site", "readings", tables)
    assert found == ["kept", "broken", "kept", "not judged", "not judged"]
