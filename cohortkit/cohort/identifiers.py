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
from collections.abc import Iterable, Mapping
from typing import Any

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
    parts = [
        _screen_table(frame, name) if name in TABLE_NAMES else screen_text(frame, name)
        for name, frame in tables.items()
    ]
    return _stacked(parts)


def screen_text(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """The same for a table outside the format: names and text cells are searched."""
    findings = [
        _in_header(name, column, kind) for column, kind in screen_headers(frame.columns).items()
    ]
    findings += [
        _in_cells(name, c, _kinds(frame.iloc[:, i], text_kind)) for i, c in _columns(frame)
    ]
    return _stacked(findings)


def refuse_identifiers(findings: pd.DataFrame, what: str = "The pool cannot be frozen") -> None:
    """Stop if anything was found.

    Raises
    ------
    IdentifierError
        Names each place and kind (the first twenty), never a value.
    """
    if findings.empty:
        return
    rows = [
        f"table '{r['table']}', column '{r['column']}'"
        + ("" if pd.isna(r["row"]) else f", row {r['row']}")
        + f": {r['kind']} ({KINDS[r['kind']]})"
        for r in findings.head(_LISTED).to_dict("records")
    ]
    more = len(findings) - len(rows)
    raise IdentifierError(
        f"{what}: {len(findings)} places may identify a person",
        where="; ".join(rows) + (f"; and {more} more" if more > 0 else ""),
        next_step="take the column or the value out at the clinic, or code it, and import again",
    )


def _screen_table(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    schema = table(name)
    findings = []
    for i, column in _columns(frame):
        if column not in schema.column_names:
            findings.append(_in_header(name, column, header_kind(column) or "other_code"))
            findings.append(_in_cells(name, column, _kinds(frame.iloc[:, i], text_kind)))
        else:
            judge = _judge_of(schema.field(column))
            findings.append(_in_cells(name, column, _kinds(frame.iloc[:, i], judge)))
    return _stacked(findings)


def _judge_of(field: Field) -> Any:
    if field.type in ("integer", "number"):
        return lambda value: _number_kind(value, field)
    if field.type == "boolean":
        return lambda value: text_kind(value) if isinstance(value, str) else ""
    if field.name.endswith("_id"):
        return lambda value: _id_cell_kind(value, field)
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


def _id_cell_kind(value: Any, field: Field) -> str:
    text = str(value)
    whole = field.pattern is None or re.fullmatch(field.pattern, text)
    return id_kind(text, field.name) or ("" if whole else text_kind(text) or "other_code")


def _code_kind(value: Any, field: Field) -> str:
    text = str(value)
    if text in field.codes:
        return ""
    if not field.codes and field.pattern and re.fullmatch(field.pattern, text):
        return ""
    return text_kind(text) or "other_code"


def _columns(frame: pd.DataFrame) -> list[tuple[int, str]]:
    return list(enumerate(map(str, frame.columns)))


def _kinds(column: pd.Series, judge: Any) -> list[tuple[int, str]]:
    """Position and kind of each cell that `judge` names; distinct values once."""
    values = column.astype(object).to_numpy()
    codes, distinct = pd.factorize(values)
    kinds = [judge(value) for value in distinct]
    hits = {i for i, kind in enumerate(kinds) if kind}
    if not hits:
        return []
    return [(row, kinds[code]) for row, code in enumerate(codes) if code in hits]


def _in_header(name: str, column: str, kind: str) -> pd.DataFrame:
    return _findings([(name, column, pd.NA, kind)])


def _in_cells(name: str, column: str, hits: list[tuple[int, str]]) -> pd.DataFrame:
    return _findings([(name, column, row, kind) for row, kind in hits])


def _findings(rows: list[tuple[Any, ...]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=list(COLUMNS), dtype=object)
    words = {"table": "string", "column": "string", "row": "Int64", "kind": "string"}
    return frame.astype(words)


def _stacked(parts: list[pd.DataFrame]) -> pd.DataFrame:
    full = [part for part in parts if not part.empty]
    return pd.concat(full, ignore_index=True) if full else _findings([])
