"""What changed from one release to another, by table, key and column."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import dataclass
from typing import Any

import pandas as pd

from cohortkit import display
from cohortkit.cohort.frozen_release import Release, read_part
from cohortkit.tables.schema import TABLE_NAMES, table

_FLOW_KEY = ["step", "site_id", "unit", "reason"]
_SMALL = 10
_SHOWN = 50


@dataclass(frozen=True, repr=False)
class ReleaseDiff:
    """Two releases compared.

    Parameters
    ----------
    same
        True if both hold the same data (their release hashes are equal).
    versions
        ``what, old, new``: hashes, schema, software, mode of the codes.
    tables
        ``table, rows_old, rows_new, added, removed, changed`` (rows).
    rows
        ``table, key, change, column, old, new``: one line per row added or
        removed, one per value changed. Cells are text as in the canonical CSV.
    flow
        ``step, site_id, unit, reason, old, new`` where the counts differ.
    cautions
        What to mind when both are used, in sentences.
    """

    same: bool
    versions: pd.DataFrame
    tables: pd.DataFrame
    rows: pd.DataFrame
    flow: pd.DataFrame
    cautions: tuple[str, ...]

    def lines(self) -> list[str]:
        """The comparison for a reader; of many rows the first fifty."""
        lines = ["same data" if self.same else "the data differ"]
        parts = {
            "versions": self.versions[self.versions["old"] != self.versions["new"]],
            "tables": self.tables,
            "rows": self.rows.head(_SHOWN),
            "flow": self.flow,
        }
        for title, frame in parts.items():
            if len(frame):
                cells = frame.astype("string").fillna("").to_numpy().tolist()
                lines += ["", title, display.text_table(list(frame.columns), cells)]
        if len(self.rows) > _SHOWN:
            lines.append(f"and {len(self.rows) - _SHOWN} more lines")
        return lines + [f"Caution: {caution}" for caution in self.cautions]

    def to_dict(self) -> dict[str, Any]:
        """Plain, JSON-ready parts."""
        parts: dict[str, Any] = {"same": self.same, "cautions": list(self.cautions)}
        for name in ("versions", "tables", "rows", "flow"):
            parts[name] = json.loads(getattr(self, name).to_json(orient="records"))
        return parts

    def __repr__(self) -> str:
        return "\n".join(self.lines())


def diff(old: Release, new: Release) -> ReleaseDiff:
    """Compare two opened releases row by row.

    Rows are matched by their coded keys, so both must have been frozen with the
    same code table or key; if they share no participant, a caution says so.
    """
    rows, counts = [], []
    for name in TABLE_NAMES:
        found, line = _table_difference(name, _cells(old, name), _cells(new, name))
        rows += found
        counts.append(line)
    columns = ["table", "key", "change", "column", "old", "new"]
    tables = pd.DataFrame(
        counts, columns=["table", "rows_old", "rows_new", "added", "removed", "changed"]
    )
    return ReleaseDiff(
        same=old.release_hash == new.release_hash,
        versions=_versions(old, new),
        tables=tables,
        rows=pd.DataFrame(rows, columns=columns, dtype=object).astype("string"),
        flow=_flow_difference(old.flow, new.flow),
        cautions=_cautions(tables[tables["table"] == "participants"].iloc[0]),
    )


def _cells(release: Release, name: str) -> dict[str, dict[str, str]]:
    """Key of each row to its cells as text."""
    data = read_part(release.path, release.manifest, f"tables/{name}.csv").decode("utf-8")
    key = table(name).primary_key
    rows = csv.DictReader(io.StringIO(data, newline=""), strict=True)
    return {"|".join(row[column] for column in key): row for row in rows}


def _table_difference(
    name: str, old: dict[str, dict[str, str]], new: dict[str, dict[str, str]]
) -> tuple[list[tuple[Any, ...]], tuple[Any, ...]]:
    found: list[tuple[Any, ...]] = []
    tally = {"added": 0, "removed": 0, "changed": 0}
    for key in sorted(old.keys() | new.keys()):
        before, after = old.get(key), new.get(key)
        if before == after:
            continue
        if before is None or after is None:
            change = "added" if before is None else "removed"
            found.append((name, key, change, None, None, None))
        else:
            change = "changed"
            columns = [*before, *(c for c in after if c not in before)]
            cells = [(c, before.get(c, ""), after.get(c, "")) for c in columns]
            found += [(name, key, change, c, a, b) for c, a, b in cells if a != b]
        tally[change] += 1
    return found, (name, len(old), len(new), *tally.values())


def _versions(old: Release, new: Release) -> pd.DataFrame:
    def told(release: Release) -> dict[str, str]:
        manifest = release.manifest
        fixed = {k: manifest[k] for k in ("release_hash", "schema_version", "created_at")}
        return fixed | {"identity": manifest["identity"]["mode"]} | manifest.get("software", {})

    first, second = told(old), told(new)
    names = [*first, *(n for n in second if n not in first)]
    lines = [(n, first.get(n), second.get(n)) for n in names]
    return pd.DataFrame(lines, columns=["what", "old", "new"], dtype=object).astype("string")


def _flow_difference(old: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    def counted(flow: pd.DataFrame, name: str) -> pd.DataFrame:
        return (
            flow.astype(dict.fromkeys(_FLOW_KEY, "string"))
            .fillna({"reason": ""})[[*_FLOW_KEY, "n"]]
            .rename(columns={"n": name})
        )

    both = counted(old, "old").merge(counted(new, "new"), on=_FLOW_KEY, how="outer")
    both[["old", "new"]] = both[["old", "new"]].fillna(0)
    return both[both["old"] != both["new"]].reset_index(drop=True)


def _cautions(people: pd.Series) -> tuple[str, ...]:
    cautions = []
    kept = int(people["rows_old"]) - int(people["removed"])
    if people["rows_old"] and people["rows_new"] and not kept:
        cautions.append(
            "the releases share no participant code: they were coded with another table or key, "
            "so rows cannot be matched"
        )
    moved = int(people["added"]) + int(people["removed"])
    if kept and 0 < moved <= _SMALL:
        cautions.append(
            f"the releases differ by {moved} participants: whoever sees tables of both can "
            "subtract one from the other and learn about these few"
        )
    return tuple(cautions)
