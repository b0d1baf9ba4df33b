"""The log beside the releases of a folder: one JSON line per freeze, chained by hash.

A line holds the hash of the line before it and of itself, so an edited, removed or
inserted line breaks the chain at a line that can be named. Removing the last lines
leaves a whole chain; then the releases they named are no longer in the log, which
`find_in_log` says. The log holds no id and no secret.

The line is written before the release's folder gets its name. A crash in between
leaves a line without a folder, never a folder without a line.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from cohortkit.cohort.writing import atomic_write
from cohortkit.errors import ReleaseError
from cohortkit.tables.canonical import sha256

LOG = "releases.log"
_START = "0" * 64


def append_to_log(folder: Path, entry: Mapping[str, Any]) -> None:
    """Add a line for a release. The caller holds the writer's lock of `folder`.

    Raises
    ------
    ReleaseError
        If the log was altered; it is left as it is.
    """
    path = folder / LOG
    old = whole_log(folder)
    lines = old.splitlines()
    body = dict(entry) | {
        "line": len(lines) + 1,
        "previous": sha256(lines[-1]) if lines else _START,
    }
    atomic_write(path, old + _line(body | {"line_sha256": sha256(_line(body))}))


def whole_log(folder: Path) -> bytes:
    """Bytes of the log of a folder; empty if there is none.

    Raises
    ------
    ReleaseError
        If the log was altered.
    """
    path = folder / LOG
    old = path.read_bytes() if path.exists() else b""
    broken = broken_lines(old)
    if broken:
        raise ReleaseError(
            "The log of releases was altered, so nothing is added to it",
            where=f"{path}, line {broken[0][0]}",
            found=broken[0][1],
            next_step="restore the log from its archive, or move it away and begin a new one",
        )
    return old


def _line(body: Mapping[str, Any]) -> bytes:
    return (json.dumps(body, sort_keys=True, ensure_ascii=True) + "\n").encode("ascii")


def broken_lines(data: bytes) -> list[tuple[int, str]]:
    """Line number and what is wrong with it, for each line that breaks the chain."""
    found = []
    previous = _START
    for number, line in enumerate(data.splitlines(keepends=True), start=1):
        wrong = _wrong(line, number, previous)
        if wrong:
            found.append((number, wrong))
        previous = sha256(line.removesuffix(b"\n"))
    return found


def _wrong(line: bytes, number: int, previous: str) -> str:
    try:
        body = json.loads(line)
        own = body.pop("line_sha256")
    except (ValueError, KeyError, AttributeError, TypeError, RecursionError):
        return "the line is no entry of a log"
    if line != _line(body | {"line_sha256": own}) or own != sha256(_line(body)):
        return "the line was edited"
    if body.get("previous") != previous or body.get("line") != number:
        return "a line before it was removed, added or edited"
    return ""


def find_in_log(data: bytes, manifest_sha256: str) -> bool:
    """Whether a line of an unbroken log names the release with this manifest."""
    return any(
        json.loads(line).get("manifest_sha256") == manifest_sha256 for line in data.splitlines()
    )
