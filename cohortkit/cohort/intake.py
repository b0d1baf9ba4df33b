"""What came of importing one clinic."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from cohortkit.errors import CohortkitError

PROVENANCE = {
    "table": "string",
    "key": "string",
    "site_id": "string",
    "source": "string",
    "file": "string",
    "file_sha256": "string",
    "sheet": "string",
    "line": "Int64",
}
PROBLEMS = {
    "site_id": "string",
    "source": "string",
    "file": "string",
    "sheet": "string",
    "line": "Int64",
    "column": "string",
    "raw_value": "string",
    "code": "string",
    "severity": "string",
    "reason": "string",
    "next_step": "string",
}
RECORDS = {
    "source": "string",
    "file": "string",
    "sheet": "string",
    "line": "Int64",
    "status": "string",
    "cells": "string",
    "file_sha256": "string",
    "correction_file": "string",
    "correction_sha256": "string",
    "history": "string",
}
CORRECTIONS = {
    "source": "string",
    "file": "string",
    "file_sha256": "string",
    "line": "Int64",
    "cells": "string",
    "correction_file": "string",
    "correction_sha256": "string",
    "state": "string",
}
COUNTS = {
    "site_id": "string",
    "source": "string",
    "file": "string",
    "read": "Int64",
    "accepted": "Int64",
    "refused": "Int64",
    "blank": "Int64",
}


@dataclass(frozen=True)
class Intake:
    """The records of one clinic, accepted and refused, with nothing left out.

    Parameters
    ----------
    site_id
        The clinic's code.
    tables
        Table name to typed accepted rows; all ten tables.
    provenance
        One line per row of a table and record that made it: table, key, site_id,
        source, file, file_sha256, sheet, line.
    problems
        One line per problem: site_id, source, file, sheet, line, column,
        raw_value, code, severity (``refuse`` or ``warning``), reason, next_step.
    records
        One line per physical record: source, file, sheet, line, status
        (``accepted``, ``refused`` or ``blank``), cells (JSON of the cells as they
        came, by column name), file_sha256; for a corrected record the correction's
        file and hash, and its earlier versions as JSON.
    counts
        Per source: site_id, source, file, read, accepted, refused, blank.
    corrections
        Every correction ever handed in, oldest first: source, file, file_sha256,
        line, cells (JSON), correction_file, correction_sha256, state (``applied``,
        or ``not_applied``: it was made for other bytes of the file, or the mapping
        reads the file otherwise now).
    notice
        A sentence of the mapping that has to stand on everything made from these
        data, or empty.
    """

    site_id: str
    tables: dict[str, pd.DataFrame]
    provenance: pd.DataFrame
    problems: pd.DataFrame
    records: pd.DataFrame
    counts: pd.DataFrame
    corrections: pd.DataFrame
    notice: str = ""


def bookkeeping(held: pd.DataFrame, types: dict[str, str]) -> pd.DataFrame:
    """A frame of the intake in its column order and types; absent text is empty, not missing."""
    frame = pd.DataFrame({name: held[name] for name in types})
    return frame.astype(types).reset_index(drop=True)


def no_corrections() -> pd.DataFrame:
    """The corrections of a clinic that has handed in none."""
    return bookkeeping(pd.DataFrame(columns=list(CORRECTIONS)), CORRECTIONS)


def check_accounts(intake: Intake) -> Intake:
    """The intake, if every record read is accepted, refused or blank, and counted once.

    Raises
    ------
    CohortkitError
        If a source does not add up, or a refused record has no reason, or one
        that is not refused has one.
    """
    counts = intake.counts
    apart = counts["read"] != counts["accepted"] + counts["refused"] + counts["blank"]
    listed = intake.records.groupby("source").size()
    apart |= counts["source"].map(listed).fillna(0) != counts["read"]
    place = ["source", "line"]
    reasons = intake.problems.loc[intake.problems["severity"] == "refuse", place]
    refused = intake.records.loc[intake.records["status"] == "refused", place]
    with_reason = set(reasons.itertuples(index=False, name=None))
    without = set(refused.itertuples(index=False, name=None)) ^ with_reason
    if apart.any() or without:
        raise CohortkitError(
            "The records of a clinic do not add up",
            where=f"site '{intake.site_id}'",
            found=f"sources {', '.join(counts.loc[apart, 'source'])}; "
            f"{len(without)} records whose status and reasons disagree",
            next_step="report this as a fault of the program, with the mapping file",
        )
    return intake
