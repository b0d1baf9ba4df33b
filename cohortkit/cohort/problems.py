"""Where problems are gathered: one row per record, column and code, none left out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortkit.cohort.parsing import Read
from cohortkit.cohort.reasons import printable, words
from cohortkit.cohort.source_files import Coded

COLUMNS = ("record", "column", "raw_value", "code", "severity", "reason", "next_step")


def _explained(read: Read) -> tuple[str, str, str]:
    return (read.code, *words(read.code, **read.facts)) if read.code else ("", "", "")


class Problems:
    """Problems by record number of the whole import."""

    def __init__(self) -> None:
        self._parts: list[pd.DataFrame] = []
        self._single: list[tuple[Any, ...]] = []

    def add(
        self,
        record: int,
        column: str,
        raw: str,
        found: Read,
        severity: str = "refuse",
    ) -> None:
        """One problem in the words of its code."""
        told = words(found.code, **found.facts)
        self.add_told(record, column, raw, found.code, severity, told)

    def add_told(
        self,
        record: int,
        column: str,
        raw: str,
        code: str,
        severity: str,
        told: tuple[str, str],
    ) -> None:
        """One problem with a reason and next step of its own."""
        self._single.append((record, column, printable(raw), code, severity, *told))

    def add_cells(
        self, records: NDArray[np.intp], column: str, coded: Coded, reads: list[Read], rows: Any
    ) -> NDArray[np.bool_]:
        """Problems of the cells of one column, and which of `rows` have one.

        Parameters
        ----------
        records
            Record number of the whole import for each of `rows`.
        column
            Source column.
        coded, reads
            The column, and what each of its distinct cells says.
        rows
            Records of the source concerned.
        """
        wrong = np.array([bool(read.code) for read in reads], dtype=bool)
        bad = wrong[coded.codes[rows]] if len(reads) else np.zeros(len(rows), dtype=bool)
        if bad.any():
            told = [_explained(read) for read in reads]
            shown = [printable(t) if w else "" for t, w in zip(coded.texts, wrong, strict=True)]
            code, reason, step, raw = (
                coded.taken(list(part), rows[bad]) for part in (*zip(*told, strict=True), shown)
            )
            parts = (records[bad], column, raw, code, "refuse", reason, step)
            self._parts.append(pd.DataFrame(dict(zip(COLUMNS, parts, strict=True))))
        return bad

    def frame(self) -> pd.DataFrame:
        """All of them; the same record, column and code once."""
        single = pd.DataFrame(self._single, columns=list(COLUMNS), dtype=object)
        whole = pd.concat([*self._parts, single], ignore_index=True)
        whole["record"] = whole["record"].astype("int64")
        return whole.drop_duplicates(["record", "column", "code"]).reset_index(drop=True)

    def refused(self, n: int) -> NDArray[np.bool_]:
        """True for each of the `n` records that has a refusing problem."""
        flags = np.zeros(n, dtype=bool)
        for part in self._parts:
            flags[part.loc[part["severity"] == "refuse", "record"].to_numpy(dtype=np.intp)] = True
        flags[[single[0] for single in self._single if single[4] == "refuse"]] = True
        return flags
