"""The files in ``schemas/`` keep to their open standards."""

from __future__ import annotations

import copy
import tomllib

import pytest
from jsonschema import Draft202012Validator

from cohortkit.tables import schema
from cohortkit.tables.schema import TABLE_NAMES, read_json, schema_folder, table

# source: Data Package 2.0 (2024), Table Schema: allowed properties and constraints by type
TABLE_SCHEMA = "https://datapackage.org/profiles/2.0/tableschema.json"
PACKAGE = "https://datapackage.org/profiles/2.0/datapackage.json"
TYPES = {"string", "integer", "number", "boolean"}
CONSTRAINTS = {
    "string": {"required", "unique", "enum", "pattern", "minLength", "maxLength"},
    "integer": {"required", "unique", "enum", "minimum", "maximum"},
    "number": {"required", "unique", "enum", "minimum", "maximum"},
    "boolean": {"required", "enum"},
}

MAPPING = """
mapping_version = 1
site_id = "S01"

[[rows.sites]]
site_id = "S01"
country = "AT"
setting = "private_practice"

[sources.scans]
file = "scans.csv"
format = "csv"
encoding = "cp1252"
delimiter = ";"
quote = '"'
decimal = ","
header_line = 1
missing = ["", "k.A."]
ignore = ["Bemerkung"]
ignore_when = { column = "Typ", equals = ["Test"] }

[sources.follow_up]
file = "follow-up.xlsx"
format = "xlsx"
sheet = "Follow-up"
accept_hidden = false
accept_merged_header = true

[enrolment]
source = "scans"
participant = "PatNr"
date = "Einschluss"
date_format = "%d.%m.%Y"

[[tables]]
table = "readings"
source = "scans"
repeats = false
blank_when = ["Gap"]
only_when = { column = "Typ", equals = ["US"] }
[tables.columns]
reading_id = { join = ["ScanNr", "Pulley"], with = "-" }
scan_id = { from = "ScanNr", prefix = "S01-" }
gap_mm = { from = "Gap", unit = "cm" }
load = { from = "Zustand", codes = { "Ruhe" = "rest", "Belastung" = "loaded" } }
pulley = { value = "A2" }
scan_day = { from = "Datum", date_format = "%d.%m.%Y", participant = "PatNr" }
below_resolution = { from = "Gap", text_is = ["n.d.", "<0,3"] }
[[tables.variants]]
columns = { load = { value = "rest" }, gap_mm = { from = "A2 Ruhe" } }
blank_when = ["A2 Ruhe"]
"""


def test_front_door_names_exist():
    assert all(hasattr(schema, name) for name in schema.__all__)


def test_package_lists_every_table_with_its_schema():
    package = read_json("datapackage.json")
    assert package["$schema"] == PACKAGE
    for resource in package["resources"]:
        assert resource["type"] == "table"
        assert (schema_folder() / resource["schema"]).is_file()
        assert resource["path"] == f"tables/{resource['name']}.csv"
    assert [r["name"] for r in package["resources"]] == list(TABLE_NAMES)


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_table_schema_uses_only_what_the_standard_allows(name):
    raw = read_json(f"{name}.json")
    assert raw["$schema"] == TABLE_SCHEMA
    for field in raw["fields"]:
        assert field["type"] in TYPES
        assert set(field["constraints"]) <= CONSTRAINTS[field["type"]]
        if field["type"] == "boolean":
            assert (field["trueValues"], field["falseValues"]) == (["true"], ["false"])
    for key in raw["foreignKeys"]:
        assert key["reference"]["resource"] in TABLE_NAMES


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_categories_stand_beside_an_equal_enum(name):
    for field in read_json(f"{name}.json")["fields"]:
        listed = [entry["value"] for entry in field.get("categories", [])]
        assert listed == field["constraints"].get("enum", [])


def test_json_schemas_are_valid_themselves():
    for file_name in ("mapping.schema.json", "manifest.schema.json"):
        Draft202012Validator.check_schema(read_json(file_name))


def problems(file_name, document):
    return [e.json_path for e in Draft202012Validator(read_json(file_name)).iter_errors(document)]


def test_a_full_mapping_passes():
    assert problems("mapping.schema.json", tomllib.loads(MAPPING)) == []


def test_mapping_names_the_tables_of_the_format():
    raw = read_json("mapping.schema.json")
    assert raw["$defs"]["block"]["properties"]["table"]["enum"] == list(TABLE_NAMES)
    assert list(raw["properties"]["rows"]["properties"]) == list(TABLE_NAMES)
    pattern = table("sites").field("site_id").pattern
    assert raw["$defs"]["id"]["pattern"] == pattern


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("mapping_version",), 2),
        (("site_id",), "my clinic"),
        (("sources", "scans", "encoding"), None),
        (("sources", "scans", "sheet"), "A"),
        (("sources", "follow_up", "delimiter"), ";"),
        (("sources", "scans", "decimal"), "'"),
        (("sources", "scans", "colour"), "red"),
        (("tables", 0, "table"), "patients"),
        (("tables", 0, "columns", "gap_mm"), {"value": 1, "from": "Gap"}),
        (("tables", 0, "columns", "gap_mm"), {"unit": "cm"}),
        (("tables", 0, "columns", "gap_mm"), {"from": "Gap", "formula": "x/10"}),
        (("tables", 0, "columns", "scan_day"), {"from": "Datum", "date_format": "%d.%m.%Y"}),
        (("tables", 0, "columns", "reading_id"), {"join": ["ScanNr"], "with": "-"}),
        (("tables", 0, "variants"), []),
        (("enrolment", "date_format"), "TT.MM.JJJJ"),
    ],
)
def test_a_wrong_mapping_is_found(place, value):
    document = tomllib.loads(MAPPING)
    inner = document
    for step in place[:-1]:
        inner = inner[step]
    if value is None:
        del inner[place[-1]]
    else:
        inner[place[-1]] = value
    assert problems("mapping.schema.json", document)


def manifest():
    digest = "0" * 64
    part = {"rows": 0, "sha256_csv": digest, "sha256_parquet": digest, "columns": ["site_id"]}
    return {
        "format_version": 1,
        "schema_version": "1.1.0",
        "release_hash": digest,
        "label": digest[:12],
        "created_at": "2024-05-01T10:00:00Z",
        "sites": ["S01"],
        "tables": {name: copy.deepcopy(part) for name in TABLE_NAMES},
        "files": {"flow.csv": {"sha256": digest}},
        "flow": [{"step": "read", "unit": "records", "n": 12, "reason": ""}],
        "refusals": [{"site_id": "S01", "code": "bad_number", "n": 1}],
        "identity": {"mode": "random"},
        "software": {"cohortkit": "0.1.0"},
        "a_later_key": True,
    }


def test_a_manifest_passes_and_may_say_more():
    assert problems("manifest.schema.json", manifest()) == []


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("release_hash", "0" * 63),
        ("identity", {"mode": "plain"}),
        ("tables", {}),
        ("files", {"../flow.csv": {"sha256": "0" * 64}}),
        ("files", {"flow.csv": {}}),
        ("schema_version", "1"),
    ],
)
def test_a_wrong_manifest_is_found(key, value):
    assert problems("manifest.schema.json", manifest() | {key: value})
