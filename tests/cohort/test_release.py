"""Freezing: once, whole, the same data always under the same hash."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import replace
from itertools import permutations
from pathlib import Path

import pytest

from cohortkit.cohort import release as release_module
from cohortkit.cohort.identity import IdCoding
from cohortkit.cohort.pooling import pool
from cohortkit.cohort.release import freeze, open_release, verify
from cohortkit.cohort.release_log import LOG
from cohortkit.errors import IdentifierError, IntegrityError, ReleaseError
from tests.cohort.clinics import small, small_rows, two_clinics

ROOT = Path(__file__).resolve().parents[2]
KEY = "0b" * 32


@pytest.fixture
def ids(tmp_path):
    (tmp_path / "keys").mkdir()
    path = tmp_path / "keys" / "key"
    path.write_text(KEY)
    path.chmod(0o600)
    return IdCoding.open("hmac", path)


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_a_frozen_release_opens_and_verifies(ids, tmp_path):
    release = freeze(two_clinics(), tmp_path / "r", ids=ids)
    assert verify(tmp_path / "r").ok
    assert open_release(tmp_path / "r") == release
    assert release.manifest["identity"] == {"mode": "hmac"}


def everything(folder: Path) -> list[str]:
    """Every name below a folder, hidden ones and folders too."""
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*"))


def refused_freezes(tmp_path):
    """What stops a freeze: the pool, where the release is to stand, and what the message says."""
    plain = two_clinics(2)
    named = replace(small("S01", 3), notice="Questions to Dr. Anna Beispiel, anna@example.org")
    participants = plain.tables["participants"].copy()
    participants["participant_id"] = participants["participant_id"].mask(
        participants.index == 0, "a.muster@example.org"
    )
    (tmp_path / "there").mkdir()
    (tmp_path / "logged").mkdir()
    (tmp_path / "logged" / LOG).write_text("edited\n")
    (tmp_path / "file").write_text("x")
    new = tmp_path / "a" / "r"
    return {
        "exists": (plain, tmp_path / "there", "never overwritten"),
        "log": (plain, tmp_path / "logged" / "r", "altered"),
        "file above": (plain, tmp_path / "file" / "r", "cannot be made"),
        "identifier": (
            replace(plain, tables={**plain.tables, "participants": participants}),
            new,
            "participant_id",
        ),
        "notice": (pool([named]), new, "notices"),
        "provenance": (replace(plain, provenance=plain.provenance.iloc[1:]), new, "do not match"),
    }


@pytest.mark.parametrize("mode", ["random", "hmac"])
@pytest.mark.parametrize(
    "why", ["exists", "log", "file above", "identifier", "notice", "provenance"]
)
@pytest.mark.parametrize("known", [False, True])
def test_a_refused_freeze_leaves_nothing_behind(tmp_path, mode, why, known):
    pooled, out, told = refused_freezes(tmp_path)[why]
    secret = tmp_path / "site_held" / "secret"
    if known:
        IdCoding.open(mode, secret).codes([("S01", "participant", "other")])
    names, before = everything(tmp_path), contents(tmp_path)
    with pytest.raises((ReleaseError, IdentifierError), match=told):
        freeze(pooled, out, ids=IdCoding.open(mode, secret))
    assert everything(tmp_path) == names
    assert contents(tmp_path) == before


@pytest.mark.parametrize("mode", ["random", "hmac"])
def test_a_freeze_makes_the_file_of_codes_before_the_release_appears(tmp_path, mode, monkeypatch):
    secret = tmp_path / "secret"  # in the folder whose lock the freeze holds
    seen = []
    monkeypatch.setattr(release_module, "append_to_log", lambda *_: seen.append(secret.exists()))
    release = freeze(two_clinics(2), tmp_path / "r", ids=IdCoding.open(mode, secret))
    assert seen == [True]
    again = freeze(two_clinics(2), tmp_path / "s", ids=IdCoding.open(mode, secret))
    assert again.release_hash == release.release_hash


@pytest.mark.parametrize("kind", ["release", "empty folder", "file", "dead link"])
def test_nothing_is_ever_overwritten(ids, tmp_path, kind):
    out = tmp_path / "r"
    if kind == "release":
        freeze(two_clinics(3), out, ids=ids)
    elif kind == "empty folder":
        out.mkdir()
    elif kind == "file":
        out.write_text("x")
    else:
        out.symlink_to(tmp_path / "nowhere")
    before = contents(tmp_path)
    with pytest.raises(ReleaseError, match="never overwritten"):
        freeze(two_clinics(2), out, ids=ids)
    assert contents(tmp_path) == before


def test_folders_above_a_release_are_made(ids, tmp_path):
    freeze(two_clinics(2), tmp_path / "a" / "b", ids=ids)
    assert verify(tmp_path / "a" / "b").ok


def test_a_folder_above_that_is_a_file_gives_a_clear_message(ids, tmp_path):
    (tmp_path / "a").write_text("x")
    with pytest.raises(ReleaseError, match="cannot be made"):
        freeze(two_clinics(2), tmp_path / "a" / "b", ids=ids)


def test_a_release_cannot_lie_inside_another(ids, tmp_path):
    freeze(two_clinics(2), tmp_path / "r", ids=ids)
    with pytest.raises(ReleaseError, match="inside another"):
        freeze(two_clinics(2), tmp_path / "r" / "tables" / "s", ids=ids)
    assert verify(tmp_path / "r").ok


def test_the_key_cannot_lie_in_the_release(tmp_path, ids):
    inside = IdCoding("hmac", tmp_path / "r" / "key")
    with pytest.raises(ReleaseError, match="inside the release"):
        freeze(two_clinics(2), tmp_path / "r", ids=inside)


def test_an_altered_release_does_not_open(ids, tmp_path):
    freeze(two_clinics(2), tmp_path / "r", ids=ids)
    with (tmp_path / "r/tables/scans.csv").open("ab") as file:
        file.write(b"x")
    with pytest.raises(IntegrityError, match=r"tables/scans\.csv: altered"):
        open_release(tmp_path / "r")
    assert open_release(tmp_path / "r", check=False).label


def test_the_order_of_clinics_does_not_change_the_hash(ids, tmp_path):
    clinics = [small(f"S0{k}", 2) for k in range(1, 6)]
    orders = list(permutations(clinics))[::31]
    hashes = {
        freeze(pool(order), tmp_path / str(k), ids=ids).release_hash
        for k, order in enumerate(orders)
    }
    assert len(hashes) == 1


def test_freezing_again_with_the_same_code_table_gives_the_same_hash(tmp_path):
    (tmp_path / "keys").mkdir()
    hashes = set()
    for k in range(2):
        coding = IdCoding.open("random", tmp_path / "keys" / "codes.csv")
        hashes.add(freeze(two_clinics(3), tmp_path / str(k), ids=coding).release_hash)
    assert len(hashes) == 1


def test_a_changed_value_changes_the_hash(ids, tmp_path):
    rows = small_rows("S01", 2, 1)
    one = freeze(pool([small("S01", 2)]), tmp_path / "one", ids=ids)
    other = small("S01", 2)
    other.tables["participants"].loc[0, "age_years"] += 1
    two = freeze(pool([other]), tmp_path / "two", ids=ids)
    assert rows["participants"][0]["age_years"] < 89
    assert one.release_hash != two.release_hash


SCRIPT = """
import sys, time
from datetime import datetime, timedelta, timezone
from pathlib import Path
import cohortkit.cohort.manifest as manifest
from cohortkit.cohort.identity import IdCoding
from cohortkit.cohort.release import freeze
from tests.cohort.clinics import two_clinics

