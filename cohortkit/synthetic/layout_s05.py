"""S05: UTF-16 files with bars between the cells, codes as numbers, dates month first."""

from __future__ import annotations

from cohortkit.synthetic.dirt import Dirt
from cohortkit.synthetic.encoding import csv_bytes
from cohortkit.synthetic.sheets import (
    Column,
    Sheet,
    SiteRows,
    Words,
    central_sheet,
    remarks,
    sheet_of,
)

WORDS = Words(date_format="%m/%d/%Y", yes="1", no="0", missing="-9", unseen=("-8",), cut="S05-")


def _numbered(*codes: str, first: int = 1) -> dict[str, str]:
    """Codes to numbers from `first` on."""
    return {code: str(place) for place, code in enumerate(codes, start=first)}


SEX = _numbered("female", "male")
SIDE = _numbered("left", "right", "both")
DIGIT = _numbered("index", "middle", "ring", "little", first=2)
MECHANISM = _numbered("crimp", "half_crimp", "pocket", "open_hand", "foot_slip", "other", "unknown")
FINDING = _numbered("intact", "injured", "not_assessed", first=0)
STATUS = _numbered("none", "strain", "partial", "complete", first=0)
BASIS = _numbered("surgery", "mri", "us_direct", "us_gap", "clinical", "consensus")
KIND = _numbered("observation", "tape", "ring", "splint", "surgery", "other")
SUPPORT = _numbered("none", "tape", "ring", "splint", first=0)
STANDOFF = _numbered("none", "gel", "gel_pad", first=0)
RETURNED = _numbered("no", "restricted", "full", "gave_up", first=0)
PULLEY = {"A2": "2", "A3": "3", "A4": "4"}
LOAD = _numbered("rest", "loaded", first=0)
METHOD = _numbered("none", "self_press", first=0)
STRUCTURE = _numbered("phalanx", "volar_plate")
PLACE = _numbered("pp_midpoint", "mp_midpoint", "max_gap")
RATER = {"S05-R1": "51", "S05-R2": "52", "S05-R3": "53"}

FILES: dict[str, tuple[str, str, tuple[Column, ...]]] = {
    "subjects": (
        "participants",
        "subjects.csv",
        (
            Column("SUBJ", "participant_id"),
            Column("SEX", "sex", SEX),
            Column("AGE", "age_years"),
            Column("HT", "height_cm"),
            Column("HAND", "dominant_side", SIDE),
            Column("YRS", "climbing_years"),
            Column("LVL", "level_ircra"),
            Column("HRS", "exposure_h_wk"),
        ),
    ),
    "injuries": (
        "episodes",
        "injuries.csv",
        (
            Column("INJ", "episode_id"),
            Column("SUBJ", "participant_id"),
            Column("SIDE", "side", SIDE),
            Column("DIG", "digit", DIGIT),
            Column("DOI", "onset_day", date=True),
            Column("MECH", "mechanism", MECHANISM),
            Column("POP", "audible_pop"),
            Column("PRIOR", "prior_pulley_injury"),
            Column("LUMB", "lumbrical", FINDING),
            Column("COLL", "collateral", FINDING),
        ),
    ),
    "scans": (
        "scans",
        "scans.csv",
        (
            Column("SCAN", "scan_id"),
            Column("SUBJ", "participant_id"),
            Column("INJ", "episode_id"),
            Column("SIDE", "side", SIDE),
            Column("DIG", "digit", DIGIT),
            Column("DATE", "scan_day", date=True),
            Column("WARM", "warm_up"),
            Column("GEL", "standoff", STANDOFF),
            Column("WORN", "support_worn", SUPPORT),
            Column("MCP", "mcp_deg"),
            Column("PIP", "pip_deg"),
            Column("DIP", "dip_deg"),
        ),
    ),
    "readings": (
        "readings",
        "readings.csv",
        (
            Column("SCAN", "scan_id"),
            Column("PUL", "pulley", PULLEY),
            Column("LOAD", "load", LOAD),
            Column("RDR", "rater_id", RATER),
            Column("NO", "read_no"),
            Column("NAVG", "reads_averaged"),
            Column("GAP", "gap_mm"),
            Column("REF", "reference_structure", STRUCTURE),
            Column("PLACE", "caliper_site", PLACE),
            Column("METH", "load_method", METHOD),
            Column("BLREF", "blinded_to_reference"),
            Column("BLPRI", "blinded_to_prior"),
        ),
    ),
    "tears": (
        "tears",
        "tears.csv",
        (
            Column("INJ", "episode_id"),
            Column("SUBJ", "participant_id"),
            Column("PUL", "pulley", PULLEY),
            Column("STAT", "status", STATUS),
            Column("BASIS", "basis", BASIS),
            Column("DATE", "verified_day", date=True),
        ),
    ),
    "treatments": (
        "treatments",
        "treatments.csv",
        (
            Column("INJ", "episode_id"),
            Column("SUBJ", "participant_id"),
            Column("KIND", "kind", KIND),
            Column("FROM", "start_day", date=True),
            Column("TO", "end_day", date=True),
        ),
    ),
    "visits": (
        "visits",
        "visits.csv",
        (
            Column("INJ", "episode_id"),
            Column("SUBJ", "participant_id"),
            Column("VISIT", "visit"),
            Column("PLAN", "planned_day", date=True),
            Column("SEEN", "actual_day", date=True),
            Column("BACK", "returned", RETURNED),
            Column("LVL", "level_ircra"),
            Column("PAIN", "pain_nrs"),
            Column("EXT", "extension_deficit_deg"),
            Column("CRIMP", "crimp_n"),
            Column("CRIMPO", "crimp_other_n"),
            Column("QD", "quickdash"),
            Column("AGAIN", "reinjury"),
        ),
    ),
}


