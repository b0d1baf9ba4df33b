"""One cell's text to one value, with a code of its own for each way it can fail."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache
from typing import Any

from cohortkit.cohort.mapping_parts import Fill
from cohortkit.cohort.reasons import words
from cohortkit.cohort.sheets import DATE, DIGITS_LOST, FORMULA_NO_VALUE, TIME
from cohortkit.cohort.spelling import looks_like_date, normal
from cohortkit.cohort.units import factor
from cohortkit.tables.schema import Field

_ERRORS = frozenset(
    (
        *("#N/A", "#DIV/0!", "#REF!", "#VALUE!", "#NAME?", "#NUM!", "#NULL!", "#SPILL!", "#CALC!"),
        *("#NV", "#BEZUG!", "#WERT!", "#ZAHL!", "#VALEUR!", "#NOM?", "#NOMBRE!", "#NUL!"),
        *("#N/D", "#VALORE!", "#RIF!", "#NOME?", "#¡VALOR!", "#¡REF!", "#¿NOMBRE?"),
    )
)
_UNSIGNED_END = r"(?:\s*[A-Za-zµμ°%/\"'\[\]]+[A-Za-z0-9²^]*)"
_YES_NO = {"true": True, "false": False}
_LONGEST_NUMBER = 30
_LARGEST_WHOLE = 2**53


@dataclass(frozen=True)
class Read:
    """What a cell says: a value (None: missing), or a code and the facts for its words."""

    value: Any = None
    code: str = ""
    facts: dict[str, Any] = field(default_factory=dict)


MISSING = Read()


@dataclass(frozen=True)
class _NumberForms:
    """How a number can be written, rightly and wrongly, for one decimal mark."""

    mark: str
    other: str
    plain: re.Pattern[str]
    ambiguous: re.Pattern[str]
    other_mark: re.Pattern[str]
    thousands: re.Pattern[str]
    exponent: re.Pattern[str]
    limit: re.Pattern[str]
    unit: re.Pattern[str]


@cache
def _forms(mark: str) -> _NumberForms:
    other = "." if mark == "," else ","
    m, o = re.escape(mark), re.escape(other)
    plain = rf"[+-]?(?:[0-9]+(?:{m}[0-9]+)?|{m}[0-9]+)"
    groups = rf"[+-]?[1-9][0-9]{{0,2}}(?:[ '’][0-9]{{3}}|{o}[0-9]{{3}})+(?:{m}[0-9]+)?"
    return _NumberForms(
        mark,
        other,
        plain=re.compile(plain),
        ambiguous=re.compile(rf"[+-]?[1-9][0-9]{{0,2}}{o}[0-9]{{3}}"),
        other_mark=re.compile(rf"[+-]?[0-9]*{o}[0-9]+"),
        thousands=re.compile(groups),
        exponent=re.compile(r"[+-]?[0-9]*[.,]?[0-9]+[eE][+-]?[0-9]+"),
        limit=re.compile(r"[<>≤≥~≈]=?\s*[0-9.,]+.*", re.DOTALL),
        unit=re.compile(rf"[+-]?[0-9]*[.,]?[0-9]+{_UNSIGNED_END}"),
    )


def _label(about: Field) -> str:
    return f"'{about.name}'"


def _wrong_number(text: str, about: Field, forms: _NumberForms) -> Read:
    marks = {"mark": forms.other, "decimal": forms.mark}
    if len(text) > _LONGEST_NUMBER:
        return Read(code="number_too_long")
    for code, pattern in (
        ("ambiguous_thousands", forms.ambiguous),
        ("thousands_mark", forms.thousands),
        ("wrong_decimal_mark", forms.other_mark),
        ("exponent_notation", forms.exponent),
        ("limit_not_declared", forms.limit),
    ):
        if pattern.fullmatch(text):
            return Read(code=code, facts=marks)
    if looks_like_date(text, short=True):
        return Read(
            code="date_where_text_expected", facts={"field": f"a number for {_label(about)}"}
        )
    if forms.unit.fullmatch(text):
        return Read(code="unit_in_cell")
    if text.startswith("="):
        return Read(code="formula_text", facts={"field": "a number"})
    return Read(code="not_a_number", facts={"field": _label(about)})


def _sized(value: float | int, about: Field) -> Read:
    unit = f" {about.unit}" if about.unit and about.unit != "1" else ""
    facts = {"field": _label(about), "value": f"{value:g}", "unit": unit}
    if about.minimum is not None and value < about.minimum:
        return Read(code="below_minimum", facts=facts | {"limit": f"{about.minimum:g}"})
    if about.maximum is not None and value > about.maximum:
        facts |= {"limit": f"{about.maximum:g}"}
        return Read(value, code="above_maximum", facts=facts)
    return Read(value)


def _whole(number: Fraction, about: Field) -> Read:
    if number.denominator != 1:
        return Read(code="not_a_whole_number", facts={"field": _label(about)})
    if abs(number) > _LARGEST_WHOLE:
        return Read(code="number_too_long")
    return _sized(int(number), about)


def _listed(codes: Any) -> str:
    return ", ".join(f"'{c}'" for c in codes)


def _text_value(text: str, about: Field) -> Read:
    if about.codes and text not in about.codes:
        return Read(code="unknown_code", facts={"allowed": _listed(about.codes)})
    if about.pattern and not re.fullmatch(about.pattern, text):
        if text.startswith("="):
            return Read(code="formula_text", facts={"field": _label(about)})
        code = "country_pattern" if about.name == "country" else "pattern"
        return Read(code=code, facts={"field": _label(about)})
    return Read(text)


def constant(value: Any, about: Field) -> Read:
    """A value typed in the mapping file, in the format's own codes and units."""
    if about.type == "boolean":
        known = _YES_NO.get(value) if isinstance(value, str) else value
        if isinstance(known, bool):
            return Read(known)
        return Read(code="not_yes_or_no", facts={"field": _label(about)})
    if about.type == "string":
        if not isinstance(value, str):
            return Read(code="unknown_code", facts={"allowed": "a text in quotes"})
        return _text_value(value, about)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return Read(code="not_a_number", facts={"field": _label(about)})
    if about.type == "integer":
        return _whole(Fraction(value), about)
    return _sized(float(value), about)


