"""Freeze a pool as a release, open it again, check it, compare two of them.

A release is a folder that is built under a temporary name, flushed to the disk and
renamed once. It is never overwritten. Its manifest is written last and holds the
hash of every file. New codes are kept just before the folder gets its name, so that
every code of a release can be traced and a refused one leaves none.
"""

from __future__ import annotations

import os
from pathlib import Path

from cohortkit.cohort.difference import ReleaseDiff, diff
from cohortkit.cohort.frozen_release import LazyTables, Release
from cohortkit.cohort.identity import IdCoding
from cohortkit.cohort.locking import writer_lock
from cohortkit.cohort.manifest import (
    MANIFEST,
    build_manifest,
    manifest_bytes,
    read_manifest,
    require_release,
)
from cohortkit.cohort.pooling import Pooled
from cohortkit.cohort.release_log import append_to_log, whole_log
from cohortkit.cohort.release_parts import Parts, build_parts
from cohortkit.cohort.verification import Verification, verify
from cohortkit.cohort.writing import atomic_folder, refuse_unmakeable
from cohortkit.errors import CohortkitError, ReleaseError
from cohortkit.tables.canonical import sha256

__all__ = [
    "Release",
    "ReleaseDiff",
    "Verification",
    "diff",
    "freeze",
    "open_release",
    "verify",
]


def freeze(pooled: Pooled, out: Path | str, *, ids: IdCoding) -> Release:
    """Write a pool as a release that cannot be altered unnoticed.

    Ids become codes, identifiers stop it, every row keeps its provenance. A line
    is added to ``releases.log`` beside the release.

    Parameters
    ----------
    pooled
        The clinics joined.
    out
        The folder to appear. Folders above it are made; it itself must not exist.
    ids
        How ids become codes, and where the site keeps what turns them back.

    Raises
    ------
    ReleaseError
        If the folder exists, could not be written, or would hold the code table or
        key. What was there is unchanged.
    IdentifierError
        If anything in the pool looks like a person's identifier.

    Notes
    -----
    A freeze that is refused leaves nothing behind, neither a code table or key nor a
    new code in it. Only a disk that fails in the last steps can leave new codes, or a
    line in the log, without a release; the next freeze works all the same.
    """
    target = Path(out)
    _refuse_place(target, ids)
    parts = build_parts(pooled, ids)
    manifest = manifest_bytes(
        build_manifest(
            parts.files, parts.rows, parts.sites, ids.mode, pooled.notices, parts.corrected
        )
    )
    try:
        if not target.parent.is_dir():
            target.parent.mkdir(parents=True, exist_ok=True)
        with writer_lock(target.parent):
            _write(target, parts, manifest)
    except ReleaseError:
        raise
    except CohortkitError as error:
        raise ReleaseError(
            error.what, where=error.where, found=error.found, next_step=error.next_step
        ) from error
    except OSError as error:
        raise ReleaseError(
            "The folder that is to hold the release cannot be made",
            where=str(target.parent),
            found=error.strerror or str(error),
            next_step="name a place that may be written to",
        ) from error
    return open_release(target, check=False)


def _refuse_place(target: Path, ids: IdCoding) -> None:
    if os.path.lexists(target):
        raise ReleaseError(
            "A release is never overwritten",
            where=str(target),
            next_step="name another folder; a changed pool is a new release",
        )
    place = target.resolve()
    if any((folder / MANIFEST).exists() for folder in place.parents):
        raise ReleaseError(
            "A release cannot lie inside another",
            where=str(target),
            next_step="name a folder beside the other release",
        )
    if place in ids.path.resolve().parents:
        raise ReleaseError(
            "The code table or key would lie inside the release",
            where=str(ids.path),
            next_step="keep it elsewhere, at the site",
        )
    refuse_unmakeable(target.parent, "the release")
    whole_log(target.parent)


def _write(target: Path, parts: Parts, manifest: bytes) -> None:
    """Write the folder, keep its codes, log it, and let it appear, in this order.

    The caller holds the writer's lock of the folder above.
    """
    with atomic_folder(target) as folder:
        for name, data in parts.files.items():
            place = folder / name
            if place.parent != folder and not place.parent.is_dir():
                os.mkdir(place.parent)
            _write_new(place, data)
        _write_new(folder / MANIFEST, manifest)
        read = read_manifest(folder)
        whole_log(target.parent)
        parts.drawn.keep(held=target.parent)
        append_to_log(
            target.parent,
            {
                "at": read["created_at"],
                "release": target.name,
                "release_hash": read["release_hash"],
                "manifest_sha256": sha256(manifest),
                "identity": read["identity"]["mode"],
            },
        )


def _write_new(path: Path, data: bytes) -> None:
    """Write a file of a folder that is flushed to the disk as a whole, before its rename."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
    try:
        view = memoryview(data)
        while view:
            view = view[os.write(handle, view) :]
    finally:
        os.close(handle)


def open_release(path: Path | str, check: bool = True) -> Release:
    """Open a release.

    Parameters
    ----------
    path
        Its folder.
    check
        True: compare every byte with the manifest first, as `verify` does. False:
        only the manifest, and each table when it is read.

    Raises
    ------
    ReleaseError
        If the folder is no release.
    IntegrityError
        If the release is not as it was frozen. Names every problem.
    """
    folder = Path(path)
    require_release(folder)
    if check:
        verify(folder).require(folder)
    manifest = read_manifest(folder)
    return Release(folder, manifest, LazyTables(folder, manifest))
