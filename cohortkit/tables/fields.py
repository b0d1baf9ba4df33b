"""The table format as Python objects, read from ``schemas/``."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from cohortkit import checks
from cohortkit.errors import CohortkitError


@dataclass(frozen=True)
class Field:
    """One column of one table.

    Parameters
    ----------
    name, title, definition
        Column name, words for people, and how to fill it in.
    type
        ``string``, ``integer``, ``number`` or ``boolean``.
    unit
        UCUM code, or None for text, codes and yes/no.
    required
        True if a row without this value is refused.
    minimum, maximum
        Closed range, or None where a side is open.
    codes
        Code to meaning; empty if the column is not coded.
    pattern
        Regular expression that the whole text must match, or None.
    missing_codes
        Text that means missing to what the absence says. Always holds ``""``.
    example
        A value as it might look; empty where range or codes say enough.
    """

    name: str
    type: str
    title: str
    definition: str
    unit: str | None
    required: bool
    minimum: float | None
    maximum: float | None
    codes: dict[str, str]
    pattern: str | None
    missing_codes: dict[str, str]
    example: str = ""


@dataclass(frozen=True)
class ForeignKey:
    """Columns whose values must be found in another table's key."""

    columns: tuple[str, ...]
    table: str
    reference_columns: tuple[str, ...]


@dataclass(frozen=True)
class TableSchema:
    """One table of the format: its fields in order and its keys."""

    name: str
    title: str
    description: str
    fields: tuple[Field, ...]
    primary_key: tuple[str, ...]
    foreign_keys: tuple[ForeignKey, ...]

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names of the fields, in order."""
        return tuple(f.name for f in self.fields)

    def field(self, name: str) -> Field:
        """The field called `name`.

        Raises
        ------
        ArgumentError
            If the table has no such field.
        """
        checks.one_of("name", name, self.column_names)
        return next(f for f in self.fields if f.name == name)


def shipped_folder(name: str) -> Path:
    """Where a folder that travels with the package lies.

    Parameters
    ----------
    name
        ``schemas``, ``analysis`` or ``synthetic_cohort``.

    Returns
    -------
    pathlib.Path
        The folder inside the installed package, else beside it in a checkout.

    Raises
    ------
    ArgumentError
        If `name` is another word.
    CohortkitError
        If the folder is in neither place.
    """
    checks.one_of("name", name, ("schemas", "analysis", "synthetic_cohort"))
    package = Path(__file__).resolve().parents[1]
    for place in (package / name, package.parent / name):
        if place.is_dir():
            return place
    raise CohortkitError(
        f"The folder '{name}' that belongs to cohortkit is missing",
        where=str(package),
        next_step="install cohortkit again",
    )


def schema_folder() -> Path:
    """The folder that holds the table format."""
    return shipped_folder("schemas")


def read_json(file_name: str) -> Any:
    """A JSON file of the table format.

    Raises
    ------
    CohortkitError
        If it is absent or not JSON.
    """
    path = schema_folder() / file_name
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise CohortkitError(
            "A file of the table format cannot be read",
            where=str(path),
            found=str(error),
            next_step="install cohortkit again",
        ) from error


_PACKAGE = read_json("datapackage.json")

SCHEMA_VERSION: str = _PACKAGE["version"]
"""Version of the table format, as in ``schemas/datapackage.json``."""

TABLE_NAMES: tuple[str, ...] = tuple(r["name"] for r in _PACKAGE["resources"])
"""The tables in an order in which every table follows those it points to."""


def _field(entry: dict[str, Any], table_missing: list[dict[str, str]]) -> Field:
    limits = entry.get("constraints", {})
    missing = entry.get("missingValues", table_missing)
    return Field(
        name=entry["name"],
        type=entry["type"],
        title=entry["title"],
        definition=entry["description"],
        unit=entry.get("unit"),
        required=limits.get("required", False),
        minimum=limits.get("minimum"),
        maximum=limits.get("maximum"),
        codes={c["value"]: c["label"] for c in entry.get("categories", [])},
        pattern=limits.get("pattern"),
        missing_codes={m["value"]: m["label"] for m in missing},
        example=entry.get("example", ""),
    )


@cache
def table(name: str) -> TableSchema:
    """The schema of one table.

    Raises
    ------
    ArgumentError
        If the format has no such table.
    """
    checks.one_of("name", name, TABLE_NAMES)
    raw = read_json(f"{name}.json")
    keys = tuple(
        ForeignKey(tuple(k["fields"]), k["reference"]["resource"], tuple(k["reference"]["fields"]))
        for k in raw.get("foreignKeys", [])
    )
    return TableSchema(
        name=raw["name"],
        title=raw["title"],
        description=raw["description"],
        fields=tuple(_field(entry, raw["missingValues"]) for entry in raw["fields"]),
        primary_key=tuple(raw["primaryKey"]),
        foreign_keys=keys,
    )