def write_s05(site: SiteRows, dirt: Dirt | None) -> dict[str, bytes]:
    """File name to bytes; with `dirt` the files are spoiled first."""
    sheets = {
        source: sheet_of(source, file, site.tables[table], columns, WORDS, site)
        for source, (table, file, columns) in FILES.items()
    }
    people = sheets["subjects"]
    people.add("ENROLL", [d.strftime(WORDS.date_format) for d in site.enrolled.values()])
    people.add("NOTE", remarks(len(people.rows), 10))
    if dirt:
        _spoil(sheets, dirt)
    out = {s.file: csv_bytes(s, "utf-16", "|") for s in sheets.values()}
    central = central_sheet(site)
    out[central.file] = csv_bytes(central, "utf-8", ",", "\n")
    return out


def _spoil(sheets: dict[str, Sheet], dirt: Dirt) -> None:
    """What goes wrong at this site."""
    gaps, second = sheets["readings"], {"NO": "2"}
    row = dirt.pick(gaps, 2, PUL="3", **second)
    code = "reference_structure_fits_pulley"
    dirt.cell(gaps, row, "REF", "1", code, note="A3 read to the phalanx")
    dirt.cell(gaps, dirt.pick(gaps, 25, **second), "GAP", "0.0", "gap_above_zero")
    dirt.cell(gaps, dirt.pick(gaps, 40, **second), "GAP", "-1.2", "below_minimum")
    dirt.cell(gaps, dirt.pick(gaps, 55, **second), "GAP", "1.2E1", "exponent_notation")
    dirt.cell(gaps, dirt.pick(gaps, 70, **second), "LOAD", "7", "unknown_code")
    dirt.extra_field(gaps, dirt.pick(gaps, 85, **second), "INVENTED")
    dirt.repeat(gaps, dirt.pick(gaps, 100))
    dirt.blank(gaps, 90)
    scans = sheets["scans"]
    unknown = dirt.pick(scans, 7, INJ=WORDS.missing)
    dirt.cell(scans, unknown, "SUBJ", "P999", "no_enrolment_date", note="no such participant")
    row = dirt.pick(scans, 20, INJ=WORDS.missing)
    dirt.cell(scans, row, "DATE", "25/04/2023", "date_not_in_format")
