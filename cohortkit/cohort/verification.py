"""Is a release, byte for byte, what was frozen?"""

from __future__ import annotations

import json
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from cohortkit.cohort.manifest import (
    DESCRIPTOR,
    FILES,
    MANIFEST,
    read_manifest,
    require_release,
)
from cohortkit.cohort.parquet import from_parquet_bytes, table_from_parquet
from cohortkit.cohort.release_log import LOG, broken_lines, find_in_log
from cohortkit.errors import CohortkitError, IntegrityError
from cohortkit.tables.canonical import from_csv_bytes, sha256, to_csv_bytes
from cohortkit.tables.schema import TABLE_NAMES

_FOLDERS = ("tables",)
Problem = tuple[str, str, str]
"""File, problem and what was found."""


@dataclass(frozen=True)
class Verification:
    """What `verify` found.

    Parameters
    ----------
    ok
        True if every file is there, as frozen, and no other.
    problems
        Columns ``file, problem, detail``; empty if `ok`.
    release_hash
        As the manifest gives it; empty if the manifest itself cannot be trusted.
    manifest_sha256
        SHA-256 of the manifest's bytes, to be compared with the one published;
        empty like `release_hash`.
    logged
        True if a line of the log beside the release names this manifest. None if
        there is no log: then a table and the manifest that were rewritten together
        cannot be told from the original.
    """

    ok: bool
    problems: pd.DataFrame
    release_hash: str
    manifest_sha256: str = ""
    logged: bool | None = None

    def require(self, release: Path | str = "") -> None:
        """Stop unless the release (named in the message if given) is as frozen.

        Raises
        ------
        IntegrityError
            Names every problem.
        """
        if not self.ok:
            count = len(self.problems)
            said = "one problem" if count == 1 else f"{count} problems"
            raise IntegrityError(
                f"The release is not as it was frozen: {said}",
                where=(f"{release}: " if str(release) else "")
                + "; ".join(
                    f"{p['file']}: {p['problem']}" + (f" ({p['detail']})" if p["detail"] else "")
                    for p in self.problems.to_dict("records")
                ),
                next_step="restore the release from its archive",
            )


def verify(path: Path | str, *, contents: bool = True) -> Verification:
    """Compare every byte of a release folder with its manifest, and it with the log.

    Parameters
    ----------
    path
        The release folder. It may itself be reached through a link; nothing in it
        may be one.
    contents
        Also parse each Parquet file and compare it with its CSV.

    Returns
    -------
    Verification
        Names each file that was altered, is missing, was added or renamed, and
        each altered line of the log beside the release. Where a table's CSV was
        altered and its Parquet was not, the first line that differs is named. If
        the manifest itself is damaged, the other files are held against the hashes
        of ``datapackage.json``, and each Parquet file against its CSV.

    Raises
    ------
    ReleaseError
        If there is no such folder, or it is no release.
    """
    folder = Path(path)
    require_release(folder)
    try:
        manifest = read_manifest(folder)
    except CohortkitError as error:
        why = error.what + (f": {error.found}" if error.found else "")
        unusable = (MANIFEST, "altered or unusable", why)
        return _verification([unusable, *_without_manifest(folder, contents)])
    present, problems = _walk(folder)
    named: dict[str, Any] = manifest["files"]
    hashes = {name: sha256((folder / name).read_bytes()) for name in present}
    problems += _changed(folder, named, hashes)
    problems += _moved(named, hashes)
    if contents and not problems:
        problems += _unlike(folder)
    digest = sha256((folder / MANIFEST).read_bytes())
    logged, more = _in_log(folder, digest)
    return _verification(problems + more, str(manifest["release_hash"]), digest, logged)


def _verification(
    problems: list[Problem], release_hash: str = "", digest: str = "", logged: bool | None = None
) -> Verification:
    frame = pd.DataFrame(sorted(problems), columns=["file", "problem", "detail"], dtype=object)
    return Verification(not problems, frame.astype("string"), release_hash, digest, logged)


def _without_manifest(folder: Path, contents: bool) -> list[Problem]:
    """What can still be said of the other files, by the descriptor's hashes and by each other."""
    present, problems = _walk(folder)
    problems += [(n, "missing", "") for n in FILES if not os.path.lexists(folder / n)]
    problems += [(n, "added", "no part of a release") for n in present if n not in FILES]
    hashes = {name: sha256((folder / name).read_bytes()) for name in present}
    named = _by_descriptor(folder) if DESCRIPTOR in present else {}
    if DESCRIPTOR in present and not named:
        problems.append((DESCRIPTOR, "unreadable", "it names no hashes"))
    changed = _changed(folder, named, hashes)
    problems += [(n, f"unlike its hash in {DESCRIPTOR}", detail) for n, _, detail in changed]
    return problems + (_unlike(folder) if contents and not changed else [])


