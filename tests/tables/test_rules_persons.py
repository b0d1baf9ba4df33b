"""Rules on persons, injuries, and what belongs to whom."""

from __future__ import annotations

from tests.tables.rows import answers, cohort


def test_climbing_years_fit_age():
    tables = cohort(
        participants=[
            {"age_years": 20, "climbing_years": 17.9},
            {"age_years": 20, "climbing_years": 18.0},
            {"age_years": 6, "climbing_years": 0.0},
            {"age_years": None},
            {"climbing_years": None},
        ]
    )
    found = answers("climbing_years_fit_age", "participants", tables)
    # by hand: 20 completed years leave less than 20 + 1 - 3 = 18 years
    assert found == ["kept", "broken", "kept", "not judged", "not judged"]


def test_scan_and_episode_are_of_one_finger():
    people = [{}, {"participant_id": "P2"}]
    tables = cohort(
        participants=people,
        scans=[
            {},
            {"participant_id": "P2"},
            {"side": "right"},
            {"digit": "middle"},
            {"episode_id": None},
            {"episode_id": "X9"},
            {"side": None},
        ],
    )
    found = answers("scan_finger_is_episode_finger", "scans", tables)
    assert found == ["kept", "broken", "broken", "broken", *["not judged"] * 3]


def test_injured_finger_names_its_episode():
    none = {"episode_id": None}
    tables = cohort(
        scans=[
            {},
            none,
            none | {"scan_day": -3},
            none | {"scan_day": -4},
            none | {"side": "right"},
            none | {"scan_day": None},
        ]
    )
    found = answers("injured_finger_names_its_episode", "scans", tables)
    assert found == ["kept", "broken", "broken", "kept", "kept", "not judged"]


def test_an_injury_of_unknown_day_counts_as_earlier():
    tables = cohort(episodes=[{"onset_day": None}], scans=[{"episode_id": None, "scan_day": -900}])
    assert answers("injured_finger_names_its_episode", "scans", tables) == ["broken"]


def test_without_episodes_no_finger_can_be_called_uninjured():
    tables = cohort(episodes=None, scans=[{"episode_id": None}])
    assert answers("injured_finger_names_its_episode", "scans", tables) == ["not judged"]


def test_episode_not_entered_twice():
    tables = cohort(
        episodes=[
            {},
            {"episode_id": "E2"},
            {"episode_id": "E3", "onset_day": -90},
            {"episode_id": "E4", "digit": "middle"},
            {"episode_id": "E5", "onset_day": None},
        ]
    )
    found = answers("episode_not_entered_twice", "episodes", tables)
    assert found == ["broken", "broken", "kept", "kept", "not judged"]


def test_injury_has_tears():
    episodes = [{}, {"episode_id": "E2"}, {"episode_id": None}]
    tables = cohort(episodes=episodes)
    found = answers("injury_has_tears", "episodes", tables)
    assert found == ["kept", "broken", "not judged"]
    del tables["tears"]
    assert answers("injury_has_tears", "episodes", tables) == ["not judged"] * 3


def test_device_at_own_site():
    tables = cohort(
        sites=[{}, {"site_id": "S2"}],
        devices=[{}, {"device_id": "D2", "site_id": "S2"}],
        scans=[{}, {"device_id": "D2"}, {"device_id": None}, {"participant_id": "X9"}],
    )
    found = answers("device_at_own_site", "scans", tables)
    assert found == ["kept", "broken", "not judged", "not judged"]


def test_tear_names_its_basis():
    tables = cohort(tears=[{}, {"basis": None}, {"status": None, "basis": None}])
    assert answers("tear_basis_present", "tears", tables) == ["kept", "broken", "not judged"]


def test_intact_seen_at_operation_is_kept():
    tables = cohort(tears=[{"status": "none", "basis": "surgery"}])
    assert answers("tear_basis_present", "tears", tables) == ["kept"]


def test_one_status_per_pulley_and_episode():
    tables = cohort(
        tears=[
            {"status": "partial"},
            {"status": "complete"},
            {"pulley": "A4", "status": "none"},
            {"pulley": "A4", "status": "none"},
            {"pulley": "A3", "status": None},
        ]
    )
    found = answers("tear_status_single", "tears", tables)
    assert found == ["broken", "broken", "kept", "kept", "not judged"]


def test_operation_is_among_the_treatments():
    surgery = {"basis": "surgery"}
    tables = cohort(
        tears=[{}, surgery, surgery | {"episode_id": "E2"}, {"basis": None}],
        treatments=[{"kind": "surgery", "episode_id": "E2"}, {"kind": "ring"}],
    )
    found = answers("operation_recorded", "tears", tables)
    assert found == ["kept", "broken", "kept", "not judged"]
    del tables["treatments"]
    assert answers("operation_recorded", "tears", tables) == ["not judged"] * 4
