"""Signs of a person's identity that must not enter a release.

The classes are those of the Safe Harbor list (45 CFR 164.514(b)(2)), as far as
they can stand in a table of text and numbers. A finding names table, column,
row and kind; it never repeats the value.

What it cannot do: tell a surname from any other single word, or know that an
opaque number is a hospital number. So text is not searched for names only: in a
table of the format every text that is no code of the codebook is a finding.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeAlias

import pandas as pd

from cohortkit.cohort.patterns import header_kind, id_kind, text_kind
from cohortkit.errors import IdentifierError
from cohortkit.tables.schema import TABLE_NAMES, Field, table

KINDS: dict[str, str] = {
    "name": "names",
    "address": "places smaller than a state",
    "date": "calendar dates, dates of birth included",
    "age_over_89": "ages over 89",
    "phone": "telephone numbers",
    "fax": "fax numbers",
    "email": "e-mail addresses",
    "social_security_number": "social security numbers",
    "record_number": "medical record numbers",
    "health_plan_number": "health plan numbers",
    "account_number": "account numbers",
    "licence_number": "certificate and licence numbers",
    "vehicle_number": "vehicle numbers and plates",
    "device_serial": "device identifiers and serial numbers",
    "url": "web addresses",
    "ip_address": "IP addresses",
    "biometric": "biometric identifiers",
    "photograph": "photographs and comparable images",
    "other_code": "any other number, characteristic or code of its own",
}
"""Kind of finding to the class of the Safe Harbor list that it stands for."""

COLUMNS = ("table", "column", "row", "kind")
_LONGEST_AGE = 89
_FURTHEST_DAY = 20_000  # about 55 years; the serial day numbers of spreadsheets lie above
_LISTED = 20

Finding: TypeAlias = tuple[str, str, int | None, str]
"""Table, column, row (None for the column's name) and kind."""
Origin: TypeAlias = Callable[[str, int], str]
"""Gives the clinic's file and line of a table's row, in words, or empty text."""
Judge: TypeAlias = Callable[[Any], str]
"""Gives the kind of identifier that a value holds, or empty text."""


def screen_headers(headers: Iterable[str]) -> dict[str, str]:
    """Column names that announce an identifier, with its kind.

    Takes names in English, German, French, Italian or Spanish, in any spelling
    (``Geburts-Datum``, ``dateOfBirth``). Columns of the table format are clean.

    Returns
    -------
    dict
        Column name to kind, in the order given; clean names are absent.
    """
    found = {str(header): header_kind(str(header)) for header in headers}
    return {header: kind for header, kind in found.items() if kind}


def screen(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Every place in tables of the format that may hold an identifier.

    Ids of participants, episodes, scans, readings, raters and devices become
    codes in a release, so a bare number in them is no finding; a date, an
    address or a written name in them is. Other text must be a code of the
    codebook. Numbers must lie in the codebook's range; ages over 89 and days so
    large that they are calendar dates are findings.

    Parameters
    ----------
    tables
        Table name to rows. A name that is not of the format is searched as
        free text, as `screen_text` does.

    Returns
    -------
    pandas.DataFrame
        Columns ``table, column, row, kind``; `row` counts from 0 and is missing
        if the column name is the finding. Never a value.
    """
    rows: list[Finding] = []
    sites = tuple(tables["sites"]["site_id"].dropna().astype(str)) if "sites" in tables else ()
    for name, frame in tables.items():
        rows += _table_rows(frame, name, sites) if name in TABLE_NAMES else _text_rows(frame, name)
    return _findings(rows)


def screen_text(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """The same for a table outside the format: names and text cells are searched."""
    return _findings(_text_rows(frame, name))


def refuse_identifiers(
    findings: pd.DataFrame,
    what: str = "The pool cannot be frozen",
    *,
    origin: Origin | None = None,
) -> None:
    """Stop if anything was found.

    Parameters
    ----------
    findings
        As `screen` gives them.
    what
        What could not be done.
    origin
        Gives the clinic's file and line of a row. Without it, or where it knows
        none, the row's number in the table is named.

    Raises
    ------
    IdentifierError
        Names each place and kind (the first twenty), never a value.
    """
    if findings.empty:
        return
    listed = findings.head(_LISTED).to_dict("records")
    rows = [
        f"table '{r['table']}', column '{r['column']}'{_row_place(r['table'], r['row'], origin)}"
        f": {r['kind']} ({KINDS[r['kind']]})"
        for r in listed
    ]
    more = len(findings) - len(rows)
    places = "one place" if len(findings) == 1 else f"{len(findings)} places"
    raise IdentifierError(
        f"{what}: {places} may identify a person",
        where="; ".join(rows) + (f"; and {more} more" if more > 0 else ""),
        found="not shown here; look at the lines named, in the clinic's own file",
        next_step="take the column or the value out of the clinic's file or its mapping, or give a "
        "code in its place, and import again",
    )


def _row_place(name: str, row: Any, origin: Origin | None) -> str:
    if pd.isna(row):
        return ""
    place = origin(name, int(row)) if origin else ""
    return f", {place}" if place else f", row {row}"


def _text_rows(frame: pd.DataFrame, name: str) -> list[Finding]:
    found: list[Finding] = [
        (name, column, None, kind) for column, kind in screen_headers(frame.columns).items()
    ]
    for i, column in _columns(frame):
        found += _in_cells(name, column, frame.iloc[:, i], text_kind)
    return found


def _table_rows(frame: pd.DataFrame, name: str, sites: tuple[str, ...]) -> list[Finding]:
    schema = table(name)
    found: list[Finding] = []
    for i, column in _columns(frame):
        judge: Judge = text_kind
        if column in schema.column_names:
            judge = _judge_of(schema.field(column), sites)
        else:
            found.append((name, column, None, header_kind(column) or "other_code"))
        found += _in_cells(name, column, frame.iloc[:, i], judge)
    return found


def _judge_of(field: Field, sites: tuple[str, ...]) -> Judge:
    if field.type in ("integer", "number"):
        return lambda value: _number_kind(value, field)
    if field.type == "boolean":
        return lambda value: text_kind(value) if isinstance(value, str) else ""
    if field.name.endswith("_id"):
        return lambda value: _id_cell_kind(value, field, sites)
    return lambda value: _code_kind(value, field)


def _number_kind(value: Any, field: Field) -> str:
    if isinstance(value, str):
        return text_kind(value) or "other_code"
    if field.name == "age_years" and value > _LONGEST_AGE:
        return "age_over_89"
    if field.name.endswith("_day") and abs(value) > _FURTHEST_DAY:
        return "date"
    low = field.minimum is not None and value < field.minimum
    high = field.maximum is not None and value > field.maximum
    return "other_code" if low or high else ""


def _id_cell_kind(value: Any, field: Field, sites: tuple[str, ...]) -> str:
    text = str(value)
    whole = field.pattern is None or re.fullmatch(field.pattern, text)
    return id_kind(text, field.name, sites) or ("" if whole else text_kind(text) or "other_code")


def _code_kind(value: Any, field: Field) -> str:
    text = str(value)
    if text in field.codes:
        return ""
    if not field.codes and field.pattern and re.fullmatch(field.pattern, text):
        return ""
    return text_kind(text) or "other_code"


def _columns(frame: pd.DataFrame) -> list[tuple[int, str]]:
    return list(enumerate(map(str, frame.columns)))


def _in_cells(name: str, column: str, values: pd.Series, judge: Judge) -> list[Finding]:
    """Each cell that `judge` gives a kind; every distinct value is judged once."""
    codes, distinct = pd.factorize(values.astype(object).to_numpy())
    kinds = [judge(value) for value in distinct]
    hits = {i for i, kind in enumerate(kinds) if kind}
    if not hits:
        return []
    return [(name, column, row, kinds[code]) for row, code in enumerate(codes) if code in hits]


def _findings(rows: list[Finding]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=list(COLUMNS), dtype=object)
    words = {"table": "string", "column": "string", "row": "Int64", "kind": "string"}
    return frame.astype(words)
