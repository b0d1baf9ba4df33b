"""datapackage.json describes the release as Data Package v2 asks."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re

import pytest

from cohortkit.cohort.identity import IdCoding
from cohortkit.cohort.manifest import DESCRIPTOR, FILES
from cohortkit.cohort.release import freeze
from cohortkit.tables.schema import TABLE_NAMES, table
from tests.cohort.clinics import two_clinics


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("descriptor")
    return freeze(two_clinics(), place / "r", ids=IdCoding.open("hmac", place / "key")).path


@pytest.fixture(scope="module")
def package(folder):
    return json.loads((folder / DESCRIPTOR).read_text(encoding="utf-8"))


def test_every_file_is_a_resource_with_size_and_hash(folder, package):
    paths = [r["path"] for r in package["resources"]]
    assert sorted(paths) == sorted(set(FILES) - {DESCRIPTOR})
    for resource in package["resources"]:
        data = (folder / resource["path"]).read_bytes()
        assert resource["bytes"] == len(data)
        assert resource["hash"] == "sha256:" + hashlib.sha256(data).hexdigest()


def test_names_are_unique_and_of_the_standards_characters(package):
    names = [r["name"] for r in package["resources"]]
    assert len(set(names)) == len(names)
    # source: Data Package v2 (2024), property "name": lower case letters, digits, ".", "_", "-", "/"
    assert all(re.fullmatch(r"[-a-z0-9._/]+", name) for name in [package["name"], *names])


def test_the_profile_is_that_of_version_two(package):
    assert package["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"


def test_csv_resources_have_a_schema_with_the_columns_of_the_file(folder, package):
    for resource in package["resources"]:
        if resource["format"] != "csv":
            continue
        text = (folder / resource["path"]).read_text(encoding="utf-8")
        header = next(csv.reader(io.StringIO(text)))
        assert resource["type"] == "table"
        assert [f["name"] for f in resource["schema"]["fields"]] == header


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_keys_of_the_tables_are_told(package, name):
    schema = next(r["schema"] for r in package["resources"] if r["name"] == name)
    assert tuple(schema["primaryKey"]) == table(name).primary_key
    wanted = [(k.columns, k.table) for k in table(name).foreign_keys]
    found = [
        (tuple(k["fields"]), k["reference"]["resource"]) for k in schema.get("foreignKeys", [])
    ]
    assert found == wanted


def test_no_path_leads_out(package):
    assert not [r["path"] for r in package["resources"] if ".." in r["path"] or r["path"][0] == "/"]
