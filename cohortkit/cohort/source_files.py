"""One file of a clinic in memory: headers, cells as text, lines, and what is wrong with its form."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortkit.cohort.csv_records import Defect, RecordSet, read_csv_records
from cohortkit.cohort.decoding import check_line, decode, read_inside
from cohortkit.cohort.file_kinds import DAMAGED, SAVE_AS_TABLE, WORKBOOK, kind_of
from cohortkit.cohort.mapping_parts import Mapping, SourceSpec
from cohortkit.cohort.sheets import OpenBook, open_book, read_sheet_records
from cohortkit.cohort.spelling import nearest, normal
from cohortkit.cohort.toml_lines import line_of
from cohortkit.errors import CohortkitError, MappingError, SourceError
from cohortkit.tables.canonical import sha256

_KIND_END = "\x1f"
_LISTED, _SHOWN = 30, 40
SURPLUS = "(surplus "
"""Beginning of the names that cells beyond the header get."""


@dataclass(frozen=True)
class Coded:
    """A column as whole numbers that point to its distinct cells.

    Parameters
    ----------
    codes
        Position in `texts` and `kinds` of each record's cell, shape (n,).
    texts, kinds
        The distinct cells and what kind of sheet cell each is (empty: plain).
    """

    codes: NDArray[np.intp]
    texts: list[str]
    kinds: list[str]

    def taken(self, per_cell: Sequence[Any], rows: NDArray[np.intp]) -> NDArray[Any]:
        """What stands for the distinct cells, for each of `rows`."""
        values = np.empty(len(per_cell), dtype=object)
        values[:] = per_cell
        return values[self.codes[rows]]


@dataclass
class SourceData:
    """The records of one source.

    Parameters
    ----------
    spec, sha256
        How the file is written, and the hash of its bytes.
    headers
        Column names in plain spelling; a column without a name and content is
        called by its position.
    lines
        Physical line or sheet row of each record, shape (n,).
    rows
        Cells of each record; more than headers if the record has surplus cells.
    defects
        Record to what is wrong with its form; empty for most.
    kinds
        Column number and record to the kind of a sheet's special cell.
    absent
        Record to the positions at which it has no cell, though its row is filled
        up there.
    history
        Record to its earlier versions, oldest first, if it was corrected.
    """

    spec: SourceSpec
    sha256: str
    headers: list[str]
    lines: NDArray[np.int64]
    rows: list[list[str]]
    defects: dict[int, list[Defect]]
    kinds: dict[int, dict[int, str]]
    absent: dict[int, frozenset[int]] = field(default_factory=dict)
    history: dict[int, list[dict[str, Any]]] = field(default_factory=dict)
    corrections: dict[int, tuple[str, str]] = field(default_factory=dict)
    _coded: dict[str, Coded] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.rows)

    def column(self, header: str) -> Coded:
        """One column, factorised; worked out once."""
        if header not in self._coded:
            at = self.headers.index(header)
            cells = np.empty(len(self.rows), dtype=object)
            cells[:] = [row[at] for row in self.rows]
            special = self.kinds.get(at, {})
            for record, kind in special.items():
                cells[record] = f"{kind}{_KIND_END}{cells[record]}"
            codes, distinct = pd.factorize(cells)
            texts, kinds = list(distinct), [""] * len(distinct)
            for code in np.unique(codes[list(special)]) if special else ():
                kinds[code], _, texts[code] = texts[code].partition(_KIND_END)
            self._coded[header] = Coded(codes, texts, kinds)
        return self._coded[header]

    def cell(self, record: int, header: str) -> str:
        """The cell as it came."""
        return self.rows[record][self.headers.index(header)]

    def blank(self) -> NDArray[np.bool_]:
        """True for records all of whose cells are empty, shape (n,)."""
        return np.array([not any(c and not c.isspace() for c in row) for row in self.rows], bool)

    def cells_json(self) -> list[str]:
        """Each record's cells as they came, as JSON of `as_named`."""
        return [json.dumps(self.as_named(n), ensure_ascii=True) for n in range(len(self))]

    def as_named(self, record: int) -> dict[str, str | None]:
        """Cells by column name; None where there is no cell, surplus ones as ``(surplus 1)``."""
        row = self.rows[record]
        named: dict[str, str | None] = dict(zip(self.headers, row, strict=False))
        named |= {f"{SURPLUS}{i})": c for i, c in enumerate(row[len(self.headers) :], start=1)}
        return named | dict.fromkeys(self.headers[i] for i in self.absent.get(record, ()))


def _headers(records: RecordSet, spec: SourceSpec) -> list[str]:
    where = f"file '{spec.file}', line {spec.header_line}"
    names = [normal(h) for h in records.headers]
    for at, name in enumerate(names):
        if name:
            continue
        names[at] = f"(column {at + 1})"
        if any(len(row) > at and row[at].strip() for row in records.rows):
            raise SourceError(
                "A column has content but no name",
                where=f"{where}, column {at + 1}",
                next_step="give it a name in the header",
            )
    twice = {n: [i + 1 for i, m in enumerate(names) if m == n] for n in names if names.count(n) > 1}
    if twice:
        raise SourceError(
            "Two columns have the same name",
            where=where,
            found="; ".join(
                f"'{n}' in columns {', '.join(map(str, at))}" for n, at in twice.items()
            ),
            next_step="give each column a name of its own",
        )
    return names


