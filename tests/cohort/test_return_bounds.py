"""Bounds of the return to climbing, case by case."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.cohort.return_bounds import return_bounds
from cohortkit.errors import ArgumentError
from cohortkit.tables.schema import typed

INF = np.inf
ONSET = -10


def bounds(visits, treatments=(), onset=ONSET, **options):
    """Bounds of one episode. A visit is (day from onset or None, answer)."""
    start = 0 if onset is None else onset
    tables = {
        "episodes": pd.DataFrame(
            {"episode_id": ["E"], "participant_id": "P", "side": "left", "digit": "ring", "onset_day": [onset]}
        ),
        "visits": pd.DataFrame(
            [
                {
                    "episode_id": "E", "visit": k, "planned_day": 42 * k,
                    "actual_day": None if day is None else day + start, "returned": answer,
                }
                for k, (day, answer) in enumerate(visits, start=1)
            ],
            columns=["episode_id", "visit", "planned_day", "actual_day", "returned"],
        ),
        "treatments": pd.DataFrame(
            [{"episode_id": "E", "kind": kind, "start_day": day + start} for kind, day in treatments],
            columns=["episode_id", "kind", "start_day"],
        ),
    }  # fmt: skip
    typed_tables = {name: typed(frame.astype(object), name) for name, frame in tables.items()}
    (row,) = return_bounds(typed_tables, **options).to_dict("records")
    return row


CASES = {
    # by hand from the definition: (left, right] around the first full return
    "seen at the first visit": ([(40, "full")], (0, 40)),
    "between two visits": ([(40, "no"), (90, "full")], (40, 90)),
    "restricted is not full": ([(40, "no"), (90, "restricted"), (180, "full")], (90, 180)),
    "never seen to return": ([(40, "no"), (90, "restricted")], (90, INF)),
    "a missed visit widens": ([(40, "no"), (None, None), (180, "full")], (40, 180)),
    "a visit that did not ask widens": ([(40, "no"), (90, None), (180, "full")], (40, 180)),
    "only missed visits": ([(None, None), (None, None)], (0, INF)),
    "no visits": ([], (0, INF)),
    "the first full counts, not a later fall": ([(40, "full"), (90, "no"), (180, "full")], (0, 40)),
    "order of visits does not matter": ([(90, "full"), (40, "no")], (40, 90)),
}


@pytest.mark.parametrize("case", CASES)
def test_the_interval_of(case):
    visits, expected = CASES[case]
    row = bounds(visits)
    assert (row["left_day"], row["right_day"]) == expected
    assert row["competing"] == ""
    assert np.isnan(row["competing_day"])


def test_the_left_limit_lies_below_the_right_one_always():
    draw = np.random.default_rng(4)
    for _ in range(60):
        n = draw.integers(1, 6)
        days = [None if draw.random() < 0.3 else int(d) for d in draw.integers(1, 400, n)]
        answers = draw.choice(["no", "restricted", "full", "gave_up", None], n)
        visits = [(d, None if d is None else a) for d, a in zip(days, answers, strict=True)]
        surgery = [("surgery", int(draw.integers(0, 300)))] if draw.random() < 0.3 else []
        row = bounds(visits, surgery)
        assert 0 <= row["left_day"] < row["right_day"]
        if row["competing"]:
            assert row["left_day"] <= row["competing_day"]
            assert row["right_day"] == INF


def test_visits_are_counted():
    row = bounds([(40, "no"), (None, None), (90, None), (180, "full")])
    assert (row["n_visits"], row["missed_visits"], row["last_day"]) == (2, 2, 180)


@pytest.mark.parametrize(
    ("visits", "treatments", "expected"),
    [
        ([(40, "no"), (90, "no")], [("surgery", 60)], (40, INF, "surgery", 60)),
        ([(40, "no"), (90, "full")], [("surgery", 60)], (40, INF, "surgery", 60)),
        ([(40, "no"), (90, "full")], [("surgery", 120)], (40, 90, "", None)),
        ([(40, "full")], [("surgery", 40)], (0, 40, "", None)),
        ([(40, "no")], [("surgery", 40)], (40, INF, "surgery", 40)),
        ([], [("surgery", 5)], (0, INF, "surgery", 5)),
        ([(40, "no")], [("surgery", 90), ("surgery", 20)], (0, INF, "surgery", 20)),
        ([(40, "no"), (90, "gave_up")], [], (90, INF, "gave_up", 90)),
        ([(40, "full"), (90, "gave_up")], [], (0, 40, "", None)),
        ([(40, "gave_up"), (90, "full")], [], (40, INF, "gave_up", 40)),
        ([(40, "gave_up")], [("surgery", 20)], (0, INF, "surgery", 20)),
        ([(40, "gave_up")], [("surgery", 60)], (40, INF, "gave_up", 40)),
        ([(40, "gave_up")], [("surgery", 40)], (40, INF, "surgery", 40)),
        ([(40, "no")], [("ring", 0), ("tape", 10)], (40, INF, "", None)),
    ],
)
def test_ends_that_compete(visits, treatments, expected):
    # by hand: the end that is known first, before the first full return
    row = bounds(visits, treatments)
    found = (row["left_day"], row["right_day"], row["competing"])
    assert found == expected[:3]
    assert row["competing_day"] == expected[3] or (
        expected[3] is None and np.isnan(row["competing_day"])
    )


def test_ends_that_do_not_count_leave_the_return_as_it_was_seen():
    visits, surgery = [(40, "no"), (50, "gave_up"), (90, "full")], [("surgery", 60)]
    without = bounds(visits, surgery, competing=())
    assert (without["left_day"], without["right_day"], without["competing"]) == (50, 90, "")
    only = bounds(visits, surgery, competing=("surgery",))
    assert (only["left_day"], only["right_day"], only["competing"]) == (50, INF, "surgery")


def test_days_count_from_onset():
    visits = [(40, "no"), (90, "full")]
    early, late = bounds(visits, onset=-300), bounds(visits, onset=5)
    assert str(early) == str(late)


def test_without_a_day_of_onset_there_are_no_bounds():
    row = bounds([(40, "full")], onset=None)
    assert np.isnan(row["left_day"])
    assert np.isnan(row["right_day"])


def test_an_unknown_end_is_an_error():
    with pytest.raises(ArgumentError, match="'surgery' or 'gave_up'"):
        bounds([], competing=("moved",))
