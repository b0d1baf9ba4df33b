"""The judgement as a whole."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.errors import ArgumentError, TableError
from cohortkit.tables.rules import RULES, judge, rule_entries
from cohortkit.tables.schema import TABLE_NAMES, empty, table
from tests.tables.rows import cohort

BREACH_COLUMNS = ["rule", "severity", "table", "row", "columns", "message", "next_step"]


def test_each_rule_stands_in_the_list_once_and_in_order():
    assert [rule.id for rule in rule_entries()] == list(RULES)


def test_each_rule_names_a_table_its_columns_and_a_scope():
    for rule in rule_entries():
        assert rule.scope in {"row", "table", "across_tables", "site"}
        if rule.table == "*":
            assert rule.columns == ()
        else:
            assert rule.columns
            assert set(rule.columns) <= set(table(rule.table).column_names)


def test_verdicts_keep_to_the_table_and_columns_of_the_list():
    tables = cohort()
    for rule in rule_entries():
        for verdict in RULES[rule.id](tables):
            if rule.table != "*":
                assert verdict.table == rule.table
                assert set(verdict.columns.split(",")) == set(rule.columns)


def test_a_whole_cohort_breaks_nothing():
    judgement = judge(cohort())
    assert len(judgement.breaches) == 0
    assert list(judgement.breaches.columns) == BREACH_COLUMNS


def test_counts_add_up_to_the_rows_of_each_table():
    tables = cohort(readings=[{}, {"gap_mm": 0.0}, {"gap_mm": None}, {"rater_id": "X9"}])
    counts = judge(tables).counts
    rows = counts["table"].map({name: len(frame) for name, frame in tables.items()})
    assert (counts[["kept", "broken", "not_judged"]].sum(axis=1) == rows).all()
    assert set(counts["rule"]) == set(RULES)


def test_breaches_say_rule_place_words_and_next_step():
    judgement = judge(cohort(readings=[{}, {"reading_id": "G2", "gap_mm": 0.0, "read_no": 2}]))
    breach = judgement.breaches.set_index("rule").loc["gap_above_zero"]
    assert breach["severity"] == "refuse"
    assert breach["table"] == "readings"
    assert breach["row"] == 1
    assert breach["columns"] == "gap_mm"
    assert breach["message"] == "gap_mm is 0, which no image can show"
    assert "below_resolution" in breach["next_step"]


def test_refused_rows_leave_warnings_out():
    tables = cohort(
        readings=[
            {"gap_mm": 9.0},
            {"reading_id": "G2", "gap_mm": 0.0, "read_no": 2, "resolution_mm": None},
        ]
    )
    judgement = judge(tables)
    assert "gap_at_most_8_mm" in set(judgement.breaches["rule"])
    assert judgement.refused("readings").tolist() == [1]
    assert judgement.refused("scans").tolist() == []


def test_empty_and_absent_tables_are_fine():
    for tables in ({}, {name: empty(name) for name in TABLE_NAMES}):
        judgement = judge(tables)
        assert list(judgement.breaches.columns) == BREACH_COLUMNS
        assert judgement.counts[["kept", "broken", "not_judged"]].to_numpy().sum() == 0


@pytest.mark.parametrize("absent", TABLE_NAMES)
def test_any_one_table_may_be_absent(absent):
    assert len(judge(cohort(**{absent: None})).breaches) == 0


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_a_table_may_be_missing_all_it_can(name):
    """Rows with nothing but required values break only rules about that absence."""
    bare = {f.name: None for f in table(name).fields if not f.required}
    broken = set(judge(cohort(**{name: [bare]})).breaches["rule"])
    allowed = {"gap_present", "tear_basis_present", "attended_visit_has_day"}
    allowed |= {"injured_finger_names_its_episode"}
    assert broken <= allowed


def test_the_index_does_not_matter():
    tables = cohort(readings=[{}, {"reading_id": "G2", "gap_mm": 0.0, "read_no": 2}])
    shuffled = {name: frame.set_index(pd.Index([7] * len(frame))) for name, frame in tables.items()}
    pd.testing.assert_frame_equal(judge(shuffled).breaches, judge(tables).breaches)


def test_tables_are_left_as_they_were():
    tables = cohort(readings=[{}, {"gap_mm": 0.0}])
    before = {name: frame.copy(deep=True) for name, frame in tables.items()}
    judge(tables)
    for name, frame in tables.items():
        pd.testing.assert_frame_equal(frame, before[name])


def test_breaches_do_not_depend_on_the_order_of_rows():
    changes = [{"gap_mm": g, "reading_id": f"G{i}"} for i, g in enumerate((0.0, 1.0, 9.0, 0.1))]
    forward = judge(cohort(readings=changes)).breaches
    backward = judge(cohort(readings=changes[::-1])).breaches
    mirrored = backward.assign(
        row=np.where(backward["table"] == "readings", 3 - backward["row"], 0)
    )
    key = ["rule", "row"]
    pd.testing.assert_frame_equal(
        forward.sort_values(key, ignore_index=True), mirrored.sort_values(key, ignore_index=True)
    )


def test_unknown_tables_and_untyped_columns_are_refused():
    with pytest.raises(ArgumentError):
        judge({"patients": pd.DataFrame()})
    tables = cohort()
    tables["scans"] = tables["scans"].drop(columns="scan_day")
    with pytest.raises(TableError, match="scan_day"):
        judge(tables)
    tables = cohort()
    tables["readings"] = tables["readings"].assign(read_no="1")
    with pytest.raises(TableError, match="read_no"):
        judge(tables)
    tables = cohort()
    tables["readings"] = tables["readings"].assign(extra=1)
    with pytest.raises(TableError, match="further columns"):
        judge(tables)
