"""The manifest: its hash, its paths, its layout."""

from __future__ import annotations

import hashlib
import json

import pytest

from cohortkit.cohort.manifest import (
    FILES,
    MANIFEST,
    build_manifest,
    manifest_bytes,
    read_manifest,
    release_hash,
    sealed,
)
from cohortkit.errors import IntegrityError
from cohortkit.tables.schema import SCHEMA_VERSION, TABLE_NAMES


@pytest.fixture
def manifest():
    files = {name: name.encode() for name in FILES}
    return build_manifest(files, dict.fromkeys(TABLE_NAMES, 3), ["S01", "S02"], "hmac")


def write(folder, manifest, sign=True):
    if sign:
        manifest = sealed(manifest)
    (folder / MANIFEST).write_bytes(manifest_bytes(manifest))
    return folder


def test_what_was_written_is_read(manifest, tmp_path):
    assert read_manifest(write(tmp_path, manifest)) == manifest


def test_every_file_is_named_with_size_and_hash(manifest):
    assert set(manifest["files"]) == set(FILES)
    for name, entry in manifest["files"].items():
        assert entry == {"bytes": len(name), "sha256": hashlib.sha256(name.encode()).hexdigest()}


def test_the_release_hash_follows_its_definition(manifest):
    text = f"schema {SCHEMA_VERSION}\n"
    for name in TABLE_NAMES:
        digest = hashlib.sha256(f"tables/{name}.csv".encode()).hexdigest()
        text += f"{name} 3 {digest}\n"
    assert manifest["release_hash"] == hashlib.sha256(text.encode()).hexdigest()
    assert manifest["label"] == manifest["release_hash"][:12]


def test_rows_hash_and_schema_version_enter_the_release_hash(manifest):
    tables = manifest["tables"]
    one = {**tables, "scans": tables["scans"] | {"rows": 4}}
    two = {**tables, "scans": tables["scans"] | {"sha256_csv": "0" * 64}}
    hashes = {release_hash(t, SCHEMA_VERSION) for t in (tables, one, two)}
    assert len(hashes | {release_hash(tables, "9.9.9")}) == 4


def test_neither_time_nor_software_enters_the_release_hash(manifest):
    other = manifest | {"created_at": "1970-01-01T00:00:00Z", "software": {"pandas": "0"}}
    assert release_hash(other["tables"], other["schema_version"]) == manifest["release_hash"]


def test_the_seal_is_the_hash_of_every_other_line(manifest):
    lines = manifest_bytes(manifest).splitlines(keepends=True)
    others = b"".join(line for line in lines if b"sha256_without_this_line" not in line)
    assert len(lines) == others.count(b"\n") + 1
    assert manifest["sha256_without_this_line"] == hashlib.sha256(others).hexdigest()
    assert "manifest_sha256" not in manifest


def test_a_manifest_sealed_under_the_first_name_is_read(manifest, tmp_path):
    old = {key: value for key, value in manifest.items() if key != "sha256_without_this_line"}
    digest = hashlib.sha256(manifest_bytes(old)).hexdigest()
    first = old | {"manifest_sha256": digest}
    assert read_manifest(write(tmp_path, first, sign=False)) == first
    for wrong in (old, manifest | {"manifest_sha256": digest}, first | {"sites": ["S01"]}):
        with pytest.raises(IntegrityError, match="altered"):
            read_manifest(write(tmp_path, wrong, sign=False))


