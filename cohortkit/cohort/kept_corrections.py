"""Corrections that the pool keeps, and puts in place again at the next import of the same file."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import pandas as pd

from cohortkit.cohort.corrections import handed_out, replace_record
from cohortkit.cohort.intake import CORRECTIONS, bookkeeping
from cohortkit.cohort.source_files import SURPLUS, SourceData

APPLIED = "applied"
NOT_APPLIED = "not_applied"
"""States of a kept correction. The second: its file has other bytes now, or is read otherwise."""


def put_back(sources: Sequence[SourceData], kept: pd.DataFrame) -> pd.DataFrame:
    """Put kept corrections in the place of the lines they were made for.

    Parameters
    ----------
    sources
        The clinic's sources; changed in place.
    kept
        Columns of ``Intake.corrections``, in the order in which they were made.

    Returns
    -------
    pandas.DataFrame
        Those that found no line of the very file they were made for, or one with
        other headings.
    """
    places = {
        (source.spec.name, source.sha256, int(line)): (source, record)
        for source in sources
        for record, line in enumerate(source.lines)
    }
    left = []
    for row in kept.astype(object).to_dict("records"):
        place = places.get((row["source"], row["file_sha256"], int(row["line"])))
        named = json.loads(row["cells"])
        headers = [name for name in named if not name.startswith(SURPLUS)]
        if place is None or set(headers) != set(place[0].headers):
            left.append(row | {"state": NOT_APPLIED})
            continue
        source, record = place
        by = (row["correction_file"], row["correction_sha256"])
        replace_record(source, record, handed_out(named, source.headers), by)
    return bookkeeping(pd.DataFrame(left, columns=list(CORRECTIONS)), CORRECTIONS)


def to_keep(sources: Sequence[SourceData], left: pd.DataFrame) -> pd.DataFrame:
    """Every correction in place, line by line in the order they were made, and those left over."""
    rows = [
        {
            "source": source.spec.name,
            "file": source.spec.file,
            "file_sha256": source.sha256,
            "line": int(source.lines[record]),
            "cells": json.dumps(version["cells"], ensure_ascii=True),
            "correction_file": version["file"],
            "correction_sha256": version["file_sha256"],
            "state": APPLIED,
        }
        for source in sources
        for record in sorted(source.history)
        for version in _versions(source, record)
    ]
    made = bookkeeping(pd.DataFrame(rows, columns=list(CORRECTIONS)), CORRECTIONS)
    return pd.concat([made, left], ignore_index=True)


def _versions(source: SourceData, record: int) -> list[dict[str, Any]]:
    """A corrected record's versions without the clinic's own."""
    file, digest = source.corrections[record]
    now = {"file": file, "file_sha256": digest, "cells": source.as_named(record)}
    return [*source.history[record][1:], now]
