"""The table format as read from its JSON."""

from __future__ import annotations

import re

import pytest

from cohortkit.errors import ArgumentError, CohortkitError
from cohortkit.tables import fields
from cohortkit.tables.schema import (
    SCHEMA_VERSION,
    TABLE_NAMES,
    read_json,
    schema_folder,
    shipped_folder,
    table,
)

ALL_FIELDS = [(name, field) for name in TABLE_NAMES for field in table(name).fields]
UCUM = {"mm", "cm", "deg", "N", "MHz", "d", "a", "h/wk", "1"}
SUFFIX_UNIT = {"_mm": "mm", "_cm": "cm", "_deg": "deg", "_n": "N", "_mhz": "MHz", "_day": "d"}


def test_every_table_follows_those_it_points_to():
    for position, name in enumerate(TABLE_NAMES):
        for key in table(name).foreign_keys:
            assert key.table in TABLE_NAMES[:position]
            assert key.reference_columns == table(key.table).primary_key


def test_keys_are_required_columns():
    for name in TABLE_NAMES:
        schema = table(name)
        assert all(schema.field(column).required for column in schema.primary_key)
        assert len(set(schema.column_names)) == len(schema.column_names)


@pytest.mark.parametrize(("name", "field"), ALL_FIELDS)
def test_every_field_is_defined(name, field):
    assert field.title
    assert field.definition.endswith(".")
    assert len(field.definition) > 25
    assert "" in field.missing_codes


@pytest.mark.parametrize(("name", "field"), ALL_FIELDS)
def test_numbers_have_a_unit_and_a_closed_range(name, field):
    if field.type in ("integer", "number"):
        assert field.unit in UCUM
        assert field.minimum < field.maximum
    else:
        assert field.unit is None
        assert field.minimum is field.maximum is None
    for suffix, unit in SUFFIX_UNIT.items():
        if field.name.endswith(suffix):
            assert field.unit == unit


@pytest.mark.parametrize(("name", "field"), ALL_FIELDS)
def test_text_is_coded_or_patterned(name, field):
    if field.type == "string":
        assert bool(field.codes) != bool(field.pattern)
    pulley = field.name == "pulley"
    assert all(pulley or re.fullmatch("[a-z][a-z0-9_]*", code) for code in field.codes)
    assert all(len(meaning) > 5 for meaning in field.codes.values())


def test_gap_range_is_the_declared_one():
    gap = table("readings").field("gap_mm")
    # by hand: the validity window is 0 to 12 mm by the format's own decision
    assert (gap.minimum, gap.maximum, gap.unit) == (0, 12, "mm")


def test_ids_are_opaque_codes_of_limited_length():
    pattern = re.compile(table("sites").field("site_id").pattern)
    for good in ("A", "9", "S01-0042_e.1", "a" * 64):
        assert pattern.fullmatch(good)
    for bad in ("", "-a", ".a", "_a", "a b", "a" * 65, "ä", "a/b", "a\n", "=A1"):
        assert not pattern.fullmatch(bad)


def test_unknown_names_are_refused_with_those_that_exist():
    with pytest.raises(ArgumentError, match="readings"):
        table("measurements")
    with pytest.raises(ArgumentError, match="gap_mm"):
        table("readings").field("gap")
    with pytest.raises(ArgumentError, match="schemas"):
        shipped_folder("elsewhere")


def test_folder_inside_the_package_comes_first(tmp_path, monkeypatch):
    module = tmp_path / "cohortkit" / "tables" / "fields.py"
    module.parent.mkdir(parents=True)
    monkeypatch.setattr(fields, "__file__", str(module))
    with pytest.raises(CohortkitError, match="schemas"):
        schema_folder()
    (tmp_path / "schemas").mkdir()
    assert schema_folder() == tmp_path / "schemas"
    (tmp_path / "cohortkit" / "schemas").mkdir()
    assert schema_folder() == tmp_path / "cohortkit" / "schemas"


def test_a_broken_file_of_the_format_is_named(tmp_path, monkeypatch):
    module = tmp_path / "cohortkit" / "tables" / "fields.py"
    (tmp_path / "schemas").mkdir()
    (tmp_path / "schemas" / "rules.json").write_text("{", encoding="utf-8")
    monkeypatch.setattr(fields, "__file__", str(module))
    with pytest.raises(CohortkitError, match=r"rules\.json"):
        read_json("rules.json")


def test_version_stands_in_every_file_of_the_format():
    assert re.fullmatch(r"\d+\.\d+\.\d+", SCHEMA_VERSION)
    assert read_json("rules.json")["version"] == SCHEMA_VERSION
    for name in TABLE_NAMES:
        assert read_json(f"{name}.json")["version"] == SCHEMA_VERSION
    changes = (schema_folder() / "CHANGES.md").read_text(encoding="utf-8")
    assert f"## {SCHEMA_VERSION}\n" in changes
