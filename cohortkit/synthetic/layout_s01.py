"""S01: separate files in cp1252, semicolons, decimal commas, German-like words, dates day first."""

from __future__ import annotations

from cohortkit.synthetic.dirt import WARNING, Dirt
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

WORDS = Words(
    decimal=",",
    date_format="%d.%m.%Y",
    yes="ja",
    no="nein",
    missing="k.A.",
    unseen=("n.d.", "<0,3"),
    cut="S01-",
)
SEX = {"female": "w", "male": "m"}
HAND = {"left": "links", "right": "rechts", "both": "beide"}
DIGIT = {
    "index": "Zeigefinger",
    "middle": "Mittelfinger",
    "ring": "Ringfinger",
    "little": "Kleinf.",
}
MECHANISM = {
    "crimp": "aufgestellt",
    "half_crimp": "halb aufgestellt",
    "pocket": "Fingerloch",
    "open_hand": "hängend",
    "foot_slip": "abgerutscht",
    "other": "andere",
    "unknown": "unklar",
}
FINDING = {"intact": "unverletzt", "injured": "verletzt", "not_assessed": "nicht beurteilt"}
STATUS = {"none": "keine", "strain": "Zerrung", "partial": "Teilriss", "complete": "Riss"}
BASIS = {
    "surgery": "OP",
    "mri": "MRT",
    "us_direct": "US direkt",
    "us_gap": "US Abstand",
    "clinical": "klinisch",
    "consensus": "Konsens",
}
KIND = {
    "observation": "abwarten",
    "tape": "Tape",
    "ring": "Ring",
    "splint": "Schiene",
    "surgery": "OP",
    "other": "andere",
}
SUPPORT = {"none": "ohne", "tape": "Tape", "ring": "Ring", "splint": "Schiene"}
STANDOFF = {"none": "ohne", "gel": "Gel", "gel_pad": "Gelkissen"}
RETURNED = {"no": "nein", "restricted": "teilweise", "full": "voll", "gave_up": "aufgehört"}
LOAD = {"rest": "Ruhe", "loaded": "Belastung"}
METHOD = {"none": "ohne", "manual_examiner": "Hand"}
STRUCTURE = {"phalanx": "Knochen", "volar_plate": "volare Platte"}
PLACE = {"pp_midpoint": "Mitte GG", "mp_midpoint": "Mitte MG", "max_gap": "größter Abstand"}
RATER = {"S01-R1": "U1", "S01-R2": "U2", "S01-R3": "U3"}

FILES: dict[str, tuple[str, str, tuple[Column, ...]]] = {
    "patienten": (
        "participants",
        "patienten.csv",
        (
            Column("PatNr", "participant_id"),
            Column("Geschlecht", "sex", SEX),
            Column("Alter", "age_years"),
            Column("Größe (cm)", "height_cm"),
            Column("Händigkeit", "dominant_side", HAND),
            Column("Kletterjahre", "climbing_years"),
            Column("Niveau (IRCRA)", "level_ircra"),
            Column("Std/Woche", "exposure_h_wk"),
        ),
    ),
    "verletzungen": (
        "episodes",
        "verletzungen.csv",
        (
            Column("VerlNr", "episode_id"),
            Column("PatNr", "participant_id"),
            Column("Seite", "side", HAND),
            Column("Finger", "digit", DIGIT),
            Column("Unfalltag", "onset_day", date=True),
            Column("Griff", "mechanism", MECHANISM),
            Column("Knall", "audible_pop"),
            Column("früher verletzt", "prior_pulley_injury"),
            Column("Lumbricalis", "lumbrical", FINDING),
            Column("Seitenband", "collateral", FINDING),
        ),
    ),
    "untersuchungen": (
        "scans",
        "untersuchungen.csv",
        (
            Column("USNr", "scan_id"),
            Column("PatNr", "participant_id"),
            Column("VerlNr", "episode_id"),
            Column("Seite", "side", HAND),
            Column("Finger", "digit", DIGIT),
            Column("Datum", "scan_day", date=True),
            Column("aufgewärmt", "warm_up"),
            Column("Vorlauf", "standoff", STANDOFF),
            Column("Stütze", "support_worn", SUPPORT),
            Column("Winkel GG", "mcp_deg"),
            Column("Winkel MG", "pip_deg"),
            Column("Winkel EG", "dip_deg"),
        ),
    ),
    "messungen": (
        "readings",
        "messungen.csv",
        (
            Column("USNr", "scan_id"),
            Column("Ringband", "pulley"),
            Column("Zustand", "load", LOAD),
            Column("Untersucher", "rater_id", RATER),
            Column("Messung", "read_no"),
            Column("Abstand (mm)", "gap_mm"),
            Column("bis", "reference_structure", STRUCTURE),
            Column("Messort", "caliper_site", PLACE),
            Column("Widerstand", "load_method", METHOD),
            Column("Befund verdeckt", "blinded_to_reference"),
            Column("Vorwert verdeckt", "blinded_to_prior"),
        ),
    ),
    "befunde": (
        "tears",
        "befunde.csv",
        (
            Column("VerlNr", "episode_id"),
            Column("PatNr", "participant_id"),
            Column("Ringband", "pulley"),
            Column("Befund", "status", STATUS),
            Column("gesichert durch", "basis", BASIS),
            Column("am", "verified_day", date=True),
        ),
    ),
    "therapie": (
        "treatments",
        "therapie.csv",
        (
            Column("VerlNr", "episode_id"),
            Column("PatNr", "participant_id"),
            Column("Art", "kind", KIND),
            Column("von", "start_day", date=True),
            Column("bis", "end_day", date=True),
        ),
    ),
    "verlauf": (
        "visits",
        "verlauf.csv",
        (
            Column("VerlNr", "episode_id"),
            Column("PatNr", "participant_id"),
            Column("Kontrolle", "visit"),
            Column("geplant", "planned_day", date=True),
            Column("gekommen", "actual_day", date=True),
            Column("klettert wieder", "returned", RETURNED),
            Column("Niveau (IRCRA)", "level_ircra"),
            Column("Schmerz 0-10", "pain_nrs"),
            Column("Streckdefizit Grad", "extension_deficit_deg"),
            Column("Kraft (N)", "crimp_n"),
            Column("Kraft Gegenseite (N)", "crimp_other_n"),
            Column("QuickDASH", "quickdash"),
            Column("neu verletzt", "reinjury"),
        ),
    ),
}


