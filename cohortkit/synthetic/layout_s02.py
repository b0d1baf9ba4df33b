"""S02: one wide file, a row per scan with everything beside it, UTF-8 with a byte-order mark."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortkit.synthetic.design import LOADS, PULLEYS
from cohortkit.synthetic.dirt import Dirt
from cohortkit.synthetic.encoding import csv_bytes
from cohortkit.synthetic.sheets import (
    Column,
    Sheet,
    SiteRows,
    Words,
    cells,
    central_sheet,
    remarks,
    sheet_of,
)

WORDS = Words(yes="Y", no="N", unseen=("<0.2", "not seen"))
SEX = {"female": "F", "male": "M"}
SIDE = {"left": "L", "right": "R", "both": "B"}
DIGIT = {"index": "D2", "middle": "D3", "ring": "D4", "little": "D5"}
ORDER = {"surgery": 1, "ring": 2, "tape": 3}
VISITS = 4

SCAN = (
    Column("scan", "scan_id"),
    Column("subject", "participant_id"),
    Column("scan side", "side", SIDE),
    Column("scan digit", "digit", DIGIT),
    Column("scan day", "scan_day"),
    Column("warm", "warm_up"),
    Column("standoff", "standoff"),
    Column("support", "support_worn"),
    Column("MCP", "mcp_deg"),
    Column("PIP", "pip_deg"),
    Column("DIP", "dip_deg"),
    Column("episode", "episode_id"),
)
PERSON = (
    Column("sex", "sex", SEX),
    Column("age", "age_years"),
    Column("height cm", "height_cm"),
    Column("hand", "dominant_side", SIDE),
    Column("years climbing", "climbing_years"),
    Column("IRCRA", "level_ircra"),
    Column("h per week", "exposure_h_wk"),
)
INJURY = (
    Column("injured side", "side", SIDE),
    Column("injured digit", "digit", DIGIT),
    Column("injury day", "onset_day"),
    Column("grip", "mechanism"),
    Column("pop", "audible_pop"),
    Column("earlier injury", "prior_pulley_injury"),
    Column("lumbrical", "lumbrical"),
    Column("collateral", "collateral"),
)
VISIT = (
    Column("planned", "planned_day"),
    Column("seen", "actual_day"),
    Column("back", "returned"),
    Column("level", "level_ircra"),
    Column("pain", "pain_nrs"),
    Column("ext", "extension_deficit_deg"),
    Column("crimp", "crimp_n"),
    Column("crimp other", "crimp_other_n"),
    Column("QD", "quickdash"),
    Column("again", "reinjury"),
)


def write_s02(site: SiteRows, dirt: Dirt | None) -> dict[str, bytes]:
    """File name to bytes; with `dirt` the file is spoiled first."""
    tables = site.tables
    scans = tables["scans"]
    wide = sheet_of("wide", "all_in_one.csv", scans, SCAN, WORDS, site)
    person = tables["participants"].set_index("participant_id").loc[scans["participant_id"]]
    for column in PERSON:
        wide.add(column.header, cells(person, column, WORDS, site))
    injury = tables["episodes"].set_index("episode_id").reindex(scans["episode_id"])
    for column in INJURY:
        wide.add(column.header, cells(injury, column, WORDS, site))
    _add_tears(wide, tables["tears"], scans, site)
    _add_readings(wide, tables["readings"], scans, site)
    first = scans["episode_id"].where(~scans.duplicated("episode_id"))
    _add_treatments(wide, tables["treatments"], first, site)
    for visit in range(1, VISITS + 1):
        rows = tables["visits"][tables["visits"]["visit"] == visit]
        rows = rows.set_index("episode_id").reindex(first)
        for column in VISIT:
            wide.add(f"V{visit} {column.header}", cells(rows, column, WORDS, site))
    wide.add("comment", remarks(len(wide.rows), 11))
    if dirt:
        _spoil(wide, dirt)
    central = central_sheet(site)
    return {
        wide.file: csv_bytes(wide, "utf-8-sig", ","),
        central.file: csv_bytes(central, "utf-8", ",", "\n"),
    }


def _add_tears(wide: Sheet, tears: pd.DataFrame, scans: pd.DataFrame, site: SiteRows) -> None:
    """One status per pulley; ground and day once, since this site has one per episode."""
    for pulley in PULLEYS:
        rows = tears[tears["pulley"] == pulley].set_index("episode_id").reindex(scans["episode_id"])
        wide.add(f"{pulley} status", cells(rows, Column("", "status"), WORDS, site))
        if pulley == PULLEYS[-1]:
            wide.add("shown by", cells(rows, Column("", "basis"), WORDS, site))
            wide.add("shown on day", cells(rows, Column("", "verified_day"), WORDS, site))


def _add_readings(wide: Sheet, readings: pd.DataFrame, scans: pd.DataFrame, site: SiteRows) -> None:
    """Reader, then a gap per pulley, load and read, and the force of each loaded read."""
    reader = readings.drop_duplicates("scan_id").set_index("scan_id")["rater_id"]
    wide.add("reader", [str(reader[s]) for s in scans["scan_id"]])
    for read in (1, 2):
        for pulley in PULLEYS:
            for load in LOADS:
                wanted = (
                    (readings["read_no"] == read)
                    & (readings["pulley"] == pulley)
                    & (readings["load"] == load)
                )
                rows = readings[wanted].set_index("scan_id")
                name = f"{pulley} {load} {read}"
                wide.add(name, _where_read(rows, Column("", "gap_mm"), scans, site))
                if load == "loaded":
                    force = _where_read(rows, Column("", "load_n"), scans, site)
                    wide.add(f"{pulley} newton {read}", force)


def _where_read(
    rows: pd.DataFrame, column: Column, scans: pd.DataFrame, site: SiteRows
) -> list[str]:
    """A cell per scan, empty where the scan was not read so."""
    texts = dict(zip(rows.index, cells(rows, column, WORDS, site), strict=True))
    return [texts.get(scan, "") for scan in scans["scan_id"]]


def _add_treatments(
    wide: Sheet, treatments: pd.DataFrame, first: pd.Series, site: SiteRows
) -> None:
    """Up to three treatments, on the first row of an episode."""
    place = treatments["kind"].map(ORDER)
    for slot, kind in enumerate(ORDER, start=1):
        rows = treatments[place == slot].drop_duplicates("episode_id").set_index("episode_id")
        rows = rows.reindex(first)
        wide.add(f"{kind} from", cells(rows, Column("", "start_day"), WORDS, site))
        wide.add(f"{kind} to", cells(rows, Column("", "end_day"), WORDS, site))


def _spoil(wide: Sheet, dirt: Dirt) -> None:
    """What goes wrong at this site."""
    uninjured = {"episode": ""}
    dirt.cell(wide, dirt.pick(wide, 2, **uninjured), "A2 rest 1", "1,1", "wrong_decimal_mark")
    dirt.cell(wide, dirt.pick(wide, 11, **uninjured), "scan", "", "required_missing")
    dirt.cell(wide, dirt.pick(wide, 23, **uninjured), "scan side", "middle", "unknown_code")
    dirt.cell(wide, dirt.pick(wide, 37, **uninjured), "A4 loaded 1", "0.0", "gap_above_zero")
    dirt.cell(wide, dirt.pick(wide, 52, **uninjured), "A4 rest 1", "<0.5", "limit_not_declared")
    dirt.cell(wide, dirt.pick(wide, 66, **uninjured), "MCP", "190", "above_maximum")
    dirt.extra_field(wide, dirt.pick(wide, 80, **uninjured), "INVENTED")
    _two_ages(wide, dirt)
    dirt.repeat(wide, dirt.pick(wide, 95, **uninjured))
    dirt.blank(wide, 60)


def _two_ages(wide: Sheet, dirt: Dirt) -> None:
    """One person with another age in one of two rows: nobody can say which is right."""
    subject, age = wide.header.index("subject"), wide.header.index("age")
    names = np.array([row[subject] for row in wide.rows if len(row) == len(wide.header)])
    found, counts = np.unique(names, return_counts=True)
    injured = {row[subject] for row in wide.rows if row[wide.header.index("episode")]}
    kept = injured | {row[subject] for row in wide.rows if not dirt.spared.isdisjoint(row)}
    person = next(n for n in found[counts == 2] if n not in kept and n > "S02-P040")
    rows = [row for row in wide.rows if row[subject] == person]
    rows[1][age] = str(int(rows[1][age]) + 1)
    for row in rows:
        dirt.note(wide, row, "key_conflict", note="two ages of one person")
