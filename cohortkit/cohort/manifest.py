"""The manifest of a release: what it holds, with a hash of each part, and of itself."""

from __future__ import annotations

import json
import platform
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import version
from pathlib import Path, PurePosixPath
from types import MappingProxyType
from typing import Any

import jsonschema

from cohortkit import __version__
from cohortkit.errors import IntegrityError, ReleaseError
from cohortkit.tables.canonical import sha256
from cohortkit.tables.schema import SCHEMA_VERSION, TABLE_NAMES, read_json, table

MANIFEST = "manifest.json"
DESCRIPTOR = "datapackage.json"
FORMAT_VERSION = 1
SEAL = "sha256_without_this_line"
"""Entry of the manifest that holds the hash of all its other lines.

The hash that is printed, logged and published as ``manifest_sha256`` is another: that of the
whole file, as ``sha256sum manifest.json`` gives it.
"""
_SEALS = (SEAL, "manifest_sha256")  # the second is what the entry was called at first
SIDE_TABLES = ("flow", "refusals", "warnings", "duplicates")
_LARGEST = 20_000_000
_SOFTWARE = ("pandas", "pyarrow", "numpy")

FILES: tuple[str, ...] = (
    *(f"tables/{name}.{kind}" for name in TABLE_NAMES for kind in ("csv", "parquet")),
    "provenance.csv",
    "provenance.parquet",
    *(f"{name}.csv" for name in SIDE_TABLES),
    DESCRIPTOR,
)
"""Every file of a release but the manifest. A release holds these and no other."""


def release_hash(tables: Mapping[str, Mapping[str, Any]], schema_version: str) -> str:
    """SHA-256 over the schema version and each table's name, rows and CSV hash.

    No time, place, or version of any software enters it.
    """
    lines = [f"schema {schema_version}"]
    lines += [f"{name} {tables[name]['rows']} {tables[name]['sha256_csv']}" for name in TABLE_NAMES]
    return sha256(("\n".join(lines) + "\n").encode("ascii"))


def build_manifest(
    files: Mapping[str, bytes],
    rows: Mapping[str, int],
    sites: Sequence[str],
    mode: str,
    notices: Sequence[str] = (),
    corrected: Mapping[str, int] = MappingProxyType({}),
) -> dict[str, Any]:
    """The manifest of files that are about to be written, its own hash included."""
    hashes = {name: sha256(data) for name, data in files.items()}
    tables = {
        name: {
            "rows": rows[name],
            "columns": list(table(name).column_names),
            "sha256_csv": hashes[f"tables/{name}.csv"],
            "sha256_parquet": hashes[f"tables/{name}.parquet"],
        }
        for name in TABLE_NAMES
    }
    whole = release_hash(tables, SCHEMA_VERSION)
    manifest: dict[str, Any] = {
        "format_version": FORMAT_VERSION,
        "schema_version": SCHEMA_VERSION,
        "release_hash": whole,
        "label": whole[:12],
        "created_at": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "sites": list(sites),
        "notices": list(notices),
        "corrected_records": dict(corrected),
        "tables": tables,
        "files": {n: {"bytes": len(d), "sha256": hashes[n]} for n, d in sorted(files.items())},
        "identity": {"mode": mode},
        "software": {
            "cohortkit": __version__,
            "python": platform.python_version(),
            **{name: version(name) for name in _SOFTWARE},
        },
    }
    return sealed(manifest)


def manifest_bytes(manifest: Mapping[str, Any]) -> bytes:
    """The one way to write a manifest; any other byte is an alteration."""
    return (json.dumps(manifest, indent=2, sort_keys=True, ensure_ascii=False) + "\n").encode()


def sealed(manifest: Mapping[str, Any]) -> dict[str, Any]:
    """The manifest with the hash of its other lines in the entry `SEAL`."""
    return {**_without_seal(manifest), SEAL: _own_hash(manifest)}


def _without_seal(manifest: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in manifest.items() if key not in _SEALS}


def _own_hash(manifest: Mapping[str, Any]) -> str:
    return sha256(manifest_bytes(_without_seal(manifest)))