def write_s01(site: SiteRows, dirt: Dirt | None) -> dict[str, bytes]:
    """File name to bytes; with `dirt` the files are spoiled first."""
    sheets = {
        source: sheet_of(source, file, site.tables[table], columns, WORDS, site)
        for source, (table, file, columns) in FILES.items()
    }
    people = sheets["patienten"]
    dates = [d.strftime(WORDS.date_format) for d in site.enrolled.values()]
    people.add("Einschluss", dates)
    people.add("Bemerkung", remarks(len(people.rows), 7))
    if dirt:
        _spoil(sheets, dirt)
    out = {s.file: csv_bytes(s, "cp1252", ";") for s in sheets.values()}
    central = central_sheet(site)
    out[central.file] = csv_bytes(central, "utf-8", ",", "\n")
    return out


def _spoil(sheets: dict[str, Sheet], dirt: Dirt) -> None:
    """What goes wrong at this site."""
    gaps, gap = sheets["messungen"], "Abstand (mm)"
    second = {"Messung": "2"}  # a refused second reading leaves a whole series behind
    dirt.cell(gaps, dirt.pick(gaps, 3, **second), gap, "31", "above_maximum")
    dirt.cell(gaps, dirt.pick(gaps, 17, **second), gap, "0,0", "gap_above_zero")
    dirt.cell(gaps, dirt.pick(gaps, 31, **second), gap, "1.4", "wrong_decimal_mark")
    dirt.cell(gaps, dirt.pick(gaps, 44, **second), gap, "1,4 mm", "unit_in_cell")
    dirt.cell(gaps, dirt.pick(gaps, 58, **second), "Zustand", "Halblast", "unknown_code")
    dirt.cell(gaps, dirt.pick(gaps, 71, **second), "USNr", "", "required_missing")
    dirt.extra_field(gaps, dirt.pick(gaps, 85, **second), "INVENTED")
    dirt.short_row(gaps, dirt.pick(gaps, 99, **second))
    dirt.repeat(gaps, dirt.pick(gaps, 120))
    dirt.blank(gaps, 200)
    dirt.blank(gaps, 201)
    scans = sheets["untersuchungen"]
    uninjured = {"VerlNr": WORDS.missing}
    dirt.cell(scans, dirt.pick(scans, 6, **uninjured), "Datum", "31.02.2023", "date_not_in_format")
    people = sheets["patienten"]
    child = {"PatNr": "P901", "Alter": "7", "Kletterjahre": "20", "Bemerkung": "INVENTED"}
    dirt.put_in(
        people, people.rows[0], child, "climbing_years_fit_age", severity=WARNING,
        note="seven years old, twenty years of climbing",
    )  # fmt: skip
