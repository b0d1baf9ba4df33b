"""Return to climbing by group."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit import outcomes
from cohortkit.errors import ArgumentError, EstimateError, TableError
from cohortkit.outcomes.returning import wilson_band
from cohortkit.outcomes.turnbull import npmle
from tests.expected import figures
from tests.outcomes.planted import Course, table

INF = np.inf
QUICK = {"n_boot": 99, "seed": 1}


def codes(result):
    return {c.code for c in result.cautions}


def message(result, code):
    return next(c.message for c in result.cautions if c.code == code)


def course(n=40, seed=1, **design):
    return table(*Course(n, **design).seen(np.random.default_rng(seed)))


def test_breast_cosmesis_by_treatment(check_values):
    rows = pd.read_csv(check_values / "data" / "breast_cosmesis.csv")
    rows = rows.assign(left=rows["left"].fillna(0), right=rows["right"].fillna(INF))
    found = outcomes.return_to_climbing(
        rows, left="left", right="right", group="treatment", participant="id",
        days=(10, 20, 30, 40), **QUICK,
    )  # fmt: skip
    expected = figures(check_values, "g05_breast_cosmesis")
    # source: check values g05 (Finkelstein & Wolfe 1985)
    for group in ("Rad", "RadChem"):
        for day in (10, 20, 30, 40):
            row = expected.loc[f"turnbull_{group}_S_at_{day}"]
            ours = found[f"returned_by_{day}@treatment={group}"].value
            assert 1 - ours == pytest.approx(row["value"], abs=row["tolerance"])
    assert (found.convergence["gradient_gap"] < 1e-6).all()


def test_the_result_shows_the_solver_and_its_intervals():
    rows = course()
    found = outcomes.return_to_climbing(rows, **QUICK)
    fit = npmle(rows["left_day"].to_numpy(), rows["right_day"].to_numpy())
    assert found.intervals["mass"].tolist() == fit.mass.tolist()
    assert found.convergence.loc[0, "gradient_gap"] < 1e-6
    assert found.intervals["returned_after"].iloc[0] == pytest.approx(fit.mass[0])
    assert (found.curve["lower"] <= found.curve["returned_min"]).all()
    assert (found.curve["returned_min"] <= found.curve["returned_max"]).all()
    assert (found.curve["returned_max"] <= found.curve["upper"]).all()
    assert found.curve["returned_min"].is_monotonic_increasing


def test_two_intervals_by_hand():
    rows = table([0, 0, 20, 20], [10, 10, 30, INF])
    found = outcomes.return_to_climbing(rows, days=(5, 15), **QUICK)
    # by hand: half returns in (0, 10], half in (20, 30]
    assert found["returned_by_15"].value == pytest.approx(0.5)
    assert found["returned_by_5"].value == pytest.approx(0.25)
    assert found["median_day"].value == pytest.approx(10)
    ranges = found.ranges.set_index("name")
    assert ranges.loc["returned_by_5", ["lowest", "highest"]].tolist() == pytest.approx([0, 0.5])
    assert "0.00 to 0.50" in message(found, "between_visits")


def test_at_risk_adds_up_and_tells_known_from_possible():
    rows = table([0, 42, 90, 90, 0], [42, 90, 180, INF, INF])
    found = outcomes.return_to_climbing(rows, days=(60,), **QUICK).at_risk.set_index("day")
    assert (found.drop(columns="group").sum(axis=1) == 5).all()
    # by hand, day 60: rows 3 and 4 known not back, row 2 between visits, row 5 not followed, row 1
    # back
    assert found.loc[60].tolist() == ["grade=II", 2, 1, 1, 1]
    assert found.loc[0].tolist() == ["grade=II", 5, 0, 0, 0]
    assert found.loc[180].tolist() == ["grade=II", 0, 0, 2, 3]


def test_groups_stand_apart_and_in_order():
    rows = course(60)
    rows["grade"] = ["III", "II", "I"] * 20
    found = outcomes.return_to_climbing(rows, **QUICK)
    assert [e.group for e in found][::3] == ["grade=I", "grade=II", "grade=III"]
    alone = outcomes.return_to_climbing(rows[rows["grade"] == "II"], **QUICK)
    assert found["median_day@grade=II"].value == alone["median_day"].value
    assert found["median_day@grade=II"].n_participants == 20


def test_without_groups():
    found = outcomes.return_to_climbing(course(), group=None, **QUICK)
    assert found["median_day"].group == ""
    ungrouped = outcomes.return_to_climbing(course().drop(columns="grade"), **QUICK)
    assert ungrouped["median_day"].value == found["median_day"].value


def test_same_seed_same_answer_with_any_number_of_workers():
    rows = course(30, episodes=2, alike=0.5)
    one = outcomes.return_to_climbing(rows, **QUICK).to_dict()
    two = outcomes.return_to_climbing(rows, workers=2, **QUICK).to_dict()
    other = outcomes.return_to_climbing(rows, n_boot=99, seed=2).to_dict()
    assert str(one) == str(two)
    assert str(one["estimates"]) != str(other["estimates"])


def test_scale_of_days():
    rows = course()
    ours = outcomes.return_to_climbing(rows, days=(180,), **QUICK)
    doubled = rows.assign(left_day=2 * rows["left_day"], right_day=2 * rows["right_day"])
    found = outcomes.return_to_climbing(doubled, days=(360,), **QUICK)
    for end in ("value", "lower", "upper"):
        half = getattr(found["median_day"], end) / 2
        assert half == pytest.approx(getattr(ours["median_day"], end))
        share = getattr(found["returned_by_360"], end)
        assert share == pytest.approx(getattr(ours["returned_by_180"], end))


def test_every_row_twice_moves_no_estimate_and_no_median_limit():
    rows = course(30, episodes=2, alike=0.5)
    ours = outcomes.return_to_climbing(rows, **QUICK)
    twice = outcomes.return_to_climbing(pd.concat([rows, rows]), **QUICK)
    for name in ("median_day", "returned_by_180"):
        for end in ("value", "lower", "upper"):
            assert getattr(twice[name], end) == pytest.approx(getattr(ours[name], end), abs=1e-6)
    assert twice["median_day"].n_episodes == 120


def test_repeated_participants_widen_the_interval():
    single = course(20, seed=5)
    same = pd.concat([single] * 4)
    others = pd.concat([single.assign(participant_id=single["participant_id"] + c) for c in "abcd"])
    width = {}
    for name, rows in (("same", same), ("others", others)):
        e = outcomes.return_to_climbing(rows, **QUICK)["returned_by_180"]
        width[name] = e.upper - e.lower
    assert width["same"] > 1.5 * width["others"]


class TestCautions:
    def test_competing_ends(self):
        rows = course(20).assign(competing=[""] * 17 + ["surgery", "surgery", "gave_up"])
        note = message(outcomes.return_to_climbing(rows, **QUICK), "competing_ends")
        assert note.startswith("3 of 20 episodes ended otherwise (gave up 1, surgery 2)")
        none = outcomes.return_to_climbing(rows.assign(competing=""), **QUICK)
        assert "competing_ends" not in codes(none)

    def test_missed_visits(self):
        rows = course(20).assign(missed_visits=[2, 1] + [0] * 18)
        note = message(outcomes.return_to_climbing(rows, **QUICK), "missed_visits")
        assert "2 of 20 episodes" in note
        assert "3 visits" in note

    def test_no_follow_up(self):
        rows = table([0, 0, 30], [INF, 40, 60])
        found = outcomes.return_to_climbing(rows, **QUICK)
        note = message(found, "no_follow_up")
        assert note.startswith("1 of 3 episodes say nothing about the return: 1 had no later visit")

    def test_an_episode_ended_by_surgery_is_not_said_to_lack_visits(self):
        rows = table([0, 0, 0, 30], [INF, INF, INF, 60])
        rows = rows.assign(
            competing=["surgery", "surgery", "gave_up", ""], grade=["I", "II", "II", "II"]
        )
        found = outcomes.return_to_climbing(rows, **QUICK)
        note = message(found, "no_follow_up")
        assert "2 ended by surgery before any visit without return" in note
        assert "1 ended by giving up before any visit without return" in note
        assert "later visit" not in note
        assert note.endswith("Episodes that do say something: grade I 0 of 1; grade II 1 of 3.")
        assert found.informative["informative"].tolist() == [0, 1]  # by hand: rows above

    def test_rows_are_counted_as_episodes(self):
        rows = course(20)
        for found in (outcomes.return_to_climbing(rows, **QUICK), outcomes.kaplan_meier(rows)):
            assert {e.n_readings for e in found} == {None}
            assert {e.n_episodes for e in found} == {20}  # by hand: 20 rows
        assert "20 episodes" in str(found["median_day"])
        assert found.to_frame()["n_episodes"].tolist() == [20, 20, 20]  # by hand: 20 rows

    def test_nobody_returned(self):
        rows = table([90, 180, 365], [INF, INF, INF])
        found = outcomes.return_to_climbing(rows, **QUICK)
        assert {"no_returner", "few_participants"} <= codes(found)
        assert np.isnan(found["median_day"].value)
        assert found["median_day"].upper == INF
        assert found["returned_by_180"].value == 0

    def test_beyond_follow_up(self):
        rows = table([0, 30, 100], [30, 60, INF])
        found = outcomes.return_to_climbing(rows, days=(90, 180), **QUICK)
        assert "day 180" in message(found, "beyond_follow_up")
        assert np.isnan(found["returned_by_180"].value)
        assert found["returned_by_180"].upper == 1
        assert found["returned_by_90"].value == pytest.approx(2 / 3)

    def test_one_participant_has_no_interval(self):
        found = outcomes.return_to_climbing(table([30], [60]), **QUICK)
        assert "no_interval" in codes(found)
        assert found["median_day"].value == pytest.approx(45)
        assert np.isnan(found["median_day"].lower)


class TestRefusals:
    def test_wrong_intervals(self):
        rows = course(5)
        rows.loc[2, "left_day"] = 9999.0
        rows.loc[2, "right_day"] = 10.0
        with pytest.raises(TableError, match="left day lies after"):
            outcomes.return_to_climbing(rows)

    def test_missing_days_stop_or_are_counted(self):
        rows = course(20)
        rows.loc[[1, 2], "left_day"] = np.nan
        with pytest.raises(TableError, match=r"left \(2\)"):
            outcomes.return_to_climbing(rows)
        found = outcomes.return_to_climbing(rows, missing="drop", **QUICK)
        assert found.settings["dropped_missing"] == 2
        assert "missing_dropped" in codes(found)
        assert found["median_day"].n_episodes == 18

    def test_a_missing_grade_is_a_missing_value(self):
        rows = course(20)
        rows.loc[0, "grade"] = None
        with pytest.raises(TableError, match=r"group \(1\)"):
            outcomes.return_to_climbing(rows)

    def test_dates_are_no_days(self):
        rows = course(5).astype({"left_day": object})
        rows.loc[0, "left_day"] = "2024-01-01"
        with pytest.raises(TableError, match="days as numbers"):
            outcomes.return_to_climbing(rows)

    def test_no_rows(self):
        with pytest.raises(EstimateError, match="No row"):
            outcomes.return_to_climbing(course(5).iloc[:0])

    def test_days_asked_for(self):
        with pytest.raises(ArgumentError, match="days"):
            outcomes.return_to_climbing(course(5), days=(-1,))

    def test_unknown_argument(self):
        with pytest.raises(ArgumentError, match="participant"):
            outcomes.return_to_climbing(course(5), colour="red")

    def test_a_named_column_must_exist(self):
        with pytest.raises(TableError, match="pulley"):
            outcomes.return_to_climbing(course(5), group="pulley")


def test_wilson_band_is_the_printed_interval():
    low, high = wilson_band(np.array([6 / 7, 0]), np.array([6 / 7, 1]), 7, 0.95)
    # source: Klauser et al. 2002, 6 of 7, Wilson limits computed with scipy 1.17.1
    assert (low[0], high[0]) == pytest.approx((0.4869, 0.9743), abs=6e-5)
    assert (low[1], high[1]) == (0, 1)


def test_counts_of_fingers_and_a_result_that_stacks():
    rows = course(20).assign(finger_id=[f"f{i // 2}" for i in range(20)])
    found = outcomes.return_to_climbing(rows, **QUICK)
    assert found["median_day"].n_fingers == 10
    assert found.to_frame()["unit"].tolist() == ["d", "1", "1"]
