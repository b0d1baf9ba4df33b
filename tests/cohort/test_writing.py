"""Whole files or none, whatever call fails and whenever the process dies."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from cohortkit.cohort.writing import atomic_folder, atomic_write, recover_folder, sweep
from cohortkit.errors import CohortkitError
from tests.cohort.faults import at_call, failing

ROOT = Path(__file__).resolve().parents[2]


def content(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def left_over(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir() if p.name.endswith((".partial", ".old"))]


def test_a_file_is_replaced_as_a_whole(tmp_path):
    path = tmp_path / "a.csv"
    assert atomic_write(path, b"one") == path
    atomic_write(path, b"two" * 100_000)
    assert path.read_bytes() == b"two" * 100_000
    assert left_over(tmp_path) == []


def test_an_empty_file_can_be_written(tmp_path):
    assert atomic_write(tmp_path / "a", b"").read_bytes() == b""


def test_a_secret_is_never_readable_by_others(tmp_path):
    path = atomic_write(tmp_path / "key", b"secret", mode=0o600)
    assert path.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("name", ["a b.csv", "größe.csv", "n" * 200, "日" * 60, ".hidden"])
def test_names_of_all_kinds(tmp_path, name):
    atomic_write(tmp_path / name, b"x")
    with atomic_folder(tmp_path / f"{name[:80]}-d") as folder:
        (folder / "x").write_bytes(b"x")
    assert content(tmp_path) == {name: b"x", f"{name[:80]}-d/x": b"x"}


@pytest.mark.parametrize("n", range(1, 6))
def test_a_failing_call_leaves_the_old_file(tmp_path, n):
    path = atomic_write(tmp_path / "a", b"old")
    with at_call(failing(n)), pytest.raises(CohortkitError, match="free space"):
        atomic_write(path, b"new" * 1000)
    # by hand: open, write, fsync, replace, then open and fsync of the folder
    assert path.read_bytes() == (b"old" if n <= 4 else b"new" * 1000)
    assert left_over(tmp_path) == []


def test_a_short_write_is_carried_on(tmp_path, monkeypatch):
    original = os.write
    monkeypatch.setattr(os, "write", lambda handle, data: original(handle, bytes(data)[:7]))
    assert atomic_write(tmp_path / "a", b"x" * 100).read_bytes() == b"x" * 100


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(CohortkitError, match="could not be written"):
        atomic_write(tmp_path / "no" / "a", b"x")


def test_a_folder_appears_whole(tmp_path):
    with atomic_folder(tmp_path / "out") as folder:
        (folder / "a").write_bytes(b"1")
        (folder / "sub").mkdir()
        (folder / "sub" / "b").write_bytes(b"2")
        assert not (tmp_path / "out").exists()
    assert content(tmp_path / "out") == {"a": b"1", "sub/b": b"2"}
    assert left_over(tmp_path) == []


def test_an_existing_folder_is_never_written_over(tmp_path):
    (tmp_path / "out").mkdir()
    built = []
    with pytest.raises(CohortkitError, match="exists already"), atomic_folder(tmp_path / "out"):
        built.append(1)
    assert built == []
    assert content(tmp_path / "out") == {}


def test_a_folder_that_appears_meanwhile_is_left_alone(tmp_path):
    def build() -> None:
        with atomic_folder(tmp_path / "out") as folder:
            (folder / "a").write_bytes(b"mine")
            (tmp_path / "out").mkdir()
            (tmp_path / "out" / "a").write_bytes(b"theirs")

    with pytest.raises(CohortkitError, match="exists already"):
        build()
    assert content(tmp_path / "out") == {"a": b"theirs"}
    assert left_over(tmp_path) == []


def test_an_error_while_building_leaves_nothing(tmp_path):
    def build() -> None:
        with atomic_folder(tmp_path / "out") as folder:
            (folder / "a").write_bytes(b"1")
            raise KeyError

    with pytest.raises(KeyError):
        build()
    assert list(tmp_path.iterdir()) == []


def put(target: Path, data: bytes) -> None:
    with atomic_folder(target, replace=True) as folder:
        atomic_write(folder / "a", data)


@pytest.mark.parametrize("n", range(1, 40))
def test_a_failing_call_leaves_the_old_folder_or_the_new_one(tmp_path, n):
    put(tmp_path / "out", b"old")
    try:
        with at_call(failing(n)):
            put(tmp_path / "out", b"new")
    except CohortkitError:
        pass
    recover_folder(tmp_path / "out")
    assert content(tmp_path / "out") in ({"a": b"old"}, {"a": b"new"})
    sweep(tmp_path, all_writers=True)
    assert left_over(tmp_path) == []


def test_old_folder_comes_back_after_a_kill_between_the_renames(tmp_path):
    put(tmp_path / "out", b"old")
    code = (
        "import os, signal, sys; from pathlib import Path\n"
        "from cohortkit.cohort.writing import atomic_folder\n"
        "rename = os.rename\n"
        "def dying(a, b):\n"
        "    rename(a, b)\n"
        "    if str(b).endswith('.old'): os.kill(os.getpid(), signal.SIGKILL)\n"
        "os.rename = dying\n"
        "with atomic_folder(sys.argv[1], replace=True) as f: (f / 'a').write_bytes(b'new')\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path / "out")], check=False)
    assert done.returncode == -signal.SIGKILL
    assert not (tmp_path / "out").exists()
    sweep(tmp_path)
    assert recover_folder(tmp_path / "out")
    assert content(tmp_path / "out") == {"a": b"old"}
    sweep(tmp_path)
    assert left_over(tmp_path) == []


def test_sweep_leaves_names_of_living_writers_and_of_others(tmp_path):
    other = tmp_path / "notes.partial"
    other.write_bytes(b"theirs")
    with atomic_folder(tmp_path / "out") as folder:
        assert sweep(tmp_path) == 0
        assert folder.is_dir()
    assert sweep(tmp_path, all_writers=True) == 0
    assert other.exists()


KILLED = """
import sys
from cohortkit.cohort.writing import atomic_write
data = [bytes([65 + k]) * 400_000 for k in range(2)]
k = 0
print("ready", flush=True)
while True:
    k = 1 - k
    atomic_write(sys.argv[1], data[k])
"""


def test_killed_writers_never_tear_a_file(tmp_path):
    path = tmp_path / "a.csv"
    path.write_bytes(b"A" * 400_000)
    kills = 15
    for n in range(kills):
        writer = subprocess.Popen(
            [sys.executable, "-c", KILLED, str(path)], stdout=subprocess.PIPE, cwd=ROOT
        )
        writer.stdout.readline()
        time.sleep(0.003 * n)
        writer.kill()
        writer.wait()
        writer.stdout.close()
        data = path.read_bytes()
        assert data in (b"A" * 400_000, b"B" * 400_000)
    sweep(tmp_path)
    assert left_over(tmp_path) == []
