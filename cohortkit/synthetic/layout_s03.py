"""S03: one workbook with several sheets, title rows, merged cells, error cells, numbers as text."""

from __future__ import annotations

from cohortkit.synthetic.dirt import Dirt
from cohortkit.synthetic.encoding import TEXT_MARK, csv_bytes, xlsx_bytes
from cohortkit.synthetic.sheets import (
    Column,
    Sheet,
    SiteRows,
    Words,
    central_sheet,
    remarks,
    sheet_of,
)

FILE = "registry.xlsx"
WORDS = Words(yes="yes", no="no", unseen=("n.d.", "<0.3"), cut="S03-")
SIDE = {"left": "left", "right": "right", "both": "either"}
DIGIT = {"index": "2nd", "middle": "3rd", "ring": "4th", "little": "5th"}
RATER = {"S03-R1": "reader-1", "S03-R2": "reader-2", "S03-R3": "reader-3"}
STATUS = {
    "none": "intact",
    "strain": "strain",
    "partial": "partial tear",
    "complete": "complete tear",
}
STRUCTURE = {"phalanx": "bone", "volar_plate": "volar plate"}

SHEETS: dict[str, tuple[str, str, tuple[Column, ...]]] = {
    "people": (
        "participants",
        "Participants",
        (
            Column("Code", "participant_id"),
            Column("Sex", "sex"),
            Column("Age (y)", "age_years"),
            Column("Height (cm)", "height_cm"),
            Column("Handed", "dominant_side", SIDE),
            Column("Years climbing", "climbing_years"),
            Column("Level", "level_ircra"),
            Column("Hours/week", "exposure_h_wk"),
        ),
    ),
    "injuries": (
        "episodes",
        "Injuries",
        (
            Column("Injury", "episode_id"),
            Column("Code", "participant_id"),
            Column("Hand", "side", SIDE),
            Column("Digit", "digit", DIGIT),
            Column("Injured on", "onset_day", date=True),
            Column("How", "mechanism"),
            Column("Pop", "audible_pop"),
            Column("Earlier", "prior_pulley_injury"),
            Column("Lumbrical", "lumbrical"),
            Column("Collateral", "collateral"),
        ),
    ),
    "scans": (
        "scans",
        "Scans",
        (
            Column("Scan", "scan_id"),
            Column("Code", "participant_id"),
            Column("Injury", "episode_id"),
            Column("Hand", "side", SIDE),
            Column("Digit", "digit", DIGIT),
            Column("Scanned on", "scan_day", date=True),
            Column("Warm", "warm_up"),
            Column("Standoff", "standoff"),
            Column("Worn", "support_worn"),
            Column("Flexion", "mcp_deg"),
            Column("Flexion #2", "pip_deg"),
            Column("Flexion #3", "dip_deg"),
        ),
    ),
    "readings": (
        "readings",
        "Readings",
        (
            Column("Scan", "scan_id"),
            Column("Pulley", "pulley"),
            Column("State", "load"),
            Column("Reader", "rater_id", RATER),
            Column("Read", "read_no"),
            Column("Gap", "gap_mm"),
            Column("Measured to", "reference_structure", STRUCTURE),
            Column("At", "caliper_site"),
            Column("Resisted by", "load_method"),
            Column("Blind to finding", "blinded_to_reference"),
            Column("Blind to first", "blinded_to_prior"),
        ),
    ),
    "findings": (
        "tears",
        "Findings",
        (
            Column("Injury", "episode_id"),
            Column("Code", "participant_id"),
            Column("Pulley", "pulley"),
            Column("Finding", "status", STATUS),
            Column("Ground", "basis"),
            Column("Found on", "verified_day", date=True),
        ),
    ),
    "treatments": (
        "treatments",
        "Treatments",
        (
            Column("Injury", "episode_id"),
            Column("Code", "participant_id"),
            Column("Kind", "kind"),
            Column("From", "start_day", date=True),
            Column("To", "end_day", date=True),
        ),
    ),
    "follow-up": (
        "visits",
        "Follow-up",
        (
            Column("Injury", "episode_id"),
            Column("Code", "participant_id"),
            Column("Visit", "visit"),
            Column("Planned", "planned_day", date=True),
            Column("Came", "actual_day", date=True),
            Column("Climbs", "returned"),
            Column("Level", "level_ircra"),
            Column("Pain", "pain_nrs"),
            Column("Extension lag", "extension_deficit_deg"),
            Column("Crimp N", "crimp_n"),
            Column("Crimp N other", "crimp_other_n"),
            Column("QuickDASH", "quickdash"),
            Column("Again", "reinjury"),
        ),
    ),
}
NUMBERS = {
    "Age (y)", "Height (cm)", "Years climbing", "Level", "Hours/week", "Flexion", "Flexion #2",
    "Flexion #3", "Read", "Gap", "Visit", "Pain", "Extension lag", "Crimp N", "Crimp N other", "QuickDASH",
}  # fmt: skip
DATES = {"Injured on", "Scanned on", "Found on", "From", "To", "Planned", "Came", "Enrolled"}


def write_s03(site: SiteRows, dirt: Dirt | None) -> dict[str, bytes]:
    """File name to bytes; with `dirt` the workbook is spoiled first."""
    sheets = {}
    for source, (table, title, columns) in SHEETS.items():
        sheet = sheet_of(source, FILE, site.tables[table], columns, WORDS, site)
        sheet.sheet = title
        sheet.above = [["INVENTED registry of site S03"], [], [title]]
        sheets[source] = sheet
    people = sheets["people"]
    people.add("Enrolled", [d.isoformat() for d in site.enrolled.values()])
    people.add("Notes", remarks(len(people.rows), 9))
    if dirt:
        _spoil(sheets, dirt)
    gap = sheets["readings"].header.index("Gap")
    for row in sheets["readings"].rows[::40]:
        row[gap] = TEXT_MARK + row[gap]
    notes = "INVENTED data, no person stands behind any row"
    central = central_sheet(site)
    return {
        FILE: xlsx_bytes(list(sheets.values()), NUMBERS, DATES, notes),
        central.file: csv_bytes(central, "utf-8", ",", "\n"),
    }


def _spoil(sheets: dict[str, Sheet], dirt: Dirt) -> None:
    """What goes wrong at this site."""
    gaps, second = sheets["readings"], {"Read": "2"}
    dirt.cell(gaps, dirt.pick(gaps, 4, **second), "Gap", "#N/A", "excel_error")
    dirt.cell(gaps, dirt.pick(gaps, 19, **second), "Gap", "#DIV/0!", "excel_error")
    dirt.cell(gaps, dirt.pick(gaps, 33, **second), "Gap", "1.4 mm", "unit_in_cell")
    dirt.cell(gaps, dirt.pick(gaps, 47, **second), "Gap", "21", "above_maximum")
    dirt.cell(gaps, dirt.pick(gaps, 61, **second), "State", "tired", "unknown_code")
    dirt.cell(gaps, dirt.pick(gaps, 75, **second), "Read", "second", "not_a_number")
    dirt.cell(gaps, dirt.pick(gaps, 82, **second), "Gap", "=1.1+0.2", "formula_no_value")
    lost = dirt.pick(gaps, 90, **second)
    dirt.cell(gaps, lost, "Scan", "C9999", "parent_missing", note="no such scan")
    dirt.repeat(gaps, dirt.pick(gaps, 130))
    scans = sheets["scans"]
    dirt.cell(scans, dirt.pick(scans, 9, Injury=""), "Digit", "6th", "unknown_code")
