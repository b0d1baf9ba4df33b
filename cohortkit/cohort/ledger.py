"""The physical records of one import, numbered through all its sources."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cohortkit.cohort.mapping_parts import Mapping
from cohortkit.cohort.source_files import SourceData


@dataclass(frozen=True)
class Ledger:
    """The records of the import, n of them, and where each stands.

    Parameters
    ----------
    places
        File and line of each record.
    source
        Position of each record's source; -1 for rows typed in the mapping.
    position
        Position of each record in its source.
    first
        Number of each source's first record; last, that of the first typed row.
    sources
        The clinic's files.
    """

    places: list[tuple[str, int]]
    source: NDArray[np.intp]
    position: NDArray[np.intp]
    first: list[int]
    sources: list[SourceData]

    def __len__(self) -> int:
        return len(self.places)

    def place(self, record: int) -> str:
        """Where a record stands, as people say it."""
        file, line = self.places[record]
        return f"{file} line {line}"

    def raw(self, record: int, columns: tuple[str, ...]) -> str:
        """Cells of a record as they came, joined by a bar; empty for typed rows."""
        at = int(self.source[record])
        if at < 0:
            return ""
        source = self.sources[at]
        known = [c for c in columns if c in source.headers]
        return " | ".join(source.cell(int(self.position[record]), c) for c in known)


def open_ledger(mapping: Mapping, sources: list[SourceData]) -> Ledger:
    """Number the records: sources in the order of the mapping, then its typed rows."""
    sizes = [len(source) for source in sources]
    inline = len(mapping.rows)
    places = [(source.spec.file, int(line)) for source in sources for line in source.lines]
    places += [(mapping.path.name, row.line) for row in mapping.rows]
    return Ledger(
        places=places,
        source=np.repeat([*range(len(sizes)), -1], [*sizes, inline]).astype(np.intp),
        position=np.concatenate([np.arange(size) for size in (*sizes, inline)]).astype(np.intp),
        first=[0, *np.cumsum(sizes).astype(int).tolist()],
        sources=sources,
    )