class Later(datetime):
    @classmethod
    def now(cls, tz=None):
        return datetime.now(tz) + timedelta(days=int(sys.argv[2]))

manifest.datetime = Later
time.tzset()
place = Path(sys.argv[1])
release = freeze(two_clinics(3), place / sys.argv[3], ids=IdCoding.open("hmac", place / "key"))
sys.stdout.write(release.release_hash)
"""


def test_day_folder_locale_time_zone_and_hash_seed_do_not_change_the_hash(tmp_path):
    settings = [
        ("plain", "0", "r", {"PYTHONHASHSEED": "0", "TZ": "UTC", "LC_ALL": "C"}),
        ("with blank ü", "400", "rélease 2", {"PYTHONHASHSEED": "7", "TZ": "Pacific/Apia", "LC_ALL": "C.UTF-8"}),
        ("x" * 100, "-900", "y" * 100, {"PYTHONHASHSEED": "random", "TZ": "America/Caracas", "LC_ALL": "POSIX"}),
    ]  # fmt: skip
    hashes, files = set(), []
    for folder, days, name, environment in settings:
        place = tmp_path / folder
        place.mkdir()
        (place / "key").write_text(KEY)
        (place / "key").chmod(0o600)
        done = subprocess.run(
            [sys.executable, "-c", SCRIPT, str(place), days, name],
            cwd=ROOT,
            env=os.environ | {"PYTHONPATH": str(ROOT)} | environment,
            capture_output=True,
            text=True,
            check=True,
        )
        hashes.add(done.stdout)
        files.append(contents(place / name))
        files[-1].pop("manifest.json")
    assert len(hashes) == 1
    assert files[0] == files[1] == files[2]


def test_a_log_line_is_written_for_each_release(ids, tmp_path):
    releases = [freeze(two_clinics(k), tmp_path / f"r{k}", ids=ids) for k in (2, 3)]
    lines = [json.loads(line) for line in (tmp_path / LOG).read_text().splitlines()]
    assert [(e["release"], e["release_hash"]) for e in lines] == [
        (r.path.name, r.release_hash) for r in releases
    ]


def test_an_altered_log_stops_the_next_freeze_and_says_which_line(ids, tmp_path):
    freeze(two_clinics(2), tmp_path / "one", ids=ids)
    log = tmp_path / LOG
    log.write_bytes(log.read_bytes().replace(b"one", b"uno"))
    with pytest.raises(ReleaseError, match="line 1"):
        freeze(two_clinics(2), tmp_path / "two", ids=ids)
    assert not (tmp_path / "two").exists()
    assert sorted(p.name for p in tmp_path.iterdir() if p.name[0] != ".") == ["keys", "one", LOG]


def test_neither_secret_nor_ids_reach_release_or_log(tmp_path):
    (tmp_path / "keys").mkdir()
    for mode in ("hmac", "random"):
        coding = IdCoding.open(mode, tmp_path / "keys" / mode)
        freeze(two_clinics(3), tmp_path / mode, ids=coding)
    secret = (tmp_path / "keys" / "hmac").read_bytes().strip()
    written = contents(tmp_path / "hmac") | contents(tmp_path / "random")
    written[LOG] = (tmp_path / LOG).read_bytes()
    for name, data in written.items():
        assert secret not in data, name
        assert bytes.fromhex(secret.decode()) not in data, name
        assert b"S01-P00" not in data, name


def test_a_read_only_parent_gives_a_clear_message(ids, tmp_path):
    place = tmp_path / "locked"
    place.mkdir()
    place.chmod(0o500)
    try:
        if os.access(place, os.W_OK):
            pytest.skip("this user may write everywhere")
        with pytest.raises(ReleaseError, match="Next:"):
            freeze(two_clinics(2), place / "r", ids=ids)
    finally:
        place.chmod(0o700)


def test_a_parent_reached_through_a_link_works(ids, tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real", target_is_directory=True)
    freeze(two_clinics(2), tmp_path / "link" / "r", ids=ids)
    assert verify(tmp_path / "real" / "r").ok


@pytest.mark.long
def test_a_hundred_thousand_readings_freeze_in_twenty_seconds(ids, tmp_path):
    pooled = pool([small("S01", 5000), small("S02", 5000)])
    assert len(pooled.tables["readings"]) == 100_000
    start = time.process_time()
    freeze(pooled, tmp_path / "r", ids=ids)
    assert time.process_time() - start < 20


def test_notices_stand_in_the_manifest_and_not_in_the_release_hash(tmp_path, ids):
    first, second = small("S01", 3), small("S02", 3)
    said = "All data are invented."
    plain = freeze(pool([first, second]), tmp_path / "plain", ids=ids)
    both = [replace(first, notice=said), replace(second, notice=said)]
    marked = freeze(pool(both), tmp_path / "marked", ids=ids)
    half = freeze(pool([both[0], second]), tmp_path / "half", ids=ids)
    assert (plain.notices, marked.notices) == ((), (said,))
    assert open_release(tmp_path / "half").notices == half.notices == (f"S01: {said}",)
    assert marked.manifest["notices"] == [said]
    assert plain.release_hash == marked.release_hash == half.release_hash


def test_a_notice_that_names_a_person_stops_the_freeze(tmp_path, ids):
    marked = replace(small("S01", 3), notice="Questions to Dr. Anna Beispiel, anna@example.org")
    with pytest.raises(IdentifierError, match="notices"):
        freeze(pool([marked]), tmp_path / "r", ids=ids)
    assert not (tmp_path / "r").exists()
