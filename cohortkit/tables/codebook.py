"""Codebook and empty templates, generated from the table format."""

from __future__ import annotations

import html
import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import jinja2
import pandas as pd

from cohortkit.errors import ArgumentError
from cohortkit.tables.canonical import to_csv_bytes
from cohortkit.tables.conversion import empty
from cohortkit.tables.fields import SCHEMA_VERSION, TABLE_NAMES, Field, TableSchema, table
from cohortkit.tables.grades import RULE_SETS
from cohortkit.tables.rules import Rule, rule_entries

_TYPE_WORDS = {
    "string": "text",
    "integer": "whole number",
    "number": "number",
    "boolean": "true or false",
}
_UNIT_WORDS = {
    "a": "years",
    "cm": "cm",
    "d": "days",
    "deg": "degrees",
    "h/wk": "hours per week",
    "MHz": "MHz",
    "mm": "mm",
    "N": "newtons",
}
_SEVERITY_WORDS = {"refuse": "the row is refused", "warning": "a warning"}
_TITLE = f"Codebook of the table format, version {SCHEMA_VERSION}"
_INTRODUCTION = (
    "Ten tables hold a pooled cohort of finger-pulley ultrasound readings. "
    "Days are whole days from the participant's enrolment (day 0). An empty cell is a missing "
    "value. Generated from the folder schemas; do not edit."
)


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _range(field: Field) -> str:
    low, high = _number(field.minimum), _number(field.maximum)
    if low and high:
        return f"{low} to {high}"
    return f"at least {low}" if low else f"at most {high}" if high else ""


def _points_to(schema: TableSchema, field: Field) -> str:
    return next((k.table for k in schema.foreign_keys if field.name in k.columns), "")


def _row(schema: TableSchema, position: int, field: Field) -> dict[str, Any]:
    return {
        "table": schema.name,
        "position": position,
        "column": field.name,
        "title": field.title,
        "type": field.type,
        "unit": field.unit or "",
        "required": field.required,
        "key": field.name in schema.primary_key,
        "points_to": _points_to(schema, field),
        "minimum": _number(field.minimum),
        "maximum": _number(field.maximum),
        "codes": "; ".join(f"{code} = {words}" for code, words in field.codes.items()),
        "pattern": field.pattern or "",
        "example": field.example,
        "missing": field.missing_codes.get("", ""),
        "definition": field.definition,
    }


def codebook_rows() -> pd.DataFrame:
    """The codebook as a table: one row per column of the format.

    Returns
    -------
    pandas.DataFrame
        table, position (from 1), column, title, type, unit (UCUM, empty if none),
        required, key (part of the primary key), points_to (table, empty if none),
        minimum, maximum (as text), codes, pattern, example, missing (what an empty cell
        says), definition.
    """
    rows = [
        _row(table(name), position, field)
        for name in TABLE_NAMES
        for position, field in enumerate(table(name).fields, start=1)
    ]
    return pd.DataFrame(rows)


def _kind(field: Field) -> str:
    words = _TYPE_WORDS[field.type] if not field.codes else "code"
    unit = f" of {_UNIT_WORDS[field.unit]}" if field.unit and field.unit != "1" else ""
    if unit and field.type == "number":
        unit = unit.replace(" of ", " in ", 1)
    return f"{words}{unit}, {'required' if field.required else 'may be empty'}"


def _allowed(schema: TableSchema, field: Field) -> str:
    target = _points_to(schema, field)
    if target:
        return f"a code of table {target}"
    if field.example:
        return f"such as {field.example}"
    return _range(field)


def _missing(field: Field) -> str:
    words = field.missing_codes.get("", "")
    said = field.required or words == "not recorded" or "empty" in field.definition.lower()
    return "" if said else f"Empty means: {words}."


def _page_rows(schema: TableSchema) -> list[dict[str, Any]]:
    return [
        {
            "column": f.name,
            "title": f.title,
            "kind": _kind(f),
            "allowed": _allowed(schema, f),
            "code_list": f.codes,
            "definition": f.definition,
            "missing": _missing(f),
        }
        for f in schema.fields
    ]


def _rule_row(rule: Rule) -> dict[str, str]:
    return {
        "id": rule.id,
        "table_words": "every table" if rule.table == "*" else rule.table,
        "severity_words": _SEVERITY_WORDS[rule.severity],
        "sentence": rule.sentence,
        "next_step": rule.next_step,
    }


