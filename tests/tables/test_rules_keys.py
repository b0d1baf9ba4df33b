"""Keys are unique and found, in every table."""

from __future__ import annotations

import pytest

from cohortkit.tables.rules_keys import foreign_key_found
from cohortkit.tables.schema import TABLE_NAMES, empty, table
from tests.tables.rows import BASE, answers, cohort

FOREIGN = [(name, key) for name in TABLE_NAMES for key in table(name).foreign_keys]


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_rows_that_share_a_key_are_all_broken(name):
    last = table(name).primary_key[-1]
    other = {"pulley": "A4", "kind": "tape", "visit": 2}.get(last, "X9")
    unknown = {table(name).primary_key[0]: None}
    tables = cohort(**{name: [{}, {last: other}, {}, unknown]})
    expected = ["broken", "kept", "broken", "not judged"]
    assert answers("primary_key_unique", name, tables) == expected


@pytest.mark.parametrize(("name", "key"), FOREIGN)
def test_codes_that_point_nowhere_are_broken(name, key):
    (column,) = key.columns
    tables = cohort(**{name: [{}, {column: "X9"}, {column: None}]})
    found = answers("foreign_key_found", name, tables, column)
    assert found == ["kept", "broken", "not judged"]


@pytest.mark.parametrize(("name", "key"), FOREIGN)
def test_an_empty_parent_breaks_and_an_absent_one_is_not_judged(name, key):
    (column,) = key.columns
    tables = cohort()
    assert answers("foreign_key_found", name, tables | {key.table: empty(key.table)}, column) == [
        "broken"
    ]
    del tables[key.table]
    assert answers("foreign_key_found", name, tables, column) == ["not judged"]


def test_message_names_the_code_and_the_table():
    tables = cohort(scans=[{"participant_id": "X9"}])
    messages = [m for v in foreign_key_found(tables) for m in v.messages]
    assert "table 'participants' has no participant_id X9" in messages


def test_a_parent_that_stands_twice_is_still_found():
    tables = cohort(sites=[{}, {}])
    assert answers("foreign_key_found", "raters", tables) == ["kept"]


def test_base_rows_have_every_column():
    for name in TABLE_NAMES:
        assert set(BASE[name]) == set(table(name).column_names)
