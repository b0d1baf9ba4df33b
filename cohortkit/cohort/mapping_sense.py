"""Faults in what a mapping says: against the table format and against itself."""

from __future__ import annotations

from collections.abc import Iterator

from cohortkit.cohort.dates import unsupported
from cohortkit.cohort.decoding import known_encoding, path_fault
from cohortkit.cohort.mapping_parts import (
    INLINE_SOURCE,
    Block,
    Fill,
    KeyPath,
    Mapping,
    SourceSpec,
)
from cohortkit.cohort.parsing import constant_fault
from cohortkit.cohort.spelling import nearest
from cohortkit.cohort.units import convertible, factor
from cohortkit.tables.schema import Field, table

Fault = tuple[KeyPath, str]


def _source_faults(spec: SourceSpec) -> Iterator[Fault]:
    place: KeyPath = ("sources", spec.name)
    if spec.name == INLINE_SOURCE:
        yield place, f"the name '{INLINE_SOURCE}' is kept for rows typed in this file"
    fault = path_fault(spec.file)
    if fault:
        yield (*place, "file"), f"'{spec.file}' is not taken, since {fault}"
    if spec.format == "csv":
        if known_encoding(spec.encoding) is None:
            yield (*place, "encoding"), f"'{spec.encoding}' is no text encoding known here"
        if spec.delimiter in "\r\n\0" or spec.delimiter == spec.quote:
            yield (*place, "delimiter"), "cannot be a line end or the quote"
        if spec.delimiter == spec.decimal and not spec.quote:
            yield (*place, "delimiter"), "is also the decimal mark, and there is no quote"


def _value_faults(value: object, field: Field, place: KeyPath) -> Iterator[Fault]:
    fault = constant_fault(value, field)
    if fault:
        yield place, f"{value!r}: {fault}"


def _unit_faults(fill: Fill, field: Field, place: KeyPath) -> Iterator[Fault]:
    if fill.unit and field.type not in ("number", "integer"):
        yield (*place, "unit"), f"'{field.name}' is no number and has no unit"
    elif fill.unit and field.unit and factor(fill.unit, field.unit) is None:
        known = ", ".join(convertible(field.unit))
        yield (*place, "unit"), f"'{fill.unit}' cannot be turned into {field.unit}; known: {known}"


def _fill_faults(fill: Fill, field: Field, place: KeyPath) -> Iterator[Fault]:
    if not fill.columns:
        yield from _value_faults(fill.value, field, (*place, "value"))
        return
    if (fill.join or fill.prefix) and (field.type != "string" or field.codes):
        yield place, f"'{field.name}' is no free code, so 'join' and 'prefix' do not fit it"
    if fill.text_is is not None and field.type != "boolean":
        yield (*place, "text_is"), f"fits yes/no columns only, and '{field.name}' is none"
    for text, code in (fill.codes or {}).items():
        yield from _value_faults(code, field, (*place, "codes", text))
    if fill.date_format and (field.type != "integer" or field.unit != "d"):
        yield (*place, "date_format"), f"'{field.name}' does not count days"
    yield from _unit_faults(fill, field, place)


def _block_faults(block: Block, mapping: Mapping) -> Iterator[Fault]:
    place = block.place
    if block.source not in mapping.sources:
        known = list(mapping.sources)
        yield (*place, "source"), f"no source '{block.source}'{nearest(block.source, known)}"
    schema = table(block.table)
    names = list(schema.column_names)
    for name, fill in block.columns.items():
        if name in names:
            yield from _fill_faults(fill, schema.field(name), (*place, "columns", name))
        else:
            hint = nearest(name, names)
            yield (*place, "columns", name), f"table '{block.table}' has no such column{hint}"
    needed = [f.name for f in schema.fields if f.required and f.name not in block.columns]
    if needed:
        listed = ", ".join(needed)
        yield place, f"table '{block.table}' needs {listed}, and this block does not fill it"


def _date_faults(mapping: Mapping) -> Iterator[Fault]:
    used = [
        (block, name, fill.date_format)
        for block in mapping.blocks
        for name, fill in block.columns.items()
        if fill.date_format
    ]
    for block, name, text in used:
        if unsupported(text):
            place = (*block.place, "columns", name, "date_format")
            yield place, f"'{text}': {unsupported(text)}"
    if used and mapping.enrolment is None:
        block, name, _ = used[0]
        place = (*block.place, "columns", name, "date_format")
        yield place, "dates become days only if [enrolment] says where day 0 stands"
    if mapping.enrolment:
        if mapping.enrolment.source not in mapping.sources:
            hint = nearest(mapping.enrolment.source, list(mapping.sources))
            yield ("enrolment", "source"), f"no source '{mapping.enrolment.source}'{hint}"
        if unsupported(mapping.enrolment.date_format):
            fault = unsupported(mapping.enrolment.date_format)
            yield ("enrolment", "date_format"), f"'{mapping.enrolment.date_format}': {fault}"


def _whole_faults(mapping: Mapping) -> Iterator[Fault]:
    read: dict[tuple[str, str], str] = {}
    for name, spec in mapping.sources.items():
        if not mapping.blocks_of(name) and not (
            mapping.enrolment and mapping.enrolment.source == name
        ):
            yield ("sources", name), "no block reads this source"
        other = read.setdefault((spec.file, spec.sheet), name)
        if other != name:
            yield ("sources", name), f"reads the same as source '{other}', and would count twice"
    for number, row in enumerate(mapping.rows):
        names = list(table(row.table).column_names)
        position = sum(1 for r in mapping.rows[:number] if r.table == row.table)
        for name in row.values:
            if name not in names:
                place: KeyPath = ("rows", row.table, position, name)
                yield place, f"table '{row.table}' has no such column{nearest(name, names)}"
    typed = [r.values.get("site_id") for r in mapping.rows if r.table == "sites"]
    from_file = any(b.table == "sites" for b in mapping.blocks)
    if mapping.site_id not in typed and not from_file:
        yield ("site_id",), f"no row of the table 'sites' has the code '{mapping.site_id}'"


def sense_faults(mapping: Mapping) -> list[Fault]:
    """Key path and sentence of each fault that the shape alone does not show."""
    found: list[Fault] = []
    for spec in mapping.sources.values():
        found += _source_faults(spec)
    for block in mapping.blocks:
        found += _block_faults(block, mapping)
    return found + list(_date_faults(mapping)) + list(_whole_faults(mapping))
