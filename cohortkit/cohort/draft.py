"""A first mapping file for a clinic's file: guesses, each marked as one, for a person to check.

Guessing happens here and nowhere else. An import takes only what a mapping declares.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path

from charset_normalizer import from_bytes

from cohortkit.cohort.csv_records import RecordSet, read_csv_records
from cohortkit.cohort.decoding import Opening, decode, known_encoding, read_regular_file
from cohortkit.cohort.file_kinds import SAVE_AS_TABLE, WORKBOOK, holds_no_text, kind_of
from cohortkit.cohort.mapping_parts import SourceSpec
from cohortkit.cohort.sheets import largest_sheet, open_book, read_sheet_records
from cohortkit.cohort.spelling import normal
from cohortkit.errors import SourceError
from cohortkit.tables.schema import TABLE_NAMES, Field, TableSchema, table

_DELIMITERS = (";", ",", "\t", "|")
_SAMPLE_BYTES = 500_000
_SAMPLE_ROWS = 2_000
_SHEET_TOP = 20
_SHOWN_VALUES = 6
_MOST_CODES = 12
_USUAL = "cp1252"
_OPENING = Opening("The file", "give the path of a clinic's .csv or .xlsx file")
_QUOTED = re.compile(r'"[^"]*"')
_ONE_COLUMN = (
    "only one column was found: is this a table, with its cells apart by ; , | or tabulators?"
)
_COMMA = re.compile(r"[+-]?\d+,\d+")
_POINT = re.compile(r"[+-]?\d+\.\d+")


@dataclass(frozen=True)
class DraftMapping:
    """A drafted mapping file.

    Parameters
    ----------
    text_toml
        The draft. Lines that end in ``# guess`` need a person's eye, and a ``?``
        stands where nothing could be guessed.
    summary
        What was guessed about the file, line by line, with its first lines as they
        were decoded.
    """

    text_toml: str
    summary: tuple[str, ...]


def toml_text(text: str) -> str:
    """A text as a TOML basic string; nothing in it can end the string."""
    quoted = json.dumps(text.encode("utf-8", "replace").decode("utf-8"), ensure_ascii=False)
    return re.sub(r"[\x7f-\x9f\u2028\u2029]", lambda m: f"\\u{ord(m[0]):04x}", quoted)


def _comment(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)


def guess_encoding(data: bytes) -> str:
    """The likeliest encoding of a text's bytes; utf-8 wherever the bytes are valid as such.

    Of sibling code pages that give the same text, cp1252 is named.
    """
    try:
        data.decode("utf-8-sig")
        return "utf-8"
    except UnicodeDecodeError:
        best = from_bytes(data[:_SAMPLE_BYTES]).best()
    name = (known_encoding(best.encoding) if best else None) or _USUAL
    try:
        same = data.decode(name) == data.decode(_USUAL)
    except UnicodeDecodeError:
        same = False
    return _USUAL if same else name


def _usual(counts: list[int]) -> int:
    """The commonest count; of equally common ones the largest."""
    return max(set(counts), key=lambda c: (counts.count(c), c)) if counts else 0


def _marks(line: str, mark: str) -> int:
    return _QUOTED.sub("", line).count(mark)


def guess_delimiter(lines: list[str]) -> str:
    """The character that stands equally often in most lines."""

    def steadiness(mark: str) -> tuple[int, int]:
        counts = [_marks(line, mark) for line in lines if line.strip()]
        usual = _usual(counts)
        return (counts.count(usual) if usual else 0, usual)

    return max(_DELIMITERS, key=steadiness)


def _guess_header_line(widths: list[int]) -> int:
    """The first line as wide as most are; lines without content have width 0."""
    usual = _usual([width for width in widths if width])
    return widths.index(usual) + 1 if usual in widths else 1


def _guess_decimal(cells: Iterable[str]) -> str:
    commas = points = 0
    for cell in cells:
        commas += bool(_COMMA.fullmatch(cell))
        points += bool(_POINT.fullmatch(cell))
    return "," if commas > points else "."


def _csv_source(path: Path, data: bytes) -> tuple[SourceSpec, RecordSet, list[str]]:
    encoding = guess_encoding(data)
    text = decode(data, encoding, path.name)
    if holds_no_text(text[:_SAMPLE_BYTES]):
        raise _no_table(path, "mostly characters that no text has")
    lines = text.split("\n", 60)[:60]
    delimiter = guess_delimiter(lines)
    widths = [_marks(line, delimiter) + 1 if line.strip() else 0 for line in lines]
    header_line = _guess_header_line(widths)
    records = read_csv_records(text, delimiter=delimiter, header_line=header_line, file=path.name)
    decimal = _guess_decimal(c.strip() for row in records.rows[:_SAMPLE_ROWS] for c in row)
    spec = SourceSpec(
        "source",
        path.name,
        "csv",
        encoding=encoding,
        delimiter=delimiter,
        decimal=decimal,
        header_line=header_line,
    )
    return spec, records, [line[:100] for line in lines[:3]]


def _xlsx_source(path: Path, data: bytes) -> tuple[SourceSpec, RecordSet, list[str]]:
    book = open_book(data, path.name)
    spec = SourceSpec(
        "source",
        path.name,
        "xlsx",
        sheet=largest_sheet(book, path.name),
        accept_hidden=True,
        accept_merged_header=True,
    )
    records = read_sheet_records(book, spec)
    first = [records.headers, *records.rows[:_SHEET_TOP]]
    spec = replace(spec, header_line=_guess_header_line([sum(map(bool, row)) for row in first]))
    records = read_sheet_records(book, spec)
    return spec, records, [" | ".join(row)[:100] for row in (records.headers, *records.rows[:2])]


def _other_sheets(path: Path, data: bytes, drafted: str) -> list[str]:
    """What else the workbook holds, so that no sheet is forgotten."""
    sheets = open_book(data, path.name).layout.worksheets
    names = [
        f"'{_comment(s.title)}'" + ("" if s.sheet_state == "visible" else " (hidden)")
        for s in sheets
        if s.title != drafted
    ]
    told = f"not in this draft: sheet {', '.join(names)}; each needs a source of its own"
    return [told] if names else []


def _no_table(path: Path, found: str) -> SourceError:
    return SourceError(
        "No mapping can be drafted, since the file is no table in text or in a workbook",
        where=f"file '{path}'",
        found=found,
        next_step=SAVE_AS_TABLE,
    )


def _source_lines(spec: SourceSpec) -> list[str]:
    lines = ["[sources.source]", f"file = {toml_text(spec.file)}", f'format = "{spec.format}"']
    if spec.format == "csv":
        lines += [
            f'encoding = "{spec.encoding}"  # guess',
            f"delimiter = {toml_text(spec.delimiter)}  # guess",
            'quote = "\\""  # guess',
        ]
    else:
        lines.append(f"sheet = {toml_text(spec.sheet)}  # guess")
    return [
        *lines,
        f'decimal = "{spec.decimal}"  # guess',
        f"header_line = {spec.header_line}  # guess",
        'missing = [""]  # guess: add each text that means missing',
        "ignore = []  # name here each column that is knowingly left out",
    ]


class _Columns:
    """The file's columns, and the one that fits a field by its name."""

    def __init__(self, records: RecordSet) -> None:
        self.names = [normal(h) for h in records.headers if normal(h)]
        self._by_word = {self._word(name): name for name in self.names}
        at = {normal(h): i for i, h in enumerate(records.headers)}
        rows = records.rows[:_SAMPLE_ROWS]
        self.values = {
            name: list(
                dict.fromkeys(normal(row[at[name]]) for row in rows if row[at[name]].strip())
            )
            for name in self.names
        }

    @staticmethod
    def _word(text: str) -> str:
        return re.sub(r"[\W_]+", "", text.lower())

    def fitting(self, about: Field) -> str | None:
        """The column whose name is nearly that of the field."""
        wanted = self._word(about.name)
        close = get_close_matches(wanted, list(self._by_word), n=1, cutoff=0.85)
        return self._by_word[close[0]] if close else None


