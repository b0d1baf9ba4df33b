"""An intake on disk: written whole, left alone when nothing changed, checked when read."""

from __future__ import annotations

import io
import json
import os
from pathlib import Path

import pandas as pd

from cohortkit.cohort.intake import (
    CORRECTIONS,
    COUNTS,
    PROBLEMS,
    PROVENANCE,
    RECORDS,
    Intake,
    bookkeeping,
    no_corrections,
)
from cohortkit.cohort.locking import writer_lock
from cohortkit.cohort.writing import atomic_folder, atomic_write, recover_folder
from cohortkit.errors import CohortkitError, IntegrityError
from cohortkit.tables.canonical import from_csv_bytes, sha256, to_csv_bytes
from cohortkit.tables.schema import SCHEMA_VERSION, TABLE_NAMES

MANIFEST = "intake.json"
_UNREADABLE = "it does not read as the list of files that an import writes"
_BOOKS = {
    "provenance": PROVENANCE,
    "problems": PROBLEMS,
    "records": RECORDS,
    "counts": COUNTS,
    "corrections": CORRECTIONS,
}


def _files(intake: Intake) -> dict[str, bytes]:
    files = {f"{name}.csv": to_csv_bytes(intake.tables[name], name) for name in TABLE_NAMES}
    for name, types in _BOOKS.items():
        frame = bookkeeping(getattr(intake, name), types)
        files[f"{name}.csv"] = to_csv_bytes(frame)
    about = {
        "site_id": intake.site_id,
        "schema_version": SCHEMA_VERSION,
        "notice": intake.notice,
        "files": {name: sha256(data) for name, data in sorted(files.items())},
    }
    files[MANIFEST] = (json.dumps(about, indent=2, ensure_ascii=False) + "\n").encode("utf-8")
    return files


def _same(folder: Path, files: dict[str, bytes]) -> bool:
    try:
        there = {entry.name for entry in folder.iterdir()}
        return there == set(files) and all(
            (folder / name).read_bytes() == data for name, data in files.items()
        )
    except OSError:
        return False


def write_intake(intake: Intake, folder: str | os.PathLike[str]) -> str:
    """Write an intake to a folder of its own.

    Parameters
    ----------
    intake
        The import of one clinic.
    folder
        Becomes the intake's folder; folders above it are made. An earlier intake
        there is replaced as a whole.

    Returns
    -------
    str
        ``written``, ``replaced``, or ``unchanged`` if the same bytes were there
        already and were left as they are.

    Raises
    ------
    CohortkitError
        If the folder is not an intake of this site, or could not be written; it
        is then as it was.
    """
    folder = Path(folder)
    files = _files(intake)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CohortkitError(
            "The folder of the pool cannot be made",
            where=str(folder.parent),
            found=error.strerror or str(error),
            next_step="name a folder that can be written to",
        ) from error
    with writer_lock(folder.parent):
        recover_folder(folder)
        if not os.path.lexists(folder):
            state = "written"
        elif _same(folder, files):
            return "unchanged"
        else:
            _check_replaceable(folder, intake.site_id)
            state = "replaced"
        with atomic_folder(folder, replace=state == "replaced") as building:
            for name, data in files.items():
                atomic_write(building / name, data)
    return state


def _check_replaceable(folder: Path, site_id: str) -> None:
    """Only an earlier intake of the same clinic is replaced."""
    try:
        about = json.loads((folder / MANIFEST).read_bytes())
        if about["site_id"] == site_id:
            return
        found = f"the import of site '{about['site_id']}'"
    except (OSError, ValueError, KeyError, TypeError):
        found = "no imported clinic"
    raise CohortkitError(
        "The folder holds something else and is left as it is",
        where=str(folder),
        found=found,
        next_step="name another folder for the pool, or move away what is there",
    )


def _damaged(path: Path, found: str) -> IntegrityError:
    return IntegrityError(
        "An imported clinic's file is not as it was written",
        where=str(path),
        found=found,
        next_step="import the clinic again with its mapping file",
    )


def _read(folder: Path, name: str) -> bytes:
    try:
        return (folder / name).read_bytes()
    except OSError as error:
        raise _damaged(folder / name, error.strerror or str(error)) from error


def _book(data: bytes, types: dict[str, str]) -> pd.DataFrame:
    frame = pd.read_csv(
        io.BytesIO(data), dtype=str, na_filter=False, skip_blank_lines=False, lineterminator="\n"
    )
    return bookkeeping(frame, types)


def read_intake(folder: str | os.PathLike[str]) -> Intake:
    """Read an intake that `write_intake` wrote.

    Raises
    ------
    IntegrityError
        If a file is absent, was added, or has other bytes than were written.
    """
    folder = Path(folder)
    recover_folder(folder)
    try:
        about = json.loads(_read(folder, MANIFEST))
        expected, site_id = dict(about["files"]), str(about["site_id"])
        notice = str(about.get("notice", ""))
    except (ValueError, KeyError, TypeError) as error:
        raise _damaged(folder / MANIFEST, _UNREADABLE) from error
    wanted = {*(f"{n}.csv" for n in (*TABLE_NAMES, *_BOOKS))}
    there = {entry.name for entry in folder.iterdir()} - {MANIFEST}
    odd = sorted((wanted ^ there) | (wanted ^ set(expected)))
    if odd:
        raise _damaged(folder, f"absent, added or unnamed: {', '.join(odd)}")
    data = {name: _read(folder, name) for name in sorted(wanted)}
    for name, content in data.items():
        if sha256(content) != expected[name]:
            raise _damaged(folder / name, "other bytes than its hash says")
    books = {name: _book(data[f"{name}.csv"], types) for name, types in _BOOKS.items()}
    tables = {name: from_csv_bytes(data[f"{name}.csv"], name) for name in TABLE_NAMES}
    return Intake(site_id=site_id, tables=tables, notice=notice, **books)


def read_corrections(folder: str | os.PathLike[str]) -> pd.DataFrame:
    """The corrections that an intake on disk keeps; none if there is no intake.

    Returns
    -------
    pandas.DataFrame
        ``Intake.corrections`` of the intake in `folder`.

    Raises
    ------
    IntegrityError
        If their file has other bytes than were written.
    """
    folder = Path(folder)
    recover_folder(folder)
    name = "corrections.csv"
    try:
        about = json.loads((folder / MANIFEST).read_bytes())
        expected = dict(about["files"]).get(name)
        data = (folder / name).read_bytes() if expected else b""
    except FileNotFoundError:
        expected, data = None, b""
        if (folder / MANIFEST).exists():
            raise _lost(folder / name, "it is missing") from None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise _lost(folder / MANIFEST, _UNREADABLE) from error
    if expected is None:
        return no_corrections()
    if sha256(data) != expected:
        raise _lost(folder / name, "other bytes than its hash says")
    return _book(data, CORRECTIONS)


def _lost(path: Path, found: str) -> IntegrityError:
    return IntegrityError(
        "The corrections that the pool keeps cannot be read",
        where=str(path),
        found=found,
        next_step="restore the pool from its copy, or import with --forget-corrections and hand "
        "in the corrected files again",
    )
