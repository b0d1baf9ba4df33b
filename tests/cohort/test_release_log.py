"""The log: appended, chained, every edited or removed line named."""

from __future__ import annotations

import json
import multiprocessing
import time
from pathlib import Path

import pytest

from cohortkit.cohort.locking import writer_lock
from cohortkit.cohort.release_log import LOG, append_to_log, broken_lines, find_in_log
from cohortkit.errors import CohortkitError, ReleaseError


@pytest.fixture
def log(tmp_path):
    for n in range(6):
        append_to_log(tmp_path, {"release": f"r{n}", "manifest_sha256": f"{n:064d}"})
    return tmp_path / LOG


def test_lines_are_json_and_the_chain_is_whole(log):
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    assert [line["release"] for line in lines] == [f"r{n}" for n in range(6)]
    assert broken_lines(log.read_bytes()) == []
    assert broken_lines(b"") == []


def test_old_lines_stay_byte_for_byte(log):
    before = log.read_bytes()
    append_to_log(log.parent, {"release": "r6", "manifest_sha256": "0"})
    assert log.read_bytes().startswith(before)


@pytest.mark.parametrize("line", range(6))
@pytest.mark.parametrize("change", [('"r', '"x'), (": ", ":  "), ('"line"', '"Line"')])
def test_an_edited_line_is_named(log, line, change):
    lines = log.read_bytes().splitlines(keepends=True)
    lines[line] = lines[line].replace(*(part.encode() for part in change), 1)
    assert broken_lines(b"".join(lines))[0][0] == line + 1


@pytest.mark.parametrize("line", range(5))
def test_a_removed_line_is_named(log, line):
    lines = log.read_bytes().splitlines(keepends=True)
    del lines[line]
    number, why = broken_lines(b"".join(lines))[0]
    assert (number, why) == (line + 1, "a line before it was removed, added or edited")


@pytest.mark.parametrize("line", range(6))
def test_a_doubled_line_is_named(log, line):
    lines = log.read_bytes().splitlines(keepends=True)
    lines.insert(line, lines[line])
    assert broken_lines(b"".join(lines))[0][0] == line + 2


def test_exchanged_lines_are_named(log):
    lines = log.read_bytes().splitlines(keepends=True)
    lines[1], lines[2] = lines[2], lines[1]
    assert broken_lines(b"".join(lines))[0][0] == 2


def test_a_removed_last_line_leaves_its_release_unnamed(log):
    lines = log.read_bytes().splitlines(keepends=True)
    assert find_in_log(log.read_bytes(), f"{5:064d}")
    assert broken_lines(b"".join(lines[:-1])) == []
    assert not find_in_log(b"".join(lines[:-1]), f"{5:064d}")


def test_every_flipped_bit_is_found(log):
    data = log.read_bytes()
    for place in range(0, len(data), 7):
        flipped = bytearray(data)
        flipped[place] ^= 1 << (place % 8)
        assert broken_lines(bytes(flipped)), place


@pytest.mark.parametrize("junk", [b"{}\n", b"no json\n", b"[1]\n", b"\xff\n", b"\n"])
def test_lines_of_another_kind_are_named(junk):
    assert broken_lines(junk) == [(1, "the line is no entry of a log")]


def test_nothing_is_added_to_an_altered_log(log):
    log.write_bytes(log.read_bytes().replace(b'"r3"', b'"r9"'))
    before = log.read_bytes()
    with pytest.raises(ReleaseError, match=r"line 4\b"):
        append_to_log(log.parent, {"release": "r6", "manifest_sha256": "0"})
    assert log.read_bytes() == before


def write_entries(folder: Path, writer: int, n: int) -> None:
    for k in range(n):
        while True:
            try:
                with writer_lock(folder):
                    append_to_log(folder, {"release": f"{writer}-{k}", "manifest_sha256": "0"})
                break
            except CohortkitError:
                time.sleep(0.001)


def run_writers(folder: Path, writers: int, n: int) -> None:
    context = multiprocessing.get_context("spawn")
    processes = [context.Process(target=write_entries, args=(folder, w, n)) for w in range(writers)]
    for process in processes:
        process.start()
    for process in processes:
        process.join()
    data = (folder / LOG).read_bytes()
    assert broken_lines(data) == []
    names = {json.loads(line)["release"] for line in data.splitlines()}
    assert names == {f"{w}-{k}" for w in range(writers) for k in range(n)}


def test_writers_at_the_same_time_lose_no_entry(tmp_path):
    run_writers(tmp_path, 2, 20)


@pytest.mark.long
def test_eight_writers_of_two_hundred_entries_lose_none(tmp_path):
    run_writers(tmp_path, 8, 200)