def _check_columns(headers: list[str], mapping: Mapping, spec: SourceSpec) -> None:
    used = mapping.cells_read(spec.name)
    absent = sorted(used - set(headers))
    line = line_of(mapping.lines, ("sources", spec.name)) or 1
    here = f"mapping file '{mapping.path}', line {line}, [sources.{spec.name}]"
    if absent:
        shown = ", ".join(f"'{h[:_SHOWN]}'" for h in headers[:_LISTED])
        more = len(headers) - _LISTED
        sheet = f", sheet '{spec.sheet}'" if spec.sheet else ""
        raise SourceError(
            "Columns that the mapping reads are not in the file",
            where=f"file '{spec.file}'{sheet}, line {spec.header_line}",
            found="; ".join(f"'{name}'{nearest(name, headers)}" for name in absent)
            + f"; the header has {shown}"
            + (f" and {more} more" if more > 0 else ""),
            next_step=f"correct the names in the mapping, or {_reading(spec, headers, absent)}",
        )
    both = sorted(used & {normal(n) for n in spec.ignore})
    if both:
        raise MappingError(
            "Columns are both used and ignored",
            where=f"{here}, ignore",
            found=", ".join(f"'{h}'" for h in both),
            next_step="take them out of 'ignore'",
        )
    named = [h for h in headers if not h.startswith("(column ")]
    left = [h for h in named if h not in used and h not in {normal(n) for n in spec.ignore}]
    if left:
        raise MappingError(
            "Columns of the file are neither used nor ignored",
            where=f"{here}, file '{spec.file}', line {spec.header_line}",
            found=", ".join(f"'{h}'" for h in left),
            next_step="use them in a [[tables]] block, or name them under 'ignore' of the source",
        )


def _reading(spec: SourceSpec, headers: list[str], absent: list[str]) -> str:
    """What may be wrong with the reading of a header that is not as the mapping says."""
    if spec.format == "xlsx":
        return f"check 'sheet' and 'header_line' under [sources.{spec.name}]"
    text = f"check 'delimiter' and 'header_line' under [sources.{spec.name}]"
    if all(name.isascii() for name in (*headers, *absent)):
        return text
    return (
        f"{text}; if letters look wrong, change 'encoding' there (now '{spec.encoding}'): "
        f"'cohortkit draft-mapping {spec.file}' shows a guess"
    )


def _refuse_other_kind(data: bytes, spec: SourceSpec) -> None:
    """Stop if the file is plainly not of the declared format."""
    kind = kind_of(data)
    if kind in (("",) if spec.format == "csv" else (WORKBOOK, DAMAGED)):
        return
    key = f"[sources.{spec.name}] in the mapping"
    if spec.format == "csv":
        step = (
            f"set format = \"xlsx\" and 'sheet' under {key}" if kind == WORKBOOK else SAVE_AS_TABLE
        )
    else:
        step = SAVE_AS_TABLE if kind else f'set format = "csv" and its keys under {key}'
    raise SourceError(
        f"The file is not of the declared format '{spec.format}'",
        where=f"file '{spec.file}'",
        found=kind or "text, or nothing that can be recognised",
        next_step=step,
    )


def _source(mapping: Mapping, spec: SourceSpec, books: dict[str, OpenBook]) -> SourceData:
    data = read_inside(mapping.folder, spec.file)
    if not data.strip():
        raise SourceError(
            "The file is empty", where=f"file '{spec.file}'", next_step="export it again"
        )
    _refuse_other_kind(data, spec)
    if spec.format == "xlsx":
        if spec.file not in books:
            books[spec.file] = open_book(data, spec.file)
        records = read_sheet_records(books[spec.file], spec)
    else:
        text = decode(data, spec.encoding, spec.file, spec.name)
        check_line(text, spec.header_line, encoding=spec.encoding, file=spec.file, source=spec.name)
        records = read_csv_records(
            text,
            delimiter=spec.delimiter,
            quote=spec.quote,
            header_line=spec.header_line,
            file=spec.file,
        )
    headers = _headers(records, spec)
    _check_columns(headers, mapping, spec)
    return SourceData(
        spec=spec,
        sha256=sha256(data),
        headers=headers,
        lines=np.array(records.lines, dtype=np.int64),
        rows=records.rows,
        defects=records.defects,
        absent={r: frozenset(range(n, len(headers))) for r, n in records.short.items()},
        kinds=records.kinds,
    )


def read_sources(mapping: Mapping) -> list[SourceData]:
    """Every file of a mapping, in the order in which the mapping names them.

    Raises
    ------
    SourceError, MappingError
        Once for all files: a file that cannot be opened, whose header is not
        what the mapping says, or with a column the mapping does not account for.
    """
    found: list[SourceData] = []
    faults: list[CohortkitError] = []
    books: dict[str, OpenBook] = {}
    for spec in mapping.sources.values():
        try:
            found.append(_source(mapping, spec, books))
        except CohortkitError as fault:
            faults.append(fault)
    site = f"site {mapping.site_id}"
    if len(faults) > 1:
        raise type(faults[0])(
            f"{len(faults)} files cannot be read as the mapping says",
            where=f"{site}, mapping file '{mapping.path}'",
            found=" ".join(f"({n}) {fault}" for n, fault in enumerate(faults, start=1)).rstrip("."),
            next_step="mend each of them as it says, and import again",
        ) from faults[0]
    if faults:
        named = isinstance(faults[0], MappingError)
        raise faults[0].within(site if named else f"{site}, mapping file '{mapping.path}'")
    return found