def _by_descriptor(folder: Path) -> dict[str, Any]:
    """Bytes and hash of each file as ``datapackage.json`` gives them; empty if it cannot be read."""
    try:
        resources = json.loads((folder / DESCRIPTOR).read_bytes())["resources"]
        return {
            r["path"]: {"bytes": r["bytes"], "sha256": r["hash"].removeprefix("sha256:")}
            for r in resources
            if r["path"] in FILES
        }
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def _walk(folder: Path) -> tuple[list[str], list[Problem]]:
    """Regular files below the folder but the manifest; links and devices are problems."""
    present: list[str] = []
    problems: list[Problem] = []
    for base in ("", *_FOLDERS):
        place = folder / base
        if base and (place.is_symlink() or not place.is_dir()):
            continue
        for entry in sorted(place.iterdir()):
            name = f"{base}/{entry.name}" if base else entry.name
            mode = entry.lstat().st_mode
            if stat.S_ISLNK(mode):
                problems.append((name, "symbolic link", "a release holds no links"))
            elif stat.S_ISDIR(mode):
                if name not in _FOLDERS:
                    problems.append((name, "added", "a folder"))
            elif not stat.S_ISREG(mode):
                problems.append((name, "added", "not a regular file"))
            elif name != MANIFEST:
                present.append(name)
    return present, problems


def _changed(folder: Path, named: dict[str, Any], hashes: dict[str, str]) -> list[Problem]:
    problems = []
    for name, digest in hashes.items():
        if name in named and digest != named[name]["sha256"]:
            size, frozen = (folder / name).stat().st_size, named[name]["bytes"]
            detail = f"{size} bytes, frozen were {frozen}" if size != frozen else "same length"
            at = _first_difference(folder, name, named, hashes)
            problems.append((name, "altered", detail + (f"; {at}" if at else "")))
    return problems


def _first_difference(
    folder: Path, name: str, named: dict[str, Any], hashes: dict[str, str]
) -> str:
    """Where a table's CSV departs from its untouched Parquet."""
    twin = name.removesuffix(".csv") + ".parquet"
    if name == twin or twin not in named or hashes.get(twin) != named[twin]["sha256"]:
        return ""
    frozen = _as_csv((folder / twin).read_bytes(), name).splitlines()
    found = (folder / name).read_bytes().splitlines()
    for line, (old, new) in enumerate(zip(frozen, found, strict=False), start=1):
        if old != new:
            return f"first differs in line {line}"
    return f"first differs in line {min(len(frozen), len(found)) + 1}"


def _as_csv(parquet: bytes, name: str) -> bytes:
    stem = name.removesuffix(".csv").removeprefix("tables/")
    if stem in TABLE_NAMES:
        return to_csv_bytes(table_from_parquet(parquet, stem), stem)
    return to_csv_bytes(from_parquet_bytes(parquet, name))


def _moved(named: dict[str, Any], hashes: dict[str, str]) -> list[Problem]:
    """Missing and added files; a missing file whose content has another name was renamed."""
    added = {name: digest for name, digest in hashes.items() if name not in named}
    problems = []
    for name, entry in named.items():
        if name in hashes:
            continue
        new = next((n for n, digest in added.items() if digest == entry["sha256"]), None)
        if new is None:
            problems.append((name, "missing", ""))
        else:
            problems.append((name, "renamed", f"now {new}"))
            del added[new]
    return problems + [(name, "added", "not named by the manifest") for name in added]


def _unlike(folder: Path) -> list[Problem]:
    """Tables whose Parquet does not hold what their CSV holds."""
    problems = []
    for stem in (*(f"tables/{name}" for name in TABLE_NAMES), "provenance"):
        if not all(_whole(folder / f"{stem}.{kind}") for kind in ("csv", "parquet")):
            continue
        csv = (folder / f"{stem}.csv").read_bytes()
        try:
            same = _as_csv((folder / f"{stem}.parquet").read_bytes(), f"{stem}.csv") == csv
            if stem.startswith("tables/"):
                from_csv_bytes(csv, stem.removeprefix("tables/"))
        except CohortkitError as error:
            problems.append((f"{stem}.parquet", "unreadable", error.what))
            continue
        if not same:
            problems.append((f"{stem}.parquet", "unlike its CSV", ""))
    return problems


def _whole(path: Path) -> bool:
    return path.is_file() and not path.is_symlink() and not path.parent.is_symlink()


def _in_log(folder: Path, digest: str) -> tuple[bool | None, list[Problem]]:
    """Whether the log beside the release names this manifest (None: no log), and its faults."""
    log = folder.resolve().parent / LOG
    if log.is_symlink() or not log.is_file():
        return None, []
    data = log.read_bytes()
    broken = broken_lines(data)
    if broken:
        return False, [(LOG, f"line {line} broken", why) for line, why in broken]
    if not find_in_log(data, digest):
        why = "a line was removed, or the folder is a copy"
        return False, [(LOG, "no line for this release", why)]
    return True, []