def require_release(folder: Path) -> None:
    """Stop at a place that is no release at all, damaged or not.

    Raises
    ------
    ReleaseError
        If there is no folder, or it has neither a release's manifest nor its tables.
    """
    found = ""
    if not folder.is_dir():
        found = "a file" if folder.exists() else "nothing"
    elif not holds_release(folder):
        found = "neither the manifest nor the tables of a release"
    if found:
        raise ReleaseError(
            "There is no release" if found == "nothing" else "This is not a release",
            where=str(folder),
            found=found,
            next_step="give the folder that 'cohortkit freeze' wrote",
        )


def holds_release(folder: Path) -> bool:
    """Whether a folder holds a release, whole or damaged, by its manifest or its tables."""
    if any((folder / name).exists() for name in FILES if name.endswith(".parquet")):
        return True
    manifest = folder / MANIFEST
    try:
        return manifest.is_file() and b'"release_hash"' in manifest.read_bytes()
    except OSError:
        return False


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest of a release folder, once its form, its hash and its paths are right.

    Raises
    ------
    IntegrityError
        If there is none, it is a link, it was altered, it was written for another
        layout, or it names a file that lies outside the release.
    """
    path = folder / MANIFEST
    data = _bytes(path)
    try:
        manifest = json.loads(data)
        _validator().validate(manifest)
    except (ValueError, RecursionError, jsonschema.ValidationError) as error:
        told = str(getattr(error, "message", error))[:200]
        raise _altered(path, f"it does not read as a manifest: {told}") from error
    for name in manifest["files"]:
        _check_name(name, path)
    if manifest["format_version"] != FORMAT_VERSION:
        raise IntegrityError(
            "The release was written for another layout",
            where=str(path),
            found=f"layout {manifest['format_version']}, known is {FORMAT_VERSION}",
            next_step="open it with the version of cohortkit that its manifest names",
        )
    seals = [manifest[key] for key in _SEALS if key in manifest]
    if data != manifest_bytes(manifest) or seals != [_own_hash(manifest)]:
        raise _altered(path, "its bytes do not give the hash that it names")
    _check_contents(manifest, path)
    return manifest


@cache
def _validator() -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(read_json("manifest.schema.json"))


def _altered(path: Path, found: str) -> IntegrityError:
    return IntegrityError(
        "The manifest was altered",
        where=str(path),
        found=found,
        next_step="restore the release from its archive",
    )


def _bytes(path: Path) -> bytes:
    if path.is_symlink() or not path.is_file():
        raise IntegrityError(
            "The folder holds no manifest, so it is no whole release",
            where=str(path),
            found="a symbolic link" if path.is_symlink() else "",
            next_step="give the folder that 'cohortkit freeze' wrote, or restore it",
        )
    if path.stat().st_size > _LARGEST:
        raise _altered(path, "it is far too long")
    return path.read_bytes()


def _check_name(name: str, path: Path) -> None:
    """Refuse a file name that leads out of the folder, whatever else it says."""
    parts = PurePosixPath(name).parts
    if name not in FILES or name != "/".join(parts) or ".." in parts or name.startswith("/"):
        raise IntegrityError(
            "The manifest names a file that is not part of a release",
            where=str(path),
            found=repr(name)[:200],
            next_step="do not use this folder; restore the release from its archive",
        )


def _check_contents(manifest: Mapping[str, Any], path: Path) -> None:
    """What the manifest says must agree with itself."""
    lost = sorted(set(FILES) - set(manifest["files"]))
    if lost:
        raise _altered(path, f"it does not name {', '.join(lost)}")
    for name, entry in manifest["tables"].items():
        for kind in ("csv", "parquet"):
            if entry[f"sha256_{kind}"] != manifest["files"][f"tables/{name}.{kind}"]["sha256"]:
                raise _altered(path, f"it gives two hashes for table '{name}'")
    if manifest["release_hash"] != release_hash(manifest["tables"], manifest["schema_version"]):
        raise _altered(path, "the release hash is not that of the tables")
