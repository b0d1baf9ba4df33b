"""Faults in the shape of a mapping file, in plain words: keys, types, lists."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any

from jsonschema import Draft202012Validator, ValidationError

from cohortkit.cohort.mapping_parts import KeyPath
from cohortkit.cohort.spelling import nearest
from cohortkit.tables.schema import read_json

_TYPES = {
    "string": "a text",
    "integer": "a whole number",
    "number": "a number",
    "boolean": "true or false",
    "array": "a list",
    "object": "a table",
}
_FILLS = ("value", "from", "join")
_ID = "may hold letters without accents, digits, hyphen and underscore only, 64 at most"
_FORMS = {
    "^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$": _ID,
    "^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$": _ID.replace("hyphen", "dot, hyphen"),
    "%[a-zA-Z]": "is no date format such as %d.%m.%Y",
}

Fault = tuple[KeyPath, str]


@cache
def _validator() -> Draft202012Validator:
    return Draft202012Validator(read_json("mapping.schema.json"))


def _listed(words: Any) -> str:
    return ", ".join(f"'{w}'" for w in words)


def _missing(keys: list[str]) -> str:
    return (
        f"key {_listed(keys)} is missing" if len(keys) == 1 else f"keys {_listed(keys)} are missing"
    )


def _unknown(error: ValidationError, path: KeyPath) -> Iterator[Fault]:
    schema: Any = error.schema
    instance: Any = error.instance
    known = schema.get("properties", {})
    for key in instance:
        if key not in known:
            hint = nearest(key, list(known)) or f"; known here: {_listed(known)}"
            yield (*path, key), f"unknown key '{key}'{hint}"


def _message(error: ValidationError) -> str:
    rule = error.validator
    value: Any = error.validator_value
    instance: Any = error.instance
    if rule == "required":
        return _missing([k for k in value if k not in instance])
    if rule == "dependentRequired":
        absent = [k for key, ks in value.items() if key in instance for k in ks]
        return _missing([k for k in absent if k not in instance])
    if rule == "type":
        kinds = [value] if isinstance(value, str) else value
        return "has to be " + " or ".join(_TYPES[k] for k in kinds)
    if rule == "enum":
        return f"has to be one of {_listed(value)}, not '{instance}'"
    if rule == "const":
        return f"has to be {value}, not '{instance}'"
    if rule in ("minItems", "minLength", "minProperties"):
        return "is empty"
    if rule == "maxLength":
        return f"may have {value} character at most"
    if rule == "minimum":
        return f"has to be {value} or more"
    if rule == "uniqueItems":
        return "names the same thing twice"
    if rule == "pattern":
        return f"'{instance}' {_FORMS.get(value, 'is not written as it has to be')}"
    if error.schema is False:
        return "does not go together with the other keys here"
    return error.message


def _fill_faults(error: ValidationError, path: KeyPath) -> Iterator[Fault]:
    """Faults of a column's rule, judged as the kind of rule it means to be."""
    meant = [k for k in _FILLS if isinstance(error.instance, dict) and k in error.instance]
    if len(meant) != 1:
        yield path, "has to have exactly one of the keys 'from', 'join' and 'value'"
        return
    for part in error.context or []:
        if part.schema_path[0] == _FILLS.index(meant[0]):
            yield from _faults(part, path)


def _faults(error: ValidationError, above: KeyPath = ()) -> Iterator[Fault]:
    path = (*above, *error.path)
    if error.validator == "oneOf":
        yield from _fill_faults(error, path)
    elif error.validator == "additionalProperties":
        yield from _unknown(error, path)
    else:
        yield path, _message(error)


def shape_faults(parsed: dict[str, Any]) -> list[Fault]:
    """Key path and sentence of each fault in the shape of a parsed mapping file.

    The shape is ``schemas/mapping.schema.json``; nothing is looked up in the
    table format or in the clinic's files.
    """
    found = [f for error in _validator().iter_errors(parsed) for f in _faults(error)]
    return sorted(set(found), key=lambda fault: ([str(p).zfill(6) for p in fault[0]], fault[1]))
