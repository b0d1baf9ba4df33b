"""Rows against one another by key: repeats that count once, duplicates, conflicts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortkit.cohort.blocks import Candidates
from cohortkit.cohort.ledger import Ledger
from cohortkit.cohort.parsing import Read
from cohortkit.cohort.problems import Problems
from cohortkit.cohort.row_keys import row_keys
from cohortkit.tables.schema import table


@dataclass
class KeyedRows:
    """The distinct rows of one table, and which records carry each.

    Parameters
    ----------
    name
        The table.
    candidates
        All rows made, m of them.
    keys
        Key text of each candidate; missing if a part of it is. Shape (m,).
    row
        For each candidate the candidate that stands for it: itself, or the
        identical one that came first. Shape (m,).
    standing
        Candidates that stand for themselves and clash with no other, rising.
    """

    name: str
    candidates: Candidates
    keys: pd.Series
    row: NDArray[np.intp]
    standing: NDArray[np.intp]


class _Report:
    """Says which records clash, with the cells of their keys as they came."""

    def __init__(
        self, name: str, candidates: Candidates, ledger: Ledger, problems: Problems
    ) -> None:
        self._name = name
        self._candidates = candidates
        self._ledger = ledger
        self._problems = problems
        key = table(name).primary_key
        self._columns = [
            tuple(dict.fromkeys(c for k in key for c in read_from.get(k, ())))
            for read_from in candidates.read_from
        ]

    def _add(self, record: int, candidate: int, key: str, found: Read) -> None:
        columns = self._columns[self._candidates.cells[candidate]]
        column = ", ".join(columns or table(self._name).primary_key)
        self._problems.add(record, column, self._ledger.raw(record, columns) or key, found)

    def conflicts(self, held: pd.DataFrame) -> None:
        """Every record of a key that stands with several contents."""
        key_name = " + ".join(table(self._name).primary_key)
        for key, group in held.groupby("key", sort=False):
            records, candidates = group["record"].tolist(), group["candidate"].tolist()
            places = {r: self._ledger.place(r) for r in sorted(set(records))}
            for record, candidate in zip(records, candidates, strict=True):
                others = [p for r, p in places.items() if r != record]
                where = ", ".join(others) or f"{places[record]} itself"
                facts = {"key": f"{key_name} '{key}'", "places": where}
                self._add(record, candidate, str(key), Read(code="key_conflict", facts=facts))

    def duplicates(self, held: pd.DataFrame) -> None:
        """Every record but the first that says the same, where no block repeats by design."""
        first: dict[str, int] = {}
        columns = [held[name].tolist() for name in ("key", "record", "candidate")]
        for key, record, candidate in zip(*columns, strict=True):
            earlier = first.setdefault(key, record)
            if earlier == record:
                continue
            file, line = self._ledger.places[earlier]
            found = Read(code="duplicate_record", facts={"line": line, "file": file})
            self._add(record, candidate, key, found)


def keyed(name: str, candidates: Candidates, ledger: Ledger, problems: Problems) -> KeyedRows:
    """Find repeats, duplicates and conflicts among the rows of one table.

    Rows with a cell that could not be read stand for themselves and are not
    compared: their record is refused already.

    Parameters
    ----------
    name, candidates
        The table and its rows.
    ledger
        The records of the import.
    problems
        Where duplicates (the later record) and conflicts (every record) go.
    """
    frame = candidates.frame
    row = np.arange(len(frame))
    if not len(frame):
        return KeyedRows(name, candidates, pd.Series([], dtype="string"), row, row)
    keys = row_keys(frame, name)
    comparable = np.flatnonzero(~candidates.any_bad & keys.notna().to_numpy())
    standing = row[candidates.any_bad | keys.isna().to_numpy()]
    held = pd.DataFrame(
        {
            "candidate": comparable,
            "record": candidates.record[comparable],
            "repeats": candidates.repeats[comparable],
            "key": keys.iloc[comparable].astype(object).to_numpy(),
        }
    )
    shared = held["key"].duplicated(keep=False).to_numpy()
    if not shared.any():
        return KeyedRows(name, candidates, keys, row, row)
    alone = held.loc[~shared, "candidate"].to_numpy()
    several = held[shared].reset_index(drop=True)
    content = frame.iloc[several["candidate"]].reset_index(drop=True)
    grouped = content.groupby(list(content.columns), dropna=False, sort=False)
    several["content"] = grouped.ngroup() if len(content) else 0
    several["contents"] = several.groupby("key", sort=False)["content"].transform("nunique")
    report = _Report(name, candidates, ledger, problems)
    clash = several["contents"] > 1
    report.conflicts(several[clash])
    same = several[~clash]
    report.duplicates(same[~same["repeats"]])
    first = same.drop_duplicates("key").set_index("key")["candidate"]
    row[same["candidate"].to_numpy(dtype=np.intp)] = first.reindex(same["key"]).to_numpy(np.intp)
    standing = np.sort(np.concatenate([standing, alone, first.to_numpy(np.intp)]))
    return KeyedRows(name, candidates, keys, row, standing.astype(np.intp))
