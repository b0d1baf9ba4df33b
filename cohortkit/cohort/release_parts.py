"""The files of a release as bytes, made from a pool whose ids are coded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from cohortkit.cohort.descriptor import SIDE_COLUMNS, descriptor_bytes
from cohortkit.cohort.flow import COLUMNS as FLOW_COLUMNS
from cohortkit.cohort.flow import content
from cohortkit.cohort.identifiers import Origin, refuse_identifiers, screen, screen_text
from cohortkit.cohort.identity import Draw, IdCoding, code_tables, id_names
from cohortkit.cohort.manifest import DESCRIPTOR, SIDE_TABLES
from cohortkit.cohort.origins import record_place, row_origin
from cohortkit.cohort.parquet import to_parquet_bytes
from cohortkit.cohort.pooling import Pooled, keyed_breaches
from cohortkit.cohort.row_keys import row_keys
from cohortkit.errors import ReleaseError
from cohortkit.tables.canonical import from_csv_bytes, to_csv_bytes
from cohortkit.tables.rules import RULES
from cohortkit.tables.schema import TABLE_NAMES, typed

_TYPES = {"string": "string", "integer": "Int64", "number": "float64", "boolean": "boolean"}


@dataclass(frozen=True)
class Parts:
    """What goes into a release folder, the manifest apart, and the codes to be kept with it."""

    files: dict[str, bytes]
    rows: dict[str, int]
    sites: tuple[str, ...]
    corrected: dict[str, int]
    drawn: Draw


def build_parts(pooled: Pooled, ids: IdCoding) -> Parts:
    """Screen the pool, code its ids, and render every file. Nothing is written.

    Raises
    ------
    IdentifierError
        If anything looks like a person's identifier, before or after coding, or a
        table has a column that the format does not know.
    ReleaseError
        If rows and their provenance do not match.
    """
    refuse_identifiers(screen(pooled.tables), origin=_origin(pooled))
    raw = {name: typed(pooled.tables[name], name) for name in TABLE_NAMES}
    drawn = ids.draw(id_names(raw))
    coded, codes = code_tables(raw, drawn.codes)
    keys = {
        name: pd.Series(
            row_keys(coded[name], name).astype(object).to_numpy(),
            index=row_keys(raw[name], name).astype(object),
        )
        for name in TABLE_NAMES
    }
    provenance = _provenance(pooled.provenance, keys)
    side = {
        "flow": _flow(pooled, raw),
        "refusals": _refusals(pooled.problems),
        "warnings": _warnings(pooled, raw, keys),
        "duplicates": _duplicates(pooled.duplicates, codes["participant"]),
    }
    side_by_side = pd.DataFrame({"notice": list(pooled.notices)}, dtype="string")
    refuse_identifiers(screen(coded), origin=_origin(pooled))
    _screen_side(provenance, side | {"notices": side_by_side})
    csv = {name: to_csv_bytes(coded[name], name) for name in TABLE_NAMES}
    files: dict[str, bytes] = {}
    for name, data in csv.items():
        files[f"tables/{name}.csv"] = data
        files[f"tables/{name}.parquet"] = to_parquet_bytes(from_csv_bytes(data, name))
    files["provenance.csv"] = to_csv_bytes(provenance)
    files["provenance.parquet"] = to_parquet_bytes(provenance)
    files |= {f"{name}.csv": to_csv_bytes(side[name]) for name in SIDE_TABLES}
    files[DESCRIPTOR] = descriptor_bytes(files)
    sites = tuple(sorted(coded["sites"]["site_id"].astype(object)))
    return Parts(
        files=files,
        rows={name: len(coded[name]) for name in TABLE_NAMES},
        sites=sites,
        corrected=_corrected(provenance, sites),
        drawn=drawn,
    )


def _corrected(provenance: pd.DataFrame, sites: Sequence[str]) -> dict[str, int]:
    """Corrected records by site. A record that made several rows counts once."""
    record = ["site_id", "source", "file_sha256", "line"]
    held = provenance.loc[provenance["corrected"], record].drop_duplicates()
    return {site: int((held["site_id"] == site).sum()) for site in sites}


def _origin(pooled: Pooled) -> Origin:
    """Where a row of the pool comes from; coded rows stand in the same order."""
    return lambda name, row: row_origin(pooled.tables[name], name, pooled.provenance, row)


def _screen_side(provenance: pd.DataFrame, side: Mapping[str, pd.DataFrame]) -> None:
    """What will be written beside the tables. Keys hold nothing but codes and table values."""
    texts = {"provenance": provenance.drop(columns="key")} | {
        name: frame.drop(columns="key") if "key" in frame else frame for name, frame in side.items()
    }
    for name, frame in texts.items():
        refuse_identifiers(screen_text(frame, name), origin=_side_origin(frame))


def _side_origin(frame: pd.DataFrame) -> Origin:
    """Site and line of a side table's row, as far as the table itself names them."""
    held = frame[[name for name in ("site_id", "line") if name in frame]]
    return lambda _name, row: record_place(held.iloc[row].to_dict())