def constant_fault(value: Any, about: Field) -> str:
    """What is wrong with a constant, in words; empty if nothing is."""
    read = constant(value, about)
    return words(read.code, **read.facts)[0] if read.code else ""


def not_a_value(raw: str, kind: str, missing: frozenset[str]) -> Read | None:
    """What a cell without any value says: missing, or a spreadsheet's failure. Else None."""
    text = normal(raw)
    if kind == FORMULA_NO_VALUE:
        return Read(code="formula_no_value")
    if text == "" or text in missing:
        return MISSING
    if text in _ERRORS:
        return Read(code="excel_error")
    return None


def checked_text(text: str, about: Field) -> Read:
    """A text put together from cells, held against codes and pattern of its column."""
    return _text_value(text, about)


def sized_day(day: int, about: Field) -> Read:
    """A counted day, held against the range of its column."""
    return _sized(day, about)


class CellReader:
    """Reads the cells of one source column for one column of the format.

    Parameters
    ----------
    fill
        The column's rule in the mapping.
    about
        The column of the format.
    decimal
        Declared decimal mark.
    missing
        Texts that mean missing, in plain spelling.
    """

    def __init__(self, fill: Fill, about: Field, decimal: str, missing: frozenset[str]) -> None:
        self._fill = fill
        self._about = about
        self._forms = _forms(decimal)
        self._missing = missing | {normal(t) for t in fill.missing}
        self._texts = None if fill.text_is is None else {normal(t) for t in fill.text_is}
        self._codes = None
        if fill.codes is not None:
            self._codes = {normal(t): constant(c, about).value for t, c in fill.codes.items()}
        unit = fill.unit or about.unit or ""
        self._factor = factor(unit, about.unit or unit) or Fraction(1)

    def read(self, raw: str, kind: str = "") -> Read:
        """One cell.

        Returns
        -------
        Read
            With range, codes and pattern of the format already looked at.
        """
        text = normal(raw)
        if self._texts is not None and text in self._texts and not kind:
            return Read(True)
        if self._codes is not None and text in self._codes and not kind:
            return Read(self._codes[text])
        nothing = not_a_value(raw, kind, self._missing)
        if nothing is not None:
            return nothing
        if self._texts is not None:
            return Read(False)
        if kind in (DATE, TIME):
            return Read(code="date_where_text_expected", facts={"field": _label(self._about)})
        if kind == DIGITS_LOST:
            return Read(code="digits_lost")
        if self._codes is not None:
            return self._coded(text)
        return self._typed(text)

    def _coded(self, text: str) -> Read:
        codes = self._codes or {}
        if looks_like_date(text, short=True):
            return Read(code="date_where_text_expected", facts={"field": _label(self._about)})
        return Read(code="unknown_code", facts={"allowed": _listed(codes)})

    def _typed(self, text: str) -> Read:
        about = self._about
        if about.type == "string":
            if looks_like_date(text, short=bool(about.codes)):
                return Read(code="date_where_text_expected", facts={"field": _label(about)})
            return _text_value(self._fill.prefix + text, about)
        if about.type == "boolean":
            if text.lower() in _YES_NO:
                return Read(_YES_NO[text.lower()])
            return Read(code="not_yes_or_no", facts={"field": _label(about)})
        if len(text) > _LONGEST_NUMBER or not self._forms.plain.fullmatch(text):
            return _wrong_number(text, about, self._forms)
        number = Fraction(text.replace(self._forms.mark, ".")) * self._factor
        return _whole(number, about) if about.type == "integer" else _sized(float(number), about)
