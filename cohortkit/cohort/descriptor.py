"""``datapackage.json``: a release described by the Data Package standard, version 2."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from cohortkit.cohort.manifest import SIDE_TABLES
from cohortkit.tables.canonical import sha256
from cohortkit.tables.schema import SCHEMA_VERSION, TABLE_NAMES, read_json

_PROFILE = "https://datapackage.org/profiles/2.0/"
_PARQUET = "application/vnd.apache.parquet"
_DIALECT = {
    "delimiter": ",",
    "quoteChar": '"',
    "doubleQuote": True,
    "lineTerminator": "\n",
    "header": True,
}

SIDE_COLUMNS: dict[str, dict[str, tuple[str, str]]] = {
    "provenance": {
        "table": ("string", "Table of the format."),
        "key": ("string", "Primary key of the row, its values joined by '|'; codes, not ids."),
        "site_id": ("string", "Site whose record made the row."),
        "source": ("string", "Name of the source in the site's mapping."),
        "file_sha256": ("string", "SHA-256 of the site's file. Its name stays at the site."),
        "line": ("integer", "Line of the record in that file (or row of its sheet)."),
        "corrected": ("boolean", "Whether the site's correction took that record's place."),
    },
    "flow": {
        "step": ("string", "read, blank, refused, accepted, pooled or released."),
        "site_id": ("string", "Site."),
        "unit": ("string", "What is counted."),
        "n": ("integer", "How many."),
        "reason": ("string", "Why; for refused records the code of their first problem."),
    },
    "refusals": {
        "site_id": ("string", "Site."),
        "source": ("string", "Name of the source in the site's mapping."),
        "code": ("string", "Code of the problem, or rule."),
        "severity": ("string", "refuse or warning."),
        "n": ("integer", "Problems with this code."),
    },
    "warnings": {
        "table": ("string", "Table of the format."),
        "key": ("string", "Primary key of the row, as in provenance."),
        "site_id": ("string", "Site whose record carries the warning."),
        "code": ("string", "Code of the warning, or rule."),
    },
    "duplicates": {
        "participant_id_1": ("string", "Code of the one participant."),
        "site_id_1": ("string", "That participant's site."),
        "participant_id_2": ("string", "Code of the other."),
        "site_id_2": ("string", "The other's site."),
        "evidence_bits": ("number", "How much more the two agree than chance allows, in bits."),
        "agrees": ("string", "What agrees."),
        "differs": ("string", "What differs."),
    },
}
"""Columns of the tables beside the ten: type and meaning."""


def descriptor_bytes(files: Mapping[str, bytes]) -> bytes:
    """The descriptor of these files (path to content); they must all be there."""
    package = read_json("datapackage.json")
    titles = {r["name"]: r for r in package["resources"]}
    resources = []
    for name in TABLE_NAMES:
        about = {k: titles[name][k] for k in ("title", "description") if k in titles[name]}
        schema = read_json(f"{name}.json")
        resources.append(_csv(f"tables/{name}.csv", name, about, schema, files))
        resources.append(_parquet(f"tables/{name}.parquet", name, about, files))
    for name in ("provenance", *SIDE_TABLES):
        resources.append(_csv(f"{name}.csv", name, {}, _side_schema(name), files))
    resources.append(_parquet("provenance.parquet", "provenance", {}, files))
    descriptor = {
        "$schema": _PROFILE + "datapackage.json",
        "name": "cohortkit-release",
        "title": "Pooled finger-pulley ultrasound cohort: a frozen release",
        "version": SCHEMA_VERSION,
        "resources": resources,
    }
    return (json.dumps(descriptor, indent=2, ensure_ascii=False) + "\n").encode("utf-8")


def _sized(path: str, files: Mapping[str, bytes]) -> dict[str, Any]:
    return {"path": path, "bytes": len(files[path]), "hash": "sha256:" + sha256(files[path])}


def _csv(
    path: str, name: str, about: dict[str, Any], schema: dict[str, Any], files: Mapping[str, bytes]
) -> dict[str, Any]:
    return {
        "name": name,
        "type": "table",
        **about,
        **_sized(path, files),
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": _DIALECT,
        "schema": schema,
    }


def _parquet(
    path: str, name: str, about: dict[str, Any], files: Mapping[str, bytes]
) -> dict[str, Any]:
    named = {"name": f"{name}-parquet", **about, **_sized(path, files)}
    return named | {"format": "parquet", "mediatype": _PARQUET}


def _side_schema(name: str) -> dict[str, Any]:
    return {
        "$schema": _PROFILE + "tableschema.json",
        "fields": [
            {"name": column, "type": kind, "description": words}
            for column, (kind, words) in SIDE_COLUMNS[name].items()
        ],
        "missingValues": [""],
    }