def _rule(about: Field, column: str | None, columns: _Columns) -> str:
    parts = [f"from = {toml_text(column or '?')}"]
    values = columns.values.get(column or "", [])
    coded = about.codes or about.type == "boolean"
    if column and coded and 0 < len(values) <= _MOST_CODES:
        known = {**dict.fromkeys(about.codes), "true": None, "false": None}
        pairs = (f'{toml_text(v)} = "{v.lower() if v.lower() in known else "?"}"' for v in values)
        parts.append(f"codes = {{ {', '.join(pairs)} }}")
    if about.unit and about.unit not in {"1", "d"}:
        parts.append(f'unit = "{about.unit}"')
    needed = "required" if about.required else "optional"
    return f"{about.name} = {{ {', '.join(parts)} }}  # guess, {needed}: {_comment(about.title)}"


def _block_lines(schema: TableSchema, columns: _Columns) -> list[str]:
    """A block for one table; commented out where no column of the file fits it."""
    fits = {f.name: columns.fitting(f) for f in schema.fields}
    lines = ["[[tables]]", f'table = "{schema.name}"', 'source = "source"', "[tables.columns]"]
    lines += [_rule(f, fits[f.name], columns) for f in schema.fields if f.required or fits[f.name]]
    used = any(fits[f.name] for f in schema.fields if f.required)
    return [*(lines if used else [f"# {line}" for line in lines]), ""]


