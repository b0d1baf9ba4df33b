"""Which records stand: rules, parents, and whole records, until nothing changes any more.

A record stands or falls with all its rows. A row whose parent fell falls too, and with it
its record, which may be the parent of others.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortkit.cohort.blocks import Candidates
from cohortkit.cohort.keys import KeyedRows
from cohortkit.cohort.ledger import Ledger
from cohortkit.cohort.parsing import Read
from cohortkit.cohort.problems import Problems
from cohortkit.tables.rules import judge
from cohortkit.tables.schema import TABLE_NAMES, table

_OWN_CHECKS = ("primary_key_unique", "foreign_key_found")
"""Rules that the import answers itself, with file and line of the other record."""


class Settlement:
    """Decides which records stand.

    Parameters
    ----------
    keyed
        Distinct rows of every table.
    ledger
        The records.
    problems
        What is known so far; what is found here is added.
    """

    def __init__(self, keyed: dict[str, KeyedRows], ledger: Ledger, problems: Problems) -> None:
        self._keyed = keyed
        self._ledger = ledger
        self._problems = problems
        self._refused = np.zeros(len(ledger), dtype=bool)

    def run(self) -> NDArray[np.bool_]:
        """Judge and cascade to a fixed point.

        Returns
        -------
        numpy.ndarray
            True for every record that is refused, shape (n,).
        """
        self._judge(self._first_of_each_key())
        self._refused |= self._problems.refused(len(self._refused))
        while True:
            self._cascade()
            if not self._refused.any():
                break
            before = int(self._refused.sum())
            self._judge({name: self.accepted_rows(name) for name in TABLE_NAMES})
            self._refused |= self._problems.refused(len(self._refused))
            if int(self._refused.sum()) == before:
                break
        self._name_parents()
        return self._refused

    def accepted_rows(self, name: str) -> NDArray[np.intp]:
        """Candidates of a table that stand and are carried by a record that stands."""
        keyed = self._keyed[name]
        carried = np.zeros(len(keyed.row), dtype=bool)
        carried[keyed.row[~self._refused[keyed.candidates.record]]] = True
        return keyed.standing[carried[keyed.standing]]

    def _first_of_each_key(self) -> dict[str, NDArray[np.intp]]:
        """One candidate per key, readable ones first; rows without a key all."""
        chosen = {}
        for name, keyed in self._keyed.items():
            order = np.argsort(keyed.candidates.any_bad, kind="stable")
            keys = keyed.keys.iloc[order].astype(object)
            first = ~keys.duplicated().to_numpy() | keys.isna().to_numpy()
            chosen[name] = np.sort(order[first])
        return chosen

    def _judge(self, chosen: dict[str, NDArray[np.intp]]) -> None:
        tables = {
            name: self._keyed[name].candidates.frame.iloc[rows].reset_index(drop=True)
            for name, rows in chosen.items()
        }
        breaches = judge(tables).breaches
        breaches = breaches[~breaches["rule"].isin(_OWN_CHECKS)]
        for name, part in breaches.groupby("table", sort=False):
            self._report(str(name), part, chosen[str(name)])

    def _report(self, name: str, breaches: pd.DataFrame, rows: NDArray[np.intp]) -> None:
        """Problems of broken rules; not where the rule rests on a cell that was not read."""
        keyed = self._keyed[name]
        candidates = keyed.candidates
        carriers = _carriers(keyed)
        names = ("row", "columns", "rule", "severity", "message", "next_step")
        parts = [breaches[part].tolist() for part in names]
        for position, listed, rule, severity, message, next_step in zip(*parts, strict=True):
            columns = tuple(listed.split(","))
            row = int(rows[position])
            if any(candidates.bad[c][row] for c in columns if c in candidates.bad):
                continue
            told = (f"{message} ({name}: {', '.join(columns)})", next_step)
            for candidate in self._concerned(carriers.get(row, [row]), candidates, severity):
                record = int(candidates.record[candidate])
                column, raw = self._shown(name, candidate, record, columns)
                self._problems.add_told(record, column, raw, rule, severity, told)

    def _concerned(self, carriers: list[int], candidates: Candidates, severity: str) -> list[int]:
        """All carriers of a refused row; of one that is only remarked on, the first that stands."""
        if severity == "refuse":
            return carriers
        standing = [c for c in carriers if not self._refused[candidates.record[c]]]
        return (standing or carriers)[:1]

    def _shown(
        self, name: str, candidate: int, record: int, columns: tuple[str, ...]
    ) -> tuple[str, str]:
        candidates = self._keyed[name].candidates
        read_from = candidates.read_from[int(candidates.cells[candidate])]
        cells = tuple(dict.fromkeys(c for name in columns for c in read_from.get(name, ())))
        if not cells:
            return ", ".join(columns), ""
        return ", ".join(cells), self._ledger.raw(record, cells)

    def _cascade(self) -> None:
        """Refuse records whose parents do not stand, until no more fall."""
        while True:
            before = int(self._refused.sum())
            for name in TABLE_NAMES:
                lost = self._orphans(name)
                self._refused[self._keyed[name].candidates.record[lost]] = True
            if int(self._refused.sum()) == before:
                return

    def _orphans(self, name: str) -> NDArray[np.intp]:
        """Candidates with a parent code that no standing row of the parent table has."""
        frame = self._keyed[name].candidates.frame
        lost = np.zeros(len(frame), dtype=bool)
        for key in table(name).foreign_keys:
            (column,) = key.columns
            parents = self._keyed[key.table].keys.iloc[self.accepted_rows(key.table)]
            given = frame[column].notna().to_numpy(dtype=bool)
            lost |= given & ~frame[column].isin(parents).to_numpy(dtype=bool)
        return np.flatnonzero(lost)

    def _name_parents(self) -> None:
        """Say of every orphan whether its parent is absent or was refused, and where."""
        for name in TABLE_NAMES:
            candidates = self._keyed[name].candidates
            for key in table(name).foreign_keys:
                (column,) = key.columns
                codes = candidates.frame[column]
                parent = self._keyed[key.table]
                standing = parent.keys.iloc[self.accepted_rows(key.table)]
                lost = codes.notna().to_numpy(dtype=bool) & ~codes.isin(standing).to_numpy(
                    dtype=bool
                )
                held: dict[str, list[int]] = {}
                wanted = set(codes[lost])
                for at in np.flatnonzero(parent.keys.isin(wanted).to_numpy(dtype=bool)):
                    record = int(parent.candidates.record[at])
                    held.setdefault(str(parent.keys.iloc[at]), []).append(record)
                for at in np.flatnonzero(lost):
                    self._orphan(name, int(at), column, str(codes.iloc[at]), held)

    def _orphan(
        self, name: str, at: int, column: str, code: str, held: dict[str, list[int]]
    ) -> None:
        record = int(self._keyed[name].candidates.record[at])
        shown, raw = self._shown(name, at, record, (column,))
        facts = {"parent": column, "key": code}
        parents = held.get(code, [])
        if not parents:
            found = Read(code="parent_missing", facts=facts)
            self._problems.add(record, shown, raw or code, found)
        elif record not in parents:
            facts["place"] = self._ledger.place(parents[0])
            found = Read(code="parent_refused", facts=facts)
            self._problems.add(record, shown, raw or code, found)


def _carriers(keyed: KeyedRows) -> dict[int, list[int]]:
    """Standing candidate to all candidates it stands for, where there are several."""
    others = np.flatnonzero(keyed.row != np.arange(len(keyed.row)))
    found: dict[int, list[int]] = {}
    for candidate in others:
        row = int(keyed.row[candidate])
        found.setdefault(row, [row]).append(int(candidate))
    return found
