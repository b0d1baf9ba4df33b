"""The refused records of a clinic as files that people read, correct and hand back."""

from __future__ import annotations

import csv
import io
import json
import os
from pathlib import Path

import pandas as pd

from cohortkit.cohort.corrections import (
    HASH_DIGITS,
    OWN_COLUMNS,
    file_prefix,
    guarded,
    handed_out,
)
from cohortkit.cohort.intake import Intake
from cohortkit.cohort.locking import writer_lock
from cohortkit.cohort.mapping_parts import INLINE_SOURCE
from cohortkit.cohort.source_files import SURPLUS
from cohortkit.cohort.writing import atomic_write
from cohortkit.errors import CohortkitError


def _csv(header: list[str], rows: list[list[str]]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, quoting=csv.QUOTE_ALL, lineterminator="\n")
    writer.writerow([guarded(h) for h in header])
    writer.writerows([guarded(cell) for cell in row] for row in rows)
    return text.getvalue().encode("utf-8")


def _problem_rows(problems: pd.DataFrame) -> list[list[str]]:
    return problems.astype("string").fillna("").astype(object).to_numpy().tolist()


def _to_correct(intake: Intake, source: str) -> bytes | None:
    """The refused records of one source under their own headers; None if there are none."""
    held = intake.records[intake.records["source"] == source]
    refused = held[held["status"] == "refused"]
    if refused.empty or source == INLINE_SOURCE:
        return None
    mine = intake.problems[intake.problems["source"] == source]
    told: dict[int, list[str]] = {}
    names = ("line", "column", "raw_value", "reason", "next_step")
    for line, column, raw, reason, step in zip(*(mine[n].tolist() for n in names), strict=True):
        place, cell = (f"{column}: ", "") if column else ("", f" [{raw}]")
        told.setdefault(int(line), []).append(f"{place}{reason}. {step}{cell}")
    cells = [json.loads(text) for text in refused["cells"]]
    headers = [h for h in cells[0] if not h.startswith(SURPLUS)]
    rows = []
    lines = zip(refused["line"], refused["file_sha256"], cells, strict=True)
    for line, digest, named in lines:
        *shown, surplus = handed_out(named, headers)
        own = (surplus, str(line), " | ".join(told.get(int(line), [])), digest[:HASH_DIGITS])
        rows.append([*shown, *own])
    return _csv([*headers, *OWN_COLUMNS], rows)


def write_refused(intake: Intake, folder: str | os.PathLike[str]) -> list[Path]:
    """Write what was refused or remarked on, for the clinic.

    Files
    -----
    ``<site>_problems.csv``
        One line per problem; always written.
    ``<site>__<source>__to_correct.csv``
        Refused records as they came, with the columns ``cohortkit_surplus``,
        ``cohortkit_line``, ``cohortkit_problems`` and ``cohortkit_file``. Correct
        the cells in a copy, keep the last three, and hand the folder of copies to
        `import_clinic`. Only written for sources with refused records; an old one
        is removed. A cell that a short record does not have says ``(no cell)``;
        cells beyond the header stand in ``cohortkit_surplus`` as a JSON list.

    All are UTF-8 with every field quoted. A cell that a spreadsheet program would
    take for a formula has an apostrophe before it.

    Returns
    -------
    list of pathlib.Path
        The files written.

    Raises
    ------
    CohortkitError
        If a file cannot be written.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CohortkitError(
            "The folder for refused records cannot be made",
            where=str(folder),
            found=error.strerror or str(error),
            next_step="name a folder that can be written to",
        ) from error
    name = f"{intake.site_id}_problems.csv"
    with writer_lock(folder):
        problems = _csv(list(intake.problems.columns), _problem_rows(intake.problems))
        written = [atomic_write(folder / name, problems)]
        for source in intake.counts["source"]:
            path = folder / f"{file_prefix(intake.site_id, source)}to_correct.csv"
            data = _to_correct(intake, source)
            if data is not None:
                written.append(atomic_write(path, data))
            elif path.is_file():
                path.unlink()
    return written
