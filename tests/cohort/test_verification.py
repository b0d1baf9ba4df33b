"""verify names what is not as it was frozen."""

from __future__ import annotations

import os
import random
import shutil
from dataclasses import replace

import pandas as pd
import pytest

from cohortkit.cohort.identity import IdCoding
from cohortkit.cohort.manifest import FILES, MANIFEST, manifest_bytes, read_manifest, sealed
from cohortkit.cohort.parquet import table_from_parquet, to_parquet_bytes
from cohortkit.cohort.release import freeze, open_release, verify
from cohortkit.cohort.release_log import LOG
from cohortkit.errors import IntegrityError, ReleaseError
from cohortkit.tables.canonical import sha256
from tests.cohort.clinics import two_clinics


@pytest.fixture(scope="module")
def frozen(tmp_path_factory):
    place = tmp_path_factory.mktemp("frozen")
    ids = IdCoding.open("hmac", tmp_path_factory.mktemp("keys") / "key")
    freeze(two_clinics(people=3), place / "one", ids=ids)
    freeze(two_clinics(people=4), place / "two", ids=ids)
    return place


@pytest.fixture
def place(frozen, tmp_path):
    shutil.copytree(frozen, tmp_path / "place")
    return tmp_path / "place"


@pytest.fixture
def release(place):
    return place / "one"


def told(folder):
    found = verify(folder)
    assert found.ok == found.problems.empty
    return [tuple(row) for row in found.problems[["file", "problem"]].itertuples(index=False)]


def test_an_untouched_release_is_as_frozen(release, place):
    assert told(release) == []
    assert told(place / "two") == []
    verify(release).require()
    assert len(verify(release).release_hash) == 64


