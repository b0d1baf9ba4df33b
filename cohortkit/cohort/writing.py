"""Whole files or none: writing that a crash, a full disk or a second writer cannot tear.

Everything is built under a temporary name beside its target, flushed to the disk, and
renamed once. A killed writer leaves temporary names behind; the next one removes them.
Network file systems promise less about renames and locks than local ones do.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import secrets
import shutil
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from cohortkit.errors import CohortkitError, ReleaseError

_HOST = hashlib.sha256(socket.gethostname().encode()).hexdigest()[:8]
_TEMPORARY = re.compile(
    r"\..{1,40}~[0-9a-f]{8}\.(?P<host>[0-9a-f]{8})-(?P<pid>\d+)-[0-9a-f]{8}\.(?P<kind>partial|old)",
    re.DOTALL,
)


def _stem(target: Path) -> str:
    digest = hashlib.sha256(os.fsencode(target.name)).hexdigest()[:8]
    return f".{target.name[:40]}~{digest}"


def _sibling(target: Path, kind: str) -> Path:
    return target.with_name(f"{_stem(target)}.{_HOST}-{os.getpid()}-{secrets.token_hex(4)}.{kind}")


def _failed(what: str, target: Path, error: OSError) -> CohortkitError:
    full = error.errno in (errno.ENOSPC, errno.EDQUOT)
    return CohortkitError(
        what,
        where=str(target),
        found=error.strerror or str(error),
        next_step="free space on the disk and run the command again"
        if full
        else "check that the folder exists and may be written to, then run the command again",
    )


def refuse_unmakeable(folder: Path, holds: str) -> None:
    """Stop, before anything is made, at a folder that could not be made or written to.

    Parameters
    ----------
    folder
        The folder, there or not.
    holds
        What it is to hold, for the message.

    Raises
    ------
    ReleaseError
        If the folder, or the nearest one above it that is there, is none or is locked.
    """
    nearest = next(place for place in (folder, *folder.parents) if os.path.lexists(place))
    found = "" if os.access(nearest, os.W_OK | os.X_OK) else "it may not be written to"
    if not nearest.is_dir():
        found = "no folder"
    if found:
        raise ReleaseError(
            f"The folder that is to hold {holds} cannot be made or written to",
            where=str(nearest),
            found=found,
            next_step="name a place that may be written to",
        )


def sync_folder(folder: Path) -> None:
    """Ask the system to keep the names in `folder` through a power loss."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _sync_tree(folder: Path) -> None:
    for place, _, names in os.walk(folder, topdown=False):
        for name in names:
            handle = os.open(Path(place) / name, os.O_RDONLY | os.O_NOFOLLOW)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
        sync_folder(Path(place))


def _write_all(handle: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(handle, view) :]


def atomic_write(path: str | os.PathLike[str], data: bytes, *, mode: int = 0o644) -> Path:
    """Write a file so that its name holds the old bytes or all the new ones.

    Parameters
    ----------
    path
        The file. Its folder must exist.
    data
        The whole content.
    mode
        Permission bits, less the umask. 0o600 for secrets.

    Returns
    -------
    pathlib.Path
        The file written.

    Raises
    ------
    CohortkitError
        If anything could not be written. A file that stood there before the new
        one was in place is untouched.
    """
    target = Path(path)
    temporary = _sibling(target, "partial")
    try:
        handle = os.open(
            temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, mode
        )
        try:
            _write_all(handle, data)
            os.fsync(handle)
        finally:
            os.close(handle)
        os.replace(temporary, target)
        sync_folder(target.parent)
    except BaseException as error:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise _failed("A file could not be written", target, error) from error
        raise
    return target


def _exists(target: Path) -> CohortkitError:
    return CohortkitError(
        "The folder to be written exists already, and is left as it is",
        where=str(target),
        next_step="choose another name, or move the old folder away",
    )


def _stale(folder: Path, kind: str, target: Path) -> list[Path]:
    prefix = _stem(target) + "."
    return sorted(
        entry
        for entry in folder.iterdir()
        if entry.name.startswith(prefix)
        and (found := _TEMPORARY.fullmatch(entry.name))
        and found["kind"] == kind
    )


def recover_folder(target: str | os.PathLike[str]) -> bool:
    """Put the old folder back if a replacing writer was killed between its two renames.

    Returns
    -------
    bool
        True if something was put back.

    Raises
    ------
    CohortkitError
        If the old folder could not be renamed.
    """
    target = Path(target)
    if os.path.lexists(target) or not target.parent.is_dir():
        return False
    old = _stale(target.parent, "old", target)
    if not old:
        return False
    try:
        os.rename(old[-1], target)
        sync_folder(target.parent)
    except OSError as error:
        raise _failed("An interrupted replacement could not be undone", target, error) from error
    return True


def _put_in_place(built: Path, target: Path, replace: bool) -> None:
    if not os.path.lexists(target):
        os.rename(built, target)
        sync_folder(target.parent)
        return
    if not replace:
        raise _exists(target)
    old = _sibling(target, "old")
    os.rename(target, old)
    try:
        os.rename(built, target)
    except OSError:
        os.rename(old, target)
        raise
    sync_folder(target.parent)
    shutil.rmtree(old, ignore_errors=True)


@contextmanager
def atomic_folder(target: str | os.PathLike[str], *, replace: bool = False) -> Iterator[Path]:
    """Build a folder under a temporary name and rename it once it is whole.

    Parameters
    ----------
    target
        The folder to appear. Its parent must exist.
    replace
        False: a folder of that name is an error, before anything is built. True:
        the old folder is moved aside, the new one takes its name, the old one is
        deleted. If the program is killed in between, the next call of this
        function or of `recover_folder` puts the old folder back.

    Yields
    ------
    pathlib.Path
        The folder to write into.

    Raises
    ------
    CohortkitError
        If the folder exists, or could not be built. The target is then as it was.
    """
    target = Path(target)
    recover_folder(target)
    if os.path.lexists(target) and not replace:
        raise _exists(target)
    building = _sibling(target, "partial")
    try:
        os.mkdir(building)
        yield building
        _sync_tree(building)
        _put_in_place(building, target, replace)
    except BaseException as error:
        shutil.rmtree(building, ignore_errors=True)
        if isinstance(error, OSError):
            raise _failed("A folder could not be written", target, error) from error
        raise


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _kept_for_recovery(entry: Path, kind: str) -> bool:
    """An old folder whose target is absent is the only good copy."""
    if kind != "old":
        return False
    stem = entry.name.rsplit(".", 2)[0]
    return not any(_stem(other) == stem for other in entry.parent.iterdir())


def sweep(folder: str | os.PathLike[str], *, all_writers: bool = False) -> int:
    """Remove temporary names that killed writers left in `folder`.

    Parameters
    ----------
    folder
        Where to look; folders below are not searched.
    all_writers
        False: only names of this machine whose process is gone. True: every
        temporary name, for a caller that holds the writer's lock of this folder.

    Returns
    -------
    int
        How many were removed.
    """
    removed = 0
    for entry in sorted(Path(folder).iterdir()):
        found = _TEMPORARY.fullmatch(entry.name)
        if found is None or _kept_for_recovery(entry, found["kind"]):
            continue
        gone = found["host"] == _HOST and not _alive(int(found["pid"]))
        if not (all_writers or gone):
            continue
        if entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry, ignore_errors=True)
        else:
            with suppress(OSError):
                entry.unlink()
        removed += not os.path.lexists(entry)
    return removed