def _shaped(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """The columns and types of a side table, rows from 0."""
    columns = SIDE_COLUMNS[name]
    kinds = {column: _TYPES[kind] for column, (kind, _) in columns.items()}
    return frame[list(columns)].astype(kinds).reset_index(drop=True)


def _provenance(provenance: pd.DataFrame, keys: Mapping[str, pd.Series]) -> pd.DataFrame:
    """Where each row comes from, under its coded key. The file is named by its hash only."""
    parts = []
    for name in TABLE_NAMES:
        own = provenance[provenance["table"] == name]
        lost = ~own["key"].astype(object).isin(keys[name].index)
        bare = ~keys[name].index.isin(own["key"].astype(object))
        if lost.any() or bare.any():
            raise ReleaseError(
                "Rows and their provenance do not match",
                where=f"table '{name}'",
                found=f"{int(bare.sum())} rows without provenance, {int(lost.sum())} lines of "
                "provenance without a row",
                next_step="pool the clinics again and freeze the pool as it comes",
            )
        parts.append(own.assign(key=own["key"].astype(object).map(keys[name])))
    frame = _shaped(pd.concat(parts), "provenance")
    order = {name: k for k, name in enumerate(TABLE_NAMES)}
    frame = frame.assign(_order=frame["table"].astype(object).map(order))
    by = ["_order", "key", "site_id", "source", "line"]
    return frame.sort_values(by, kind="stable").drop(columns="_order").reset_index(drop=True)


def _flow(pooled: Pooled, tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    released = pd.DataFrame(content(tables, "released"), columns=list(FLOW_COLUMNS))
    pooled_rows = pooled.flow[list(FLOW_COLUMNS)]
    return _shaped(pd.concat([pooled_rows.astype(object), released.astype(object)]), "flow")


def _refusals(problems: pd.DataFrame) -> pd.DataFrame:
    """Problems counted. Warnings count where the record stands: a refused one is not kept."""
    record = pd.MultiIndex.from_frame(problems[["site_id", "source", "line"]].astype(object))
    refused = record[problems["severity"].eq("refuse").to_numpy(dtype=bool)]
    moot = problems["severity"].eq("warning").to_numpy(dtype=bool) & record.isin(refused)
    problems = problems[~moot]
    by = ["site_id", "source", "code", "severity"]
    counted = problems.astype(dict.fromkeys(by, "string")).groupby(by, sort=True).size()
    return _shaped(counted.rename("n").reset_index(), "refusals")


def _warnings(
    pooled: Pooled, raw: Mapping[str, pd.DataFrame], keys: Mapping[str, pd.Series]
) -> pd.DataFrame:
    """Rows of the release that carry a warning.

    Rules are judged on the rows themselves. Any other warning belongs to a record,
    and so to every row that the record made.
    """
    breaches = keyed_breaches(raw)
    breaches = breaches[breaches["severity"] == "warning"].rename(columns={"rule": "code"})
    by_rule = breaches[["table", "key", "code"]].astype(object)
    origin = pooled.provenance.drop_duplicates(["table", "key"])[["table", "key", "site_id"]]
    by_rule = by_rule.merge(origin.astype(object), on=["table", "key"], how="left")
    record = ["site_id", "source", "line"]
    others = pooled.problems["severity"].eq("warning") & ~pooled.problems["code"].isin(RULES)
    warned = pooled.problems.loc[others, [*record, "code"]].drop_duplicates().astype(object)
    by_record = warned.merge(pooled.provenance.astype(object), on=record)
    columns = list(SIDE_COLUMNS["warnings"])
    rows = pd.concat([by_rule[columns], by_record[columns]]).drop_duplicates()
    coded = [keys[name].loc[key] for name, key in zip(rows["table"], rows["key"], strict=True)]
    rows = rows.assign(key=pd.Series(coded, index=rows.index, dtype=object))
    return _shaped(rows.sort_values(columns, kind="stable"), "warnings")


def _duplicates(duplicates: pd.DataFrame, codes: Mapping[str, str]) -> pd.DataFrame:
    """Candidate pairs under their codes, in an order that does not tell the ids."""
    rows = []
    for pair in duplicates.to_dict("records"):
        one = (pair["site_id_1"], codes[pair["participant_id_1"]])
        two = (pair["site_id_2"], codes[pair["participant_id_2"]])
        (site_1, code_1), (site_2, code_2) = sorted((one, two))
        told = (pair["evidence_bits"], pair["agrees"], pair["differs"])
        rows.append((code_1, site_1, code_2, site_2, *told))
    rows.sort(key=lambda row: (-row[4], *row[:4]))
    columns = list(SIDE_COLUMNS["duplicates"])
    return _shaped(pd.DataFrame(rows, columns=columns, dtype=object), "duplicates")
