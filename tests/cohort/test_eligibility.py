"""The sieve counts what it holds back; joined rows are the rows that were read."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.cohort.eligibility import (
    ADOLESCENTS,
    ADULTS,
    Sieve,
    apply_ages,
    apply_equal,
    check_code,
    finger_id,
    fingers_not_chosen,
    first_readings,
    joined_readings,
)
from cohortkit.errors import ArgumentError
from tests.cohort.clinics import two_clinics


@pytest.fixture(scope="module")
def tables():
    return two_clinics(people=10).tables


def rows(**columns):
    return pd.DataFrame(columns)


def test_counts_of_all_steps_add_up(tables):
    draw = np.random.default_rng(3)
    sieve = Sieve(joined_readings(tables), ("participants", "fingers", "readings"))
    while len(sieve.rows):
        sieve.leave_out(draw.random(len(sieve.rows)) < 0.4, "by chance")
    flow = sieve.flow()
    for unit in ("participants", "fingers", "readings"):
        lost = flow.loc[flow["step"] == "left out", unit].sum()
        assert flow[unit].iloc[0] - lost == flow[unit].iloc[-1] == 0
    assert flow["episodes"].isna().all()


def test_a_participant_counts_at_the_step_at_which_the_last_row_goes():
    frame = rows(
        participant_id=["P", "P", "Q"], finger_id=["P1", "P2", "Q1"], reading_id=list("abc")
    )
    sieve = Sieve(frame, ("participants", "fingers", "readings"))
    sieve.leave_out([True, False, False], "one")
    sieve.leave_out([True, False], "two")
    counts = sieve.flow()[["participants", "fingers", "readings"]].values.tolist()
    assert counts == [[2, 3, 3], [0, 1, 1], [1, 1, 1], [1, 1, 1]]


def test_a_missing_flag_marks_nothing():
    sieve = Sieve(rows(participant_id=["P", "Q"]), ("participants",))
    sieve.leave_out(pd.Series([pd.NA, True], dtype="boolean"), "x")
    assert sieve.rows["participant_id"].tolist() == ["P"]


def test_every_reading_is_joined_once_with_its_own_scan_and_person(tables):
    frame = joined_readings(tables)
    assert frame["reading_id"].tolist() == tables["readings"]["reading_id"].tolist()
    person = tables["scans"].set_index("scan_id")["participant_id"]
    assert frame["participant_id"].tolist() == person[frame["scan_id"]].tolist()
    assert (frame["rater_site_id"] == frame["rater_id"].str[:3]).all()
    assert (frame["site_id"] == frame["participant_id"].str[:3]).all()
    assert (frame["finger_id"] == finger_id(frame)).all()


def test_the_status_of_the_pulley_stands_beside_its_reading(tables):
    other = tables["readings"].assign(
        pulley="A4", reading_id=tables["readings"]["reading_id"] + "x"
    )
    both = dict(tables) | {"readings": pd.concat([tables["readings"], other], ignore_index=True)}
    frame = joined_readings(both)
    status = frame["tear_status"].astype(object).where(frame["tear_status"].notna(), None)
    told = set(zip(frame["injured"], frame["pulley"], status, strict=True))
    assert told == {
        (False, "A2", "uninjured"), (False, "A4", "uninjured"), (True, "A2", "complete"), (True, "A4", None),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("ages", "kept"),
    [
        (ADULTS, [18, 60]),
        (ADOLESCENTS, [6, 17]),
        ((17, 60), [17, 18]),
        (None, [6, 17, 18, 60, None]),
    ],
)
def test_ages_are_kept_from_the_first_up_to_the_second(ages, kept):
    frame = rows(
        participant_id=list("abcde"), age_years=pd.array([6, 17, 18, 60, None], dtype="Int64")
    )
    sieve = Sieve(frame, ("participants",))
    apply_ages(sieve, ages)
    assert [None if pd.isna(a) else a for a in sieve.rows["age_years"]] == kept


def test_ages_in_the_wrong_order_are_an_error():
    with pytest.raises(ArgumentError, match="'ages'"):
        apply_ages(Sieve(rows(participant_id=[], age_years=[]), ()), (40, 18))


def test_filters_keep_one_value_or_several():
    sieve = Sieve(
        rows(participant_id=list("abc"), digit=["ring", "index", "little"]), ("participants",)
    )
    apply_equal(sieve, {"digit": ["ring", "little"]})
    assert sieve.rows["participant_id"].tolist() == ["a", "c"]
    apply_equal(sieve, {"digit": "little"})
    assert sieve.rows["participant_id"].tolist() == ["c"]
    assert sieve.flow()["reason"].tolist()[1:3] == [
        "digit is not ring or little",
        "digit is not little",
    ]


def test_a_column_or_code_that_does_not_exist_is_an_error():
    sieve = Sieve(rows(participant_id=["a"], digit=["ring"]), ("participants",))
    with pytest.raises(ArgumentError, match="no column 'finger'"):
        apply_equal(sieve, {"finger": "ring"})
    with pytest.raises(ArgumentError, match="'digit' takes 'index'"):
        apply_equal(sieve, {"digit": "thumb"})
    with pytest.raises(ArgumentError, match="'pulley' takes 'A2', 'A3' or 'A4'"):
        check_code("pulley", "A1")


def test_the_first_reading_is_of_the_earliest_scan_the_first_rater_and_repeat():
    frame = rows(
        reading_id=list("abcdef"),
        finger_id=["F", "F", "F", "F", "F", "G"],
        scan_id=["S2", "S1", "S1", "S1", "S1", "S3"],
        scan_day=[0, 5, 5, 5, 5, 9],
        rater_id=["R9", "R2", "R1", "R1", "R1", "R1"],
        read_no=[1, 1, 2, 1, 3, 1],
    )
    later = frame.assign(scan_day=[7, 5, 5, 5, 5, 9])
    assert frame.loc[~first_readings(frame, "finger_id"), "reading_id"].tolist() == ["a", "f"]
    assert later.loc[~first_readings(later, "finger_id"), "reading_id"].tolist() == ["d", "f"]


def fingers(n):
    return rows(
        participant_id=[f"P{k // 8}" for k in range(8 * n)],
        finger_id=[f"P{k // 8}|{k % 8}" for k in range(8 * n)],
    )


def test_one_finger_of_each_participant_is_chosen():
    frame = fingers(50)
    kept = frame[~fingers_not_chosen(frame, 1)]
    assert kept["participant_id"].tolist() == [f"P{k}" for k in range(50)]


def test_the_choice_depends_on_the_seed_alone():
    frame = fingers(50)
    kept = set(frame.loc[~fingers_not_chosen(frame, 1), "finger_id"])
    shuffled = frame.sample(frac=1, random_state=2)
    part = frame[frame["participant_id"].isin(["P3", "P7"])]
    assert set(shuffled.loc[~fingers_not_chosen(shuffled, 1), "finger_id"]) == kept
    assert set(part.loc[~fingers_not_chosen(part, 1), "finger_id"]) <= kept
    assert set(frame.loc[~fingers_not_chosen(frame, 2), "finger_id"]) != kept


def test_every_finger_is_chosen_about_equally_often():
    frame = fingers(800)
    kept = frame.loc[~fingers_not_chosen(frame, 1), "finger_id"].str[-1]
    # by hand: 800 draws of 8 have mean 100 and standard deviation 9.35; five of those each way
    assert kept.value_counts().between(100 - 47, 100 + 47).all()