@pytest.mark.parametrize(
    "name",
    [
        "../outside.csv", "tables/../../outside.csv", "tables/../flow.csv", "/etc/passwd", "//flow.csv",
        "./flow.csv", "tables//sites.csv", "tables/./sites.csv", "flow.csv/", "flow.csv/.", "..", ".", "",
        "tables", "tables/", "C:\\flow.csv", "C:flow.csv", "\\\\host\\share\\flow.csv", "..\\flow.csv",
        "tables\\sites.csv", "FLOW.csv", "Tables/sites.csv", "flow.CSV", "flow.csv\x00", "flow.csv ",
        " flow.csv", "flow.csv\n", "\u202eflow.csv", "tables\u2215sites.csv", "tables\uff0fsites.csv",
        "\uff0e\uff0e/flow.csv", "%2e%2e/flow.csv", "~/flow.csv", "$HOME/flow.csv", "file:flow.csv",
        "https://example.org/flow.csv", "/dev/null", "/proc/self/environ", "manifest.json",
        "flow.csv:stream", "con", "a" * 5000, "../" * 2000 + "x",
    ],
)  # fmt: skip
def test_names_that_lead_elsewhere_are_refused(manifest, tmp_path, name):
    files = {**manifest["files"], name: {"bytes": 1, "sha256": "0" * 64}}
    with pytest.raises(IntegrityError):
        read_manifest(write(tmp_path, manifest | {"files": files}))


def test_a_manifest_that_is_a_link_is_refused(manifest, tmp_path):
    (tmp_path / "real").mkdir()
    write(tmp_path / "real", manifest)
    (tmp_path / MANIFEST).symlink_to(tmp_path / "real" / MANIFEST)
    with pytest.raises(IntegrityError, match="symbolic link"):
        read_manifest(tmp_path)


def test_a_folder_without_manifest_is_no_release(tmp_path):
    with pytest.raises(IntegrityError, match="no manifest"):
        read_manifest(tmp_path)


@pytest.mark.parametrize(
    "change",
    [
        {"created_at": "1970-01-01T00:00:00Z"},
        {"sites": ["S01"]},
        {"software": {}},
        {"identity": {"mode": "random"}},
        {"more": 1},
    ],
)
def test_a_changed_value_is_an_alteration(manifest, tmp_path, change):
    with pytest.raises(IntegrityError, match="altered"):
        read_manifest(write(tmp_path, manifest | change, sign=False))


def test_a_file_left_out_is_an_alteration_even_if_signed(manifest, tmp_path):
    files = {n: e for n, e in manifest["files"].items() if n != "flow.csv"}
    with pytest.raises(IntegrityError, match=r"does not name flow\.csv"):
        read_manifest(write(tmp_path, manifest | {"files": files}))


def test_hashes_that_contradict_each_other_are_an_alteration_even_if_signed(manifest, tmp_path):
    scans = manifest["tables"]["scans"]
    tables = {**manifest["tables"], "scans": scans | {"sha256_csv": "0" * 64}}
    with pytest.raises(IntegrityError, match="two hashes for table 'scans'"):
        read_manifest(write(tmp_path, manifest | {"tables": tables}))
    tables = {**manifest["tables"], "scans": scans | {"rows": 4}}
    with pytest.raises(IntegrityError, match="not that of the tables"):
        read_manifest(write(tmp_path, manifest | {"tables": tables}))


def test_another_layout_says_so(manifest, tmp_path):
    with pytest.raises(IntegrityError, match="layout 2, known is 1"):
        read_manifest(write(tmp_path, manifest | {"format_version": 2}))


@pytest.mark.parametrize(
    "data",
    [
        b"", b"{", b"[]", b"null", b'"x"', b"\xff\xfe", b"[" * 100_000, b'{"a":' * 100_000,
        b'{"files": {}, "files": {}}', b"NaN", b" " * 20_000_001,
    ],
)  # fmt: skip
def test_other_bytes_are_refused_without_harm(tmp_path, data):
    (tmp_path / MANIFEST).write_bytes(data)
    with pytest.raises(IntegrityError, match="altered"):
        read_manifest(tmp_path)


def test_white_space_is_an_alteration(manifest, tmp_path):
    write(tmp_path, manifest)
    (tmp_path / MANIFEST).write_text(json.dumps(manifest))
    with pytest.raises(IntegrityError, match="do not give the hash"):
        read_manifest(tmp_path)
