"""A release that was opened: its tables, and the analysis sets drawn from them."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from cohortkit import checks
from cohortkit.cohort import analysis_sets
from cohortkit.cohort.descriptor import SIDE_COLUMNS
from cohortkit.cohort.manifest import SIDE_TABLES
from cohortkit.cohort.parquet import from_parquet_bytes, table_from_parquet
from cohortkit.errors import IntegrityError
from cohortkit.tables.canonical import sha256
from cohortkit.tables.schema import TABLE_NAMES

_TYPES = {"string": "string", "integer": "Int64", "number": "float64"}


class LazyTables(Mapping[str, pd.DataFrame]):
    """The ten tables, each read and checked against its hash when first asked for.

    What is handed out is a copy, so that a release cannot be changed in memory.
    """

    def __init__(self, path: Path, manifest: Mapping[str, Any]) -> None:
        self._path = path
        self._manifest = manifest
        self._read: dict[str, pd.DataFrame] = {}

    def __getitem__(self, name: str) -> pd.DataFrame:
        """Typed rows of table `name`, sorted by key."""
        if name not in TABLE_NAMES:
            raise KeyError(name)
        if name not in self._read:
            data = read_part(self._path, self._manifest, f"tables/{name}.parquet")
            self._read[name] = table_from_parquet(data, name)
        return self._read[name].copy()

    def __iter__(self) -> Iterator[str]:
        return iter(TABLE_NAMES)

    def __len__(self) -> int:
        return len(TABLE_NAMES)


def read_part(path: Path, manifest: Mapping[str, Any], name: str) -> bytes:
    """Bytes of one file of a release, once they give the hash in the manifest.

    Raises
    ------
    IntegrityError
        If the file is missing, a link, or altered.
    """
    place = path / name
    whole = not place.is_symlink() and place.is_file()
    data = place.read_bytes() if whole else b""
    if not whole or sha256(data) != manifest["files"][name]["sha256"]:
        raise IntegrityError(
            "A file of the release is not as it was frozen",
            where=str(place),
            found="altered" if whole else "missing, or a link",
            next_step="restore the release from its archive",
        )
    return data


@dataclass(frozen=True, repr=False)
class Release:
    """A frozen release. Everything above it takes this, or a plain table.

    Parameters
    ----------
    path
        Its folder.
    manifest
        What the release holds, as its manifest says.
    tables
        Table name to typed rows; read when asked for.
    """

    path: Path
    manifest: Mapping[str, Any]
    tables: Mapping[str, pd.DataFrame] = field(compare=False)

    @property
    def release_hash(self) -> str:
        """SHA-256 of schema version and tables: the name of these data."""
        return str(self.manifest["release_hash"])

    @property
    def label(self) -> str:
        """The first twelve digits of the release hash, for figures and pages."""
        return self.release_hash[:12]

    @property
    def schema_version(self) -> str:
        """Version of the table format."""
        return str(self.manifest["schema_version"])

    @property
    def sites(self) -> tuple[str, ...]:
        """Codes of the sites."""
        return tuple(self.manifest["sites"])

    @property
    def notices(self) -> tuple[str, ...]:
        """Sentences that have to stand on everything made from the release."""
        return tuple(self.manifest.get("notices", ()))

    @property
    def provenance(self) -> pd.DataFrame:
        """Which record of which source made each row: ``table, key, site_id, source, ...``.

        ``corrected`` is True where a correction had taken the clinic's record's place.
        """
        data = read_part(self.path, self.manifest, "provenance.parquet")
        return from_parquet_bytes(data, "provenance")

    @property
    def flow(self) -> pd.DataFrame:
        """Counts from the clinics' files to the release: ``step, site_id, unit, n, reason``."""
        return self.side_table("flow")

    @property
    def refusals(self) -> pd.DataFrame:
        """Problems counted: ``site_id, source, code, severity, n``."""
        return self.side_table("refusals")

    @property
    def warnings(self) -> pd.DataFrame:
        """Rows that carry a warning: ``table, key, site_id, code``."""
        return self.side_table("warnings")

    @property
    def duplicates(self) -> pd.DataFrame:
        """Pairs of participants who may be one person; not merged."""
        return self.side_table("duplicates")

    def side_table(self, name: str) -> pd.DataFrame:
        """One of the tables beside the ten, typed."""
        checks.one_of("name", name, SIDE_TABLES)
        data = read_part(self.path, self.manifest, f"{name}.csv")
        header, *rows = csv.reader(io.StringIO(data.decode("utf-8"), newline=""), strict=True)
        frame = pd.DataFrame(rows, columns=header, dtype=object)
        kinds = {column: _TYPES[kind] for column, (kind, _) in SIDE_COLUMNS[name].items()}
        for column in [c for c, kind in kinds.items() if kind != "string"]:
            frame[column] = pd.to_numeric(frame[column])
        return frame.astype(kinds)

    readings = analysis_sets.readings
    reference_population = analysis_sets.reference_population
    graded_tears = analysis_sets.graded_tears
    outcomes = analysis_sets.outcomes

    def __repr__(self) -> str:
        held = self.manifest["tables"]
        rows = ", ".join(f"{held[name]['rows']} {name}" for name in TABLE_NAMES)
        return f"Release {self.label} at {self.path}: {rows}"
