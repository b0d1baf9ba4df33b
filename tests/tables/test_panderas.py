"""The pandera checks say what the JSON says, at the edges of every field."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pandera.errors
import pytest

from cohortkit.tables.schema import TABLE_NAMES, empty, pandera_schema, read_json, table
from tests.tables.rows import BASE, cohort, rows


def allowed_by_json(raw, value):
    """A plain reading of a Table Schema field, written apart from the package."""
    limits = raw["constraints"]
    if value is None:
        return not limits["required"]
    if "enum" in limits and value not in limits["enum"]:
        return False
    if "pattern" in limits and not re.match(limits["pattern"].removesuffix("$") + r"\Z", value):
        return False
    return limits.get("minimum", value) <= value <= limits.get("maximum", value)


def edge_values(raw):
    limits, kind = raw["constraints"], raw["type"]
    if kind == "boolean":
        return [True, False, None]
    if kind == "string":
        codes = limits.get(
            "enum", ["S1", "a" * 64, "a" * 65, "AT", "at", "AUT", "a b", "-a", "a\n"]
        )
        return [*codes, *(c.upper() for c in codes), *(c + " " for c in codes), "x", None]
    step = 1 if kind == "integer" else 1e-9
    low, high = limits["minimum"], limits["maximum"]
    middle = (low + high) // 2
    beyond = [low - 1, high + 1, low - step, high + step]
    if kind == "number":
        beyond += [float(np.nextafter(low, -np.inf)), float(np.nextafter(high, np.inf))]
    return [low, high, low + step, high - step, middle, 0, *beyond, None]


CASES = [
    (name, raw["name"], value, allowed_by_json(raw, value))
    for name in TABLE_NAMES
    for raw in read_json(f"{name}.json")["fields"]
    for value in edge_values(raw)
]


def failing(frame, name):
    try:
        pandera_schema(name).validate(frame, lazy=True)
    except pandera.errors.SchemaErrors as errors:
        return errors.failure_cases
    return None


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_pandera_and_the_json_agree(name):
    for _, column, value, allowed in (case for case in CASES if case[0] == name):
        found = failing(rows(name, {column: value}), name)
        assert (found is None) == allowed, (column, value, found)


def test_every_field_is_tried_on_both_sides():
    for name in TABLE_NAMES:
        for field in table(name).fields:
            answers = {a for n, c, _, a in CASES if (n, c) == (name, field.name)}
            if field.type == "boolean" and not field.required:
                assert answers == {True}
            else:
                assert answers == {True, False}


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_whole_and_empty_tables_pass(name):
    assert failing(cohort()[name], name) is None
    assert failing(empty(name), name) is None


def test_all_failures_of_a_row_are_told_at_once():
    frame = rows("readings", {"gap_mm": 12.5, "read_no": 0, "load": "pulled", "scan_id": None})
    found = failing(frame, "readings")
    assert set(found["column"]) == {"gap_mm", "read_no", "load", "scan_id"}


def test_untyped_or_other_columns_fail():
    frame = cohort()["readings"]
    for changed in (
        frame.assign(gap_mm="1.2"),
        frame.assign(read_no=1.0),
        frame.assign(scan_id=7),
        frame.drop(columns="load"),
        frame.assign(note="x"),
        frame.iloc[:, ::-1],
    ):
        assert failing(changed, "readings") is not None


@pytest.mark.parametrize("storage", ["string[python]", "string[pyarrow]", object])
def test_any_storage_of_text_passes(storage):
    frame = cohort()["sites"]
    assert failing(frame.astype(dict.fromkeys(frame.columns, storage)), "sites") is None


def test_nothing_is_coerced_or_dropped():
    frame = pd.concat([cohort()["sites"]] * 2, ignore_index=True)
    pd.testing.assert_frame_equal(pandera_schema("sites").validate(frame), frame)
    assert set(BASE) == set(TABLE_NAMES)
