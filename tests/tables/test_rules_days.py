"""Rules on the order of days and on visits."""

from __future__ import annotations

import pytest

from cohortkit.tables.rules_days import visit_days_rise
from tests.tables.rows import answers, cohort

NOTHING_SEEN = dict.fromkeys(
    [
        "returned",
        "level_ircra",
        "pain_nrs",
        "extension_deficit_deg",
        "crimp_n",
        "crimp_other_n",
        "quickdash",
        "reinjury",
    ]
)


@pytest.mark.parametrize(
    ("rule", "table", "day"),
    [
        ("scan_not_before_onset", "scans", "scan_day"),
        ("verification_not_before_onset", "tears", "verified_day"),
        ("treatment_not_before_onset", "treatments", "start_day"),
        ("visit_not_before_onset", "visits", "actual_day"),
    ],
)
def test_nothing_of_an_episode_lies_before_its_onset(rule, table, day):
    episodes = [{}, {"episode_id": "E2", "onset_day": None}]
    tables = cohort(
        episodes=episodes,
        **{table: [{day: -3}, {day: -4}, {day: None}, {"episode_id": "E2"}]},
    )
    expected = ["kept", "broken", "not judged", "not judged"]
    assert answers(rule, table, tables) == expected


def test_treatment_does_not_end_before_it_starts():
    tables = cohort(
        treatments=[
            {"start_day": 5, "end_day": 5},
            {"start_day": 5, "end_day": 4},
            {"start_day": 5, "end_day": None},
        ]
    )
    found = answers("treatment_ends_after_start", "treatments", tables)
    assert found == ["kept", "broken", "not judged"]


def visits(*days):
    return [{"visit": n, "actual_day": day} for n, day in enumerate(days, start=1)]


@pytest.mark.parametrize(
    ("days", "expected"),
    [
        ((40, 90, 180), ["kept", "kept", "kept"]),
        ((40, 40, 180), ["kept", "broken", "kept"]),
        ((90, 40, 180), ["kept", "broken", "kept"]),
        ((90, None, 80), ["kept", "not judged", "broken"]),
        ((90, 40, 80), ["kept", "broken", "broken"]),
        ((None, 40, 80), ["not judged", "kept", "kept"]),
    ],
)
def test_visit_days_rise(days, expected):
    assert answers("visit_days_rise", "visits", cohort(visits=visits(*days))) == expected
    backwards = cohort(visits=visits(*days)[::-1])
    assert answers("visit_days_rise", "visits", backwards) == expected[::-1]


def test_visits_of_other_episodes_are_no_earlier_visits():
    tables = cohort(visits=[{"actual_day": 90}, {"episode_id": "E2", "visit": 2, "actual_day": 40}])
    assert answers("visit_days_rise", "visits", tables) == ["kept", "kept"]


def test_message_gives_both_days():
    (verdict,) = visit_days_rise(cohort(visits=visits(90, 40)))
    assert verdict.messages == ["actual_day 40 is not after day 90 of an earlier visit"]


def test_observations_need_their_day():
    tables = cohort(
        visits=[
            {},
            {"actual_day": None},
            {"actual_day": None, **NOTHING_SEEN},
            {"actual_day": None, **NOTHING_SEEN, "reinjury": False},
            {**NOTHING_SEEN},
        ]
    )
    found = answers("attended_visit_has_day", "visits", tables)
    assert found == ["kept", "broken", "kept", "broken", "kept"]


def test_nobody_returns_after_giving_up():
    states = ["restricted", "gave_up", None, "no", "full", "gave_up", "restricted"]
    tables = cohort(visits=[{"visit": n, "returned": s} for n, s in enumerate(states, start=1)])
    found = answers("no_return_after_giving_up", "visits", tables)
    assert found == ["kept", "kept", "not judged", "kept", "broken", "kept", "broken"]
