"""Crashes and full disks: the old release stays, no torn one appears, nothing needs mending."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from cohortkit.cohort import release as release_module
from cohortkit.cohort.identity import IdCoding
from cohortkit.cohort.release import freeze, verify
from cohortkit.cohort.release_log import LOG, broken_lines
from cohortkit.cohort.release_parts import build_parts
from cohortkit.errors import CohortkitError
from tests.cohort.clinics import two_clinics
from tests.cohort.faults import at_call, failing

ROOT = Path(__file__).resolve().parents[2]


def run_kills(folder: Path, kills: int, seed: int) -> dict:
    """Kill a freeze at `kills` random points; the child script checks after each."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.cohort.kill_freezes", str(folder), str(kills), str(seed)],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)


# an odd seed codes by keyed hash, an even one by a code table
@pytest.mark.parametrize(("seed", "kills"), [(1, 16), (2, 4)])
def test_a_freeze_killed_at_random_points(tmp_path, seed, kills):
    found = run_kills(tmp_path, kills, seed)
    assert found["killed"] == kills
    assert found["faults"] == []


@pytest.mark.long
@pytest.mark.parametrize(("seed", "kills"), [(3, 400), (4, 100)])
def test_a_freeze_killed_at_five_hundred_random_points(tmp_path, seed, kills):
    found = run_kills(tmp_path, kills, seed)
    assert found["killed"] == kills
    assert found["faults"] == []


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A folder with one release, and a freeze whose parts are made beforehand."""
    keys = tmp_path / "keys"
    keys.mkdir()
    ids = IdCoding.open("hmac", keys / "key")
    pooled = two_clinics(2)
    folder = tmp_path / "place"
    folder.mkdir()
    freeze(pooled, folder / "old", ids=ids)
    parts = build_parts(pooled, ids)
    monkeypatch.setattr(release_module, "build_parts", lambda pooled, ids: parts)
    monkeypatch.setattr(release_module, "open_release", lambda path, check: path)
    return folder, lambda name: freeze(pooled, folder / name, ids=ids)


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def count_calls(place) -> int:
    _, run = place
    seen = []
    with at_call(seen.append):
        run("counted")
    return seen[-1]


def fail_each(place, step: int, code: int) -> None:
    folder, run = place
    calls = count_calls(place)
    old = contents(folder / "old")
    assert calls > 60
    for n in range(1, calls + 1, step):
        with at_call(failing(n, code)), pytest.raises(CohortkitError) as caught:
            run("new")
        assert caught.value.exit_code != 0
        assert caught.value.next_step
        assert contents(folder / "old") == old
        assert broken_lines((folder / LOG).read_bytes()) == []
        visible = sorted(p.name for p in folder.iterdir() if p.name[0] != ".")
        assert set(visible) <= {"old", "counted", "new", LOG}
        if (folder / "new").exists():
            assert verify(folder / "new", contents=False).ok
            (folder / "new").rename(folder.parent / f"kept{n}")
        run("new")
        assert verify(folder / "new", contents=False).ok
        (folder / "new").rename(folder.parent / f"done{n}")
        assert [p.name for p in folder.iterdir() if ".partial" in p.name] == []


def test_a_full_disk_at_every_ninth_call(place):
    fail_each(place, 9, errno.ENOSPC)


@pytest.mark.long
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO, errno.EACCES])
def test_a_failure_of_every_call(place, code):
    fail_each(place, 1, code)


def test_the_message_of_a_full_disk_says_what_to_do(place):
    _, run = place
    with at_call(failing(20)), pytest.raises(CohortkitError, match="free space on the disk"):
        run("new")


def test_a_code_table_that_cannot_be_written_stays_as_it_was(tmp_path):
    ids = IdCoding.open("random", tmp_path / "codes.csv")
    names = [("S01", "scan", str(k)) for k in range(50)]
    ids.codes(names[:25])
    before = (tmp_path / "codes.csv").read_bytes()
    seen = []
    with at_call(seen.append):
        ids.codes([*names[:25], ("S01", "scan", "x")])
    after = (tmp_path / "codes.csv").read_bytes()
    assert before != after
    for n in range(1, seen[-1] + 1):
        with at_call(failing(n)), pytest.raises(CohortkitError):
            ids.codes([*names, ("S01", "scan", f"y{n}")])
        now = (tmp_path / "codes.csv").read_bytes()
        assert now == after or f'"y{n}"'.encode() in now
        after = now
        assert ids.codes(names[:25])
