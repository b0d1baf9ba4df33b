"""One writer at a time in a folder."""

from __future__ import annotations

import fcntl
import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from cohortkit.cohort.writing import sweep
from cohortkit.errors import CohortkitError

LOCK_NAME = ".cohortkit.lock"
"""File in a written folder that holds the writer's process id and machine."""


def _holder(handle: int) -> str:
    try:
        said = json.loads(os.pread(handle, 1000, 0))
        return f"process {int(said['pid'])} on {str(said['host'])[:100]}"
    except (ValueError, KeyError, TypeError, OSError):
        return "an unnamed process"


@contextmanager
def writer_lock(folder: str | os.PathLike[str]) -> Iterator[None]:
    """Hold the lock of `folder` while writing there.

    The lock is the system's (flock): it ends with the process, however that ends,
    so a left-over lock file never blocks. Temporary names of earlier writers are
    removed once the lock is held.

    Raises
    ------
    CohortkitError
        If another process holds the lock, or the lock file cannot be opened.
    """
    path = Path(folder) / LOCK_NAME
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise CohortkitError(
            "The folder cannot be locked for writing",
            where=str(folder),
            found=error.strerror or str(error),
            next_step="check that the folder exists and may be written to",
        ) from error
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise CohortkitError(
                "Another process is writing to this folder",
                where=str(folder),
                found=_holder(handle),
                next_step="wait until it has ended, or stop it, then run the command again",
            ) from error
        os.ftruncate(handle, 0)
        note = {"pid": os.getpid(), "host": socket.gethostname()}
        os.pwrite(handle, json.dumps(note).encode(), 0)
        sweep(folder, all_writers=True)
        yield
    finally:
        os.close(handle)