def codebook_html() -> str:
    """The codebook as one self-contained page; every text is escaped."""
    environment = jinja2.Environment(
        autoescape=True,
        loader=jinja2.FileSystemLoader(Path(__file__).parent),
        undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True,
    )
    return environment.get_template("codebook.html.j2").render(
        title=_TITLE,
        introduction=_INTRODUCTION,
        tables=[table(name) for name in TABLE_NAMES],
        rows={name: _page_rows(table(name)) for name in TABLE_NAMES},
        rules=[_rule_row(rule) for rule in rule_entries()],
        rule_sets=list(RULE_SETS.values()),
    )


def _words(text: str) -> str:
    """Text for a Markdown cell, so that no character of it is taken as markup."""
    for mark in "\\`*_[]|":
        text = text.replace(mark, "\\" + mark)
    return html.escape(text, quote=False)


def _markdown_table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    lines = [list(headings), ["---"] * len(headings), *map(list, rows)]
    return ["| " + " | ".join(line) + " |" for line in lines]


def _markdown_fields(schema: TableSchema) -> list[str]:
    rows = []
    for row in _page_rows(schema):
        codes = "<br>".join(f"`{c}` {_words(m)}" for c, m in row["code_list"].items())
        definition = _words(f"{row['definition']} {row['missing']}".strip())
        cells = (f"`{row['column']}`<br>{_words(row['title'])}", _words(row["kind"]))
        rows.append((*cells, codes or _words(row["allowed"]), definition))
    return _markdown_table(("Column", "Kind", "Allowed", "Definition"), rows)


def _markdown_rules() -> list[str]:
    rows = [
        (
            f'<a id="{rule.id}"></a>`{rule.id}`',
            _words(words["table_words"]),
            _words(words["severity_words"]),
            _words(rule.sentence),
            _words(rule.next_step),
        )
        for rule in rule_entries()
        for words in (_rule_row(rule),)
    ]
    return _markdown_table(("Rule", "Table", "If broken", "What it says", "What to do"), rows)


def _markdown_grades() -> list[str]:
    lines = []
    for rule_set in RULE_SETS.values():
        criteria = [(g, _words(w)) for g, w in rule_set.criteria.items()]
        lines += [f"### {_words(rule_set.title)} (`{rule_set.name}`)", ""]
        lines += [f"Source: {_words(rule_set.source)}.", ""]
        lines += [*_markdown_table(("Grade", "Criterion"), criteria), ""]
        lines += [*(f"- {_words(decision)}" for decision in rule_set.decisions), ""]
    return lines


def codebook_markdown() -> str:
    """The codebook as Markdown: tables, rules, grades."""
    lines = [f"# {_TITLE}", "", _INTRODUCTION, ""]
    for schema in map(table, TABLE_NAMES):
        key = ", ".join(f"`{c}`" for c in schema.primary_key)
        lines += [f"## {_words(schema.title)} (`{schema.name}`)", ""]
        lines += [f"{_words(schema.description)} Key: {key}.", ""]
        lines += [*_markdown_fields(schema), ""]
    lines += ["## Rules", "", *_markdown_rules(), "", "## Grades", "", *_markdown_grades()]
    return "\n".join(lines).rstrip("\n") + "\n"


def _write(folder: Path, files: dict[str, bytes]) -> list[Path]:
    """Write the files that are not there yet; one that is there with other bytes stops all."""
    there = [name for name in files if os.path.lexists(folder / name)]
    other = [
        n for n in there if not (folder / n).is_file() or (folder / n).read_bytes() != files[n]
    ]
    if other:
        raise ArgumentError(
            "Files of these names are there already with other content, and are left as they are",
            where=str(folder),
            found=", ".join(other),
            next_step="name another folder, or move these files away",
        )
    folder.mkdir(parents=True, exist_ok=True)
    for name in files.keys() - set(there):
        (folder / name).write_bytes(files[name])
    return [folder / name for name in files]


def write_codebook(folder: Path | str) -> list[Path]:
    """Write ``codebook.md``, ``codebook.html`` and ``codebook.csv``.

    Returns
    -------
    list of pathlib.Path
        The three files; those that were there with the same bytes are left alone.

    Raises
    ------
    ArgumentError
        If one of them is there with other content. Nothing is written then.
    """
    files = {
        "codebook.md": codebook_markdown().encode("utf-8"),
        "codebook.html": codebook_html().encode("utf-8"),
        "codebook.csv": to_csv_bytes(codebook_rows()),
    }
    return _write(Path(folder), files)


def write_templates(folder: Path | str) -> list[Path]:
    """Write one CSV file per table that holds the column names only.

    Returns
    -------
    list of pathlib.Path
        One per table; those that were there with the same bytes are left alone.

    Raises
    ------
    ArgumentError
        If one of them is there with other content, such as a template that was
        filled in. Nothing is written then.
    """
    files = {f"{name}.csv": to_csv_bytes(empty(name), name) for name in TABLE_NAMES}
    return _write(Path(folder), files)