@pytest.mark.parametrize("name", [*FILES, MANIFEST])
def test_each_altered_file_is_named(release, name):
    data = bytearray((release / name).read_bytes())
    data[len(data) // 2] ^= 1
    (release / name).write_bytes(data)
    assert [(file, "altered" in problem) for file, problem in told(release)] == [(name, True)]


@pytest.mark.parametrize("name", [*FILES, MANIFEST])
def test_each_missing_file_is_named(release, name):
    (release / name).unlink()
    problem = "altered or unusable" if name == MANIFEST else "missing"
    assert told(release) == [(name, problem)]


@pytest.mark.parametrize(
    "name", ["notes.txt", "tables/extra.csv", ".hidden", "tables/.x", "sub/x.csv"]
)
def test_each_added_file_is_named(release, name):
    (release / name).parent.mkdir(exist_ok=True)
    (release / name).write_text("x")
    assert told(release) == [("sub" if name.startswith("sub/") else name, "added")]


@pytest.mark.parametrize("name", ["flow.csv", "tables/scans.csv", "provenance.parquet"])
def test_each_renamed_file_is_named_once(release, name):
    (release / name).rename(release / "tables" / "other")
    found = verify(release).problems
    assert found.values.tolist() == [[name, "renamed", "now tables/other"]]


def test_exchanged_files_are_both_named(release):
    one, two = release / "tables/scans.csv", release / "tables/visits.csv"
    first, second = one.read_bytes(), two.read_bytes()
    one.write_bytes(second)
    two.write_bytes(first)
    assert told(release) == [("tables/scans.csv", "altered"), ("tables/visits.csv", "altered")]


def test_a_file_from_another_release_is_named(release, place):
    shutil.copy(place / "two/tables/scans.csv", release / "tables/scans.csv")
    assert told(release) == [("tables/scans.csv", "altered")]


@pytest.mark.parametrize("cut", [0, 1, 100])
def test_a_shortened_file_is_named_with_its_size(release, cut):
    path = release / "tables/readings.csv"
    data = path.read_bytes()
    path.write_bytes(data[:cut])
    detail = verify(release).problems["detail"].iloc[0]
    assert detail.startswith(f"{cut} bytes, frozen were {len(data)}")


@pytest.mark.parametrize("line", [1, 2, 7])
def test_the_first_line_that_differs_is_named_while_the_parquet_is_whole(release, line):
    path = release / "tables/readings.csv"
    lines = path.read_bytes().splitlines(keepends=True)
    lines[line - 1] = lines[line - 1].replace(b"a", b"b")
    path.write_bytes(b"".join(lines))
    assert verify(release).problems["detail"].iloc[0].endswith(f"first differs in line {line}")


@pytest.mark.parametrize("name", ["tables/scans.csv", "tables", MANIFEST, "flow.csv"])
def test_links_are_refused_even_to_the_right_bytes(release, tmp_path, name):
    shutil.move(release / name, tmp_path / "aside")
    (release / name).symlink_to(tmp_path / "aside")
    assert not verify(release).ok
    assert any("link" in p + d for _, p, d in verify(release).problems.values)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_is_named_and_not_read(release):
    os.mkfifo(release / "pipe")
    assert told(release) == [("pipe", "added")]


def test_a_release_reached_through_a_link_is_fine(release, tmp_path):
    (tmp_path / "link").symlink_to(release, target_is_directory=True)
    assert verify(tmp_path / "link").ok


def test_a_folder_that_is_not_there_is_an_error(tmp_path):
    for step in (verify, open_release):
        with pytest.raises(ReleaseError, match="no release") as caught:
            step(tmp_path / "nothing")
        assert not isinstance(caught.value, IntegrityError)


@pytest.mark.parametrize("manifest", [None, '{"name": "app"}', "no JSON"])
def test_a_folder_of_something_else_is_not_a_release(tmp_path, manifest):
    (tmp_path / "datapackage.json").write_text("{}")
    if manifest:
        (tmp_path / MANIFEST).write_text(manifest)
    for step in (verify, open_release):
        with pytest.raises(ReleaseError, match="not a release") as caught:
            step(tmp_path)
        assert "archive" not in str(caught.value)
        assert not isinstance(caught.value, IntegrityError)


@pytest.mark.parametrize("manifest", [b"{", None])
def test_a_damaged_manifest_hides_no_damaged_table(release, manifest):
    (release / MANIFEST).unlink()
    if manifest:
        (release / MANIFEST).write_bytes(manifest)
    path = release / "tables/readings.csv"
    lines = path.read_bytes().splitlines(keepends=True)
    lines[3] = lines[3].replace(b"a", b"b")
    path.write_bytes(b"".join(lines))
    (release / "flow.csv").unlink()
    (release / "notes.txt").write_text("x")
    assert told(release) == [
        ("flow.csv", "missing"),
        (MANIFEST, "altered or unusable"),
        ("notes.txt", "added"),
        ("tables/readings.csv", "unlike its hash in datapackage.json"),
    ]


def test_without_manifest_and_descriptor_tables_are_held_against_their_parquet(release):
    (release / MANIFEST).write_text("{")
    (release / "datapackage.json").write_text("{")
    path = release / "tables/readings.csv"
    path.write_bytes(path.read_bytes().replace(b"loaded", b"rest"))
    assert told(release) == [
        ("datapackage.json", "unreadable"),
        (MANIFEST, "altered or unusable"),
        ("tables/readings.parquet", "unlike its CSV"),
    ]


def test_the_log_confirms_the_manifest_or_is_not_there(release, place):
    found = verify(release)
    assert (found.logged, len(found.manifest_sha256)) == (True, 64)
    assert found.manifest_sha256 == sha256((release / MANIFEST).read_bytes())
    (place / LOG).unlink()
    assert verify(release).logged is None


def signed(release, manifest):
    """A forger's manifest: its own hash is right."""
    (release / MANIFEST).write_bytes(manifest_bytes(sealed(manifest)))


def forged_parquet(release):
    manifest = read_manifest(release)
    path = release / "tables/readings.parquet"
    frame = table_from_parquet(path.read_bytes(), "readings")
    frame.loc[0, "gap_mm"] += 1
    data = to_parquet_bytes(frame)
    path.write_bytes(data)
    entry = {"bytes": len(data), "sha256": sha256(data)}
    files = {**manifest["files"], "tables/readings.parquet": entry}
    table = manifest["tables"]["readings"] | {"sha256_parquet": sha256(data)}
    signed(
        release, manifest | {"files": files, "tables": {**manifest["tables"], "readings": table}}
    )


def test_a_parquet_file_that_says_other_than_its_csv_is_named(release, place):
    (place / LOG).unlink()
    forged_parquet(release)
    assert told(release) == [("tables/readings.parquet", "unlike its CSV")]


def test_a_forged_manifest_is_not_the_one_in_the_log(release):
    forged_parquet(release)
    assert (LOG, "no line for this release") in told(release)


def test_an_altered_log_is_named_by_line(release, place):
    lines = (place / LOG).read_bytes().splitlines(keepends=True)
    (place / LOG).write_bytes(lines[0].replace(b'"one"', b'"uno"') + lines[1])
    assert (LOG, "line 1 broken") in told(release)


@pytest.mark.parametrize("kept", [0, 1])
def test_a_removed_line_of_the_log_is_found(place, kept):
    lines = (place / LOG).read_bytes().splitlines(keepends=True)
    (place / LOG).write_bytes(lines[kept])
    assert not (verify(place / "one").ok and verify(place / "two").ok)


def test_a_release_without_a_log_beside_it_is_checked_by_its_manifest(release, tmp_path):
    shutil.copytree(release, tmp_path / "alone" / "renamed")
    assert verify(tmp_path / "alone" / "renamed").ok


def test_all_problems_are_told_at_once(release):
    (release / "flow.csv").unlink()
    (release / "tables/scans.csv").write_text("x")
    (release / "notes.txt").write_text("x")
    assert told(release) == [
        ("flow.csv", "missing"),
        ("notes.txt", "added"),
        ("tables/scans.csv", "altered"),
    ]
    with pytest.raises(IntegrityError, match="3 problems") as caught:
        verify(release).require()
    assert "flow.csv: missing; notes.txt: added" in caught.value.where


def flip_bits(release, n, seed):
    """Flip one bit at `n` random places of the release, one after the other; count the misses."""
    draw = random.Random(seed)
    files = sorted(p for p in release.rglob("*") if p.is_file())
    sizes = [p.stat().st_size for p in files]
    missed = []
    for _ in range(n):
        path = draw.choices(files, weights=sizes)[0]
        data = path.read_bytes()
        place, bit = draw.randrange(len(data)), draw.randrange(8)
        changed = bytearray(data)
        changed[place] ^= 1 << bit
        path.write_bytes(changed)
        found = verify(release, contents=False).problems["file"].tolist()
        if found != [str(path.relative_to(release))]:
            missed.append((path.name, place, bit, found))
        path.write_bytes(data)
    return missed


def test_a_flipped_bit_is_found_in_each_of_200_places(release):
    assert flip_bits(release, 200, seed=1) == []


@pytest.mark.long
def test_a_flipped_bit_is_found_in_each_of_1000_places(release):
    assert flip_bits(release, 1000, seed=2) == []


def test_every_bit_of_the_manifests_first_and_last_bytes(release):
    data = (release / MANIFEST).read_bytes()
    for place in [*range(40), *range(len(data) - 40, len(data))]:
        changed = bytearray(data)
        changed[place] ^= 1 << (place % 8)
        (release / MANIFEST).write_bytes(changed)
        assert not verify(release, contents=False).ok


def test_the_report_is_the_same_in_every_call(release):
    (release / "flow.csv").unlink()
    one, two = verify(release), verify(release)
    pd.testing.assert_frame_equal(one.problems, two.problems)
    assert replace(one, problems=two.problems) == replace(two, problems=two.problems)
