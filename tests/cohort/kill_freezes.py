"""Kill freezes at random points and check after each; run as a program.

Arguments: a folder, how many kills, a seed. Each freeze runs in a forked child
that kills itself with SIGKILL before a random system call.
"""

from __future__ import annotations

import json
import os
import random
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from cohortkit.cohort import release as release_module
from cohortkit.cohort.identity import IdCoding
from cohortkit.cohort.release import freeze, verify
from cohortkit.cohort.release_log import LOG, broken_lines
from cohortkit.cohort.release_parts import build_parts
from tests.cohort.clinics import two_clinics
from tests.cohort.faults import at_call, killing


def in_child(work: Callable[[], None]) -> int:
    """Run `work` in a forked child; its wait status."""
    pid = os.fork()
    if pid == 0:
        try:
            work()
        except BaseException:
            os._exit(1)
        os._exit(0)
    return os.waitpid(pid, 0)[1]


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def main(folder: Path, kills: int, seed: int) -> None:
    draw = random.Random(seed)
    pooled = two_clinics(2)
    place, keys = folder / "place", folder / "keys"
    place.mkdir()
    keys.mkdir()
    mode = "random" if seed % 2 == 0 else "hmac"

    def coding(n: object) -> IdCoding:
        """A code table or key of its own for every freeze, so that it is written each time."""
        return IdCoding.open(mode, keys / f"secret{n}")

    if mode == "hmac":  # only the writing can be torn, so the parts are made once
        parts = build_parts(pooled, coding("once"))
        release_module.build_parts = lambda pooled, ids: replace(parts, drawn=ids.draw([]))
    in_child(lambda: freeze(pooled, place / "old", ids=coding("old")) and None)
    old = contents(place / "old")

    def counted() -> None:
        with at_call(lambda n: (folder / "calls").write_text(str(n)) and None):
            freeze(pooled, place / "first", ids=coding("first"))

    in_child(counted)
    calls = int((folder / "calls").read_text())
    faults, killed = [], 0
    for k in range(kills):
        n = draw.randrange(1, calls + 1)

        def dying(n: int = n, k: int = k) -> None:
            with at_call(killing(n)):
                freeze(pooled, place / f"new{k}", ids=coding(k))

        killed += os.WIFSIGNALED(in_child(dying))
        new = place / f"new{k}"
        if contents(place / "old") != old:
            faults.append((n, "the old release changed"))
        if new.exists() and not verify(new, contents=False).ok:
            faults.append((n, "a torn release is visible"))
        if broken_lines((place / LOG).read_bytes()):
            faults.append((n, "the log is broken"))
        after = f"after{k}"
        if in_child(lambda after=after, k=k: freeze(pooled, place / after, ids=coding(k)) and None):
            faults.append((n, "the next freeze did not work"))
        elif not verify(place / after, contents=False).ok:
            faults.append((n, "the next freeze is not whole"))
        if [p.name for p in [*place.iterdir(), *keys.iterdir()] if ".partial" in p.name]:
            faults.append((n, "temporary names are left"))
    sys.stdout.write(json.dumps({"killed": killed, "calls": calls, "faults": faults}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
