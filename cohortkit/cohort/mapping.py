"""A clinic's mapping file: which cell of which file fills which column, in which unit and code.

Written in TOML beside the clinic's files; format in ``schemas/mapping.schema.json``.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from cohortkit.cohort.decoding import Opening, read_regular_file
from cohortkit.cohort.draft import DraftMapping, draft_mapping
from cohortkit.cohort.mapping_parts import (
    Block,
    Enrolment,
    Fill,
    InlineRow,
    KeyPath,
    Mapping,
    Selector,
    SourceSpec,
)
from cohortkit.cohort.mapping_sense import sense_faults
from cohortkit.cohort.mapping_shape import Fault, shape_faults
from cohortkit.cohort.toml_lines import key_lines, line_of, shown
from cohortkit.errors import MappingError
from cohortkit.tables.canonical import sha256
from cohortkit.tables.schema import TABLE_NAMES

__all__ = ["DraftMapping", "Mapping", "draft_mapping", "read_mapping"]

_MAX_BYTES = 2_000_000
_OPENING = Opening(
    "The mapping file",
    "check its path; 'cohortkit draft-mapping FILE --out mapping.toml' drafts one from a clinic's "
    "file",
    MappingError,
)
_TOML_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


def _selector(raw: dict[str, Any] | None) -> Selector | None:
    return Selector(raw["column"].strip(), tuple(raw["equals"])) if raw else None


def _source(name: str, raw: dict[str, Any]) -> SourceSpec:
    known = dict(raw)
    known["ignore_when"] = _selector(known.pop("ignore_when", None))
    known["missing"] = tuple(known.get("missing", ("",)))
    known["ignore"] = tuple(n.strip() for n in known.get("ignore", ()))
    return SourceSpec(name=name, **known)


def _optional_texts(raw: dict[str, Any], key: str) -> tuple[str, ...] | None:
    return tuple(raw[key]) if key in raw else None


def _fill(raw: dict[str, Any]) -> Fill:
    if "value" in raw:
        return Fill(value=raw["value"])
    joined = "join" in raw
    return Fill(
        columns=tuple(n.strip() for n in (raw["join"] if joined else [raw["from"]])),
        join=joined,
        separator=raw.get("with", ""),
        prefix=raw.get("prefix", ""),
        unit=raw.get("unit", ""),
        codes=raw.get("codes"),
        date_format=raw.get("date_format", ""),
        participant=raw.get("participant", "").strip(),
        text_is=_optional_texts(raw, "text_is"),
        missing=tuple(raw.get("missing", ())),
    )


def _blocks(parsed: dict[str, Any]) -> Iterator[Block]:
    for number, raw in enumerate(parsed.get("tables", [])):
        place: KeyPath = ("tables", number)
        for k, variant in enumerate(raw.get("variants", [{"columns": {}}])):
            columns = raw["columns"] | variant["columns"]
            yield Block(
                table=raw["table"],
                source=raw["source"],
                columns={name: _fill(rule) for name, rule in columns.items()},
                repeats=raw.get("repeats", False),
                blank_when=tuple(
                    n.strip() for n in variant.get("blank_when", raw.get("blank_when", ()))
                ),
                only_when=_selector(variant.get("only_when", raw.get("only_when"))),
                place=(*place, "variants", k) if "variants" in raw else place,
            )


def _rows(parsed: dict[str, Any], lines: dict[KeyPath, int]) -> Iterator[InlineRow]:
    for name in TABLE_NAMES:
        for number, values in enumerate(parsed.get("rows", {}).get(name, [])):
            yield InlineRow(name, values, line_of(lines, ("rows", name, number)) or 1)


def _stop(path: Path, lines: dict[KeyPath, int], faults: list[Fault]) -> MappingError:
    told = [(line_of(lines, place) or 1, shown(place), message) for place, message in faults]
    ordered = sorted(dict.fromkeys(told), key=lambda fault: fault[0])
    places = [f"line {line}, {key}" for line, key, _ in ordered]
    messages = [message for _, _, message in ordered]
    if len(ordered) == 1:
        count, where, found = "one fault", f", {places[0]}", messages[0]
    else:
        numbers = ", ".join(str(line) for line in dict.fromkeys(fault[0] for fault in ordered))
        count, where = f"{len(ordered)} faults", f", lines {numbers}"
        found = "; ".join(f"{p}: {m}" for p, m in zip(places, messages, strict=True))
    return MappingError(
        f"The mapping file has {count}",
        where=f"file '{path}'{where}",
        found=found,
        next_step="correct the lines named; docs/mapping.md explains the format key by key",
    )


def _not_toml(path: Path, where: str, found: str) -> MappingError:
    correct = "correct the line named, and put texts between straight quotes"
    return MappingError(
        "The mapping file is not TOML in UTF-8",
        where=f"file '{path}'{where}",
        found=found,
        next_step=correct
        if path.suffix.lower() == ".toml"
        else "give the clinic's mapping file, which ends in .toml, not its data; if this is the "
        f"mapping file, {correct}",
    )


def _toml_fault(path: Path, text: str, error: tomllib.TOMLDecodeError) -> MappingError:
    told = str(error)
    place = _TOML_PLACE.search(told)
    said = told[: place.start()] if place else told
    if place and place[1]:
        line = int(place[1])
        said = said.replace("Cannot overwrite a value", "the same key stands here a second time")
        reads = text.split("\n")[line - 1].strip()[:80]
        return _not_toml(
            path, f", line {line}, column {place[2]}", f"{said}; the line reads: {reads}"
        )
    last = len(text.rstrip("\n").split("\n"))
    found = f"{said}; a quote or bracket that was opened above is not closed"
    return _not_toml(path, f", line {last} (the end)", found)


def _parsed(path: Path) -> tuple[bytes, str, dict[str, Any]]:
    data = read_regular_file(path, str(path), _OPENING)
    if len(data) > _MAX_BYTES:
        raise _not_toml(path, "", f"{len(data)} bytes; a mapping has {_MAX_BYTES} at most")
    try:
        text = data.decode("utf-8-sig").replace("\r\n", "\n")
        return data, text, tomllib.loads(text)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        found = f"byte 0x{data[error.start]:02X}; save the file as UTF-8 in a text editor"
        raise _not_toml(path, f", line {line}", found) from error
    except tomllib.TOMLDecodeError as error:
        raise _toml_fault(path, text, error) from error
    except (ValueError, RecursionError) as error:
        raise _not_toml(path, "", "brackets nested too deeply, or a number too long") from error


def read_mapping(path: str | os.PathLike[str]) -> Mapping:
    """Read and check a mapping file; no file of the clinic is opened.

    Parameters
    ----------
    path
        The TOML file. Files it names lie in its folder or below.

    Returns
    -------
    Mapping
        With variants applied and defaults filled in.

    Raises
    ------
    MappingError
        Once, naming every fault with its line and key; or if the file cannot be opened.
    """
    path = Path(path)
    data, text, parsed = _parsed(path)
    lines = key_lines(text)
    faults = shape_faults(parsed)
    if faults:
        raise _stop(path, lines, faults)
    enrolment = parsed.get("enrolment")
    mapping = Mapping(
        path=path,
        sha256=sha256(data),
        site_id=parsed["site_id"],
        sources={name: _source(name, raw) for name, raw in parsed.get("sources", {}).items()},
        blocks=tuple(_blocks(parsed)),
        rows=tuple(_rows(parsed, lines)),
        enrolment=Enrolment(**enrolment) if enrolment else None,
        lines=lines,
        notice=parsed.get("notice", "").strip(),
    )
    faults = sense_faults(mapping)
    if faults:
        raise _stop(path, lines, faults)
    return mapping