def _listed(columns: _Columns) -> list[str]:
    lines = ["# Columns of the file and their first values:"]
    for name in columns.names:
        values = columns.values[name]
        shown = ", ".join(_comment(v)[:30] for v in values[:_SHOWN_VALUES])
        more = ", ..." if len(values) > _SHOWN_VALUES else ""
        lines.append(f"#   {_comment(name)}: {shown}{more}")
    return lines


def draft_mapping(source_path: str | os.PathLike[str]) -> DraftMapping:
    """Look at one file of a clinic and draft a mapping for it.

    Parameters
    ----------
    source_path
        A csv or xlsx file.

    Returns
    -------
    DraftMapping
        A draft that reads as TOML and stops an import until its question marks
        are filled in.

    Raises
    ------
    SourceError
        If the file cannot be opened, is empty, or is no table but a picture, a document
        or the like.
    """
    path = Path(source_path)
    data = read_regular_file(path, str(path), _OPENING)
    if not data.strip():
        raise SourceError("The file is empty", where=f"file '{path}'", next_step="export it again")
    kind = "a mapping file" if path.suffix.lower() == ".toml" else kind_of(data)
    if kind not in ("", WORKBOOK):
        raise _no_table(path, kind)
    spec, records, sample = (_xlsx_source if kind else _csv_source)(path, data)
    others = _other_sheets(path, data, spec.sheet) if kind else []
    columns = _Columns(records)
    head = [
        "# Draft of a mapping file. Check every line that ends in '# guess', replace every '?'.",
        "mapping_version = 1",
        'site_id = "?"  # the code of this clinic, such as S01',
        "",
        "[[rows.sites]]",
        'site_id = "?"  # the same',
        'country = "?"  # guess: two letters, ISO 3166-1',
        'setting = "?"  # guess: ' + ", ".join(table("sites").field("setting").codes),
        "",
    ]
    blocks = [
        line
        for name in TABLE_NAMES
        if name != "sites"
        for line in _block_lines(table(name), columns)
    ]
    lines = [*head, *_source_lines(spec), "", *_listed(columns), "", *blocks]
    return DraftMapping("\n".join(lines), (*_summary(spec, records, sample), *others))


def _summary(spec: SourceSpec, records: RecordSet, sample: list[str]) -> list[str]:
    form = (
        f"guess: text in {spec.encoding}, cells apart by {spec.delimiter!r}"
        if spec.format == "csv"
        else f"guess: sheet '{_comment(spec.sheet)}'"
    )
    odd = len(records.defects)
    return [
        f"file: {spec.file}",
        form,
        f"guess: header on line {spec.header_line}, decimal mark '{spec.decimal}'",
        f"{len(records.headers)} columns, {len(records.rows)} records"
        + (f", {odd} of them not as wide as the header or badly quoted" if odd else ""),
        *(f"as decoded: {_comment(line)}" for line in sample),
        *([_ONE_COLUMN] if len(records.headers) < 2 else []),
    ]
