"""S04: tab-delimited latin-1 files, gaps in centimetres, French-like words, ISO dates."""

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

WORDS = Words(yes="oui", no="non", missing="NR", unseen=("non vu",), cut="S04-")
SEX = {"female": "F", "male": "H"}
SIDE = {"left": "gauche", "right": "droite", "both": "les deux"}
DIGIT = {"index": "index", "middle": "majeur", "ring": "annulaire", "little": "auriculaire"}
MECHANISM = {
    "crimp": "arqué",
    "half_crimp": "semi-arqué",
    "pocket": "trou",
    "open_hand": "tendu",
    "foot_slip": "pied glissé",
    "other": "autre",
    "unknown": "inconnu",
}
FINDING = {"intact": "intact", "injured": "lésé", "not_assessed": "non évalué"}
STATUS = {"none": "aucune", "strain": "entorse", "partial": "partielle", "complete": "complète"}
BASIS = {
    "surgery": "chirurgie",
    "mri": "IRM",
    "us_direct": "écho directe",
    "us_gap": "écho distance",
    "clinical": "clinique",
    "consensus": "consensus",
}
KIND = {
    "observation": "surveillance",
    "tape": "bande",
    "ring": "anneau",
    "splint": "attelle",
    "surgery": "chirurgie",
    "other": "autre",
}
SUPPORT = {"none": "rien", "tape": "bande", "ring": "anneau", "splint": "attelle"}
STANDOFF = {"none": "rien", "gel": "gel", "gel_pad": "coussin"}
RETURNED = {"no": "non", "restricted": "limitée", "full": "complète", "gave_up": "abandon"}
LOAD = {"rest": "repos", "loaded": "charge"}
METHOD = {"none": "aucune", "manual_examiner": "manuelle"}
STRUCTURE = {"phalanx": "os", "volar_plate": "plaque palmaire"}
PLACE = {"pp_midpoint": "milieu P1", "mp_midpoint": "milieu P2", "max_gap": "maximum"}

FILES: dict[str, tuple[str, str, tuple[Column, ...]]] = {
    "patients": (
        "participants",
        "patients.tsv",
        (
            Column("dossier", "participant_id"),
            Column("sexe", "sex", SEX),
            Column("âge", "age_years"),
            Column("taille", "height_cm"),
            Column("main", "dominant_side", SIDE),
            Column("années", "climbing_years"),
            Column("niveau", "level_ircra"),
            Column("heures", "exposure_h_wk"),
        ),
    ),
    "blessures": (
        "episodes",
        "blessures.tsv",
        (
            Column("blessure", "episode_id"),
            Column("dossier", "participant_id"),
            Column("côté", "side", SIDE),
            Column("doigt", "digit", DIGIT),
            Column("date", "onset_day", date=True),
            Column("prise", "mechanism", MECHANISM),
            Column("craquement", "audible_pop"),
            Column("antécédent", "prior_pulley_injury"),
            Column("lombrical", "lumbrical", FINDING),
            Column("collatéral", "collateral", FINDING),
        ),
    ),
    "examens": (
        "scans",
        "examens.tsv",
        (
            Column("examen", "scan_id"),
            Column("dossier", "participant_id"),
            Column("blessure", "episode_id"),
            Column("côté", "side", SIDE),
            Column("doigt", "digit", DIGIT),
            Column("date", "scan_day", date=True),
            Column("échauffé", "warm_up"),
            Column("interface", "standoff", STANDOFF),
            Column("contention", "support_worn", SUPPORT),
            Column("MCP", "mcp_deg"),
            Column("IPP", "pip_deg"),
            Column("IPD", "dip_deg"),
        ),
    ),
    "mesures": (
        "readings",
        "mesures.tsv",
        (
            Column("examen", "scan_id"),
            Column("poulie", "pulley"),
            Column("état", "load", LOAD),
            Column("lecteur", "rater_id"),
            Column("lecture", "read_no"),
            Column("distance (cm)", "gap_mm", centi=True),
            Column("repère", "reference_structure", STRUCTURE),
            Column("site", "caliper_site", PLACE),
            Column("résistance", "load_method", METHOD),
            Column("aveugle diagnostic", "blinded_to_reference"),
            Column("aveugle lecture", "blinded_to_prior"),
        ),
    ),
    "lesions": (
        "tears",
        "lesions.tsv",
        (
            Column("blessure", "episode_id"),
            Column("dossier", "participant_id"),
            Column("poulie", "pulley"),
            Column("rupture", "status", STATUS),
            Column("preuve", "basis", BASIS),
            Column("date", "verified_day", date=True),
        ),
    ),
    "traitements": (
        "treatments",
        "traitements.tsv",
        (
            Column("blessure", "episode_id"),
            Column("dossier", "participant_id"),
            Column("type", "kind", KIND),
            Column("début", "start_day", date=True),
            Column("fin", "end_day", date=True),
        ),
    ),
    "suivi": (
        "visits",
        "suivi.tsv",
        (
            Column("blessure", "episode_id"),
            Column("dossier", "participant_id"),
            Column("visite", "visit"),
            Column("prévue", "planned_day", date=True),
            Column("venue", "actual_day", date=True),
            Column("reprise", "returned", RETURNED),
            Column("niveau", "level_ircra"),
            Column("douleur", "pain_nrs"),
            Column("déficit", "extension_deficit_deg"),
            Column("force", "crimp_n"),
            Column("force autre", "crimp_other_n"),
            Column("QuickDASH", "quickdash"),
            Column("récidive", "reinjury"),
        ),
    ),
}


def write_s04(site: SiteRows, dirt: Dirt | None) -> dict[str, bytes]:
    """File name to bytes; with `dirt` the files are spoiled first."""
    sheets = {
        source: sheet_of(source, file, site.tables[table], columns, WORDS, site)
        for source, (table, file, columns) in FILES.items()
    }
    people = sheets["patients"]
    people.add("inclusion", [d.isoformat() for d in site.enrolled.values()])
    people.add("remarques", remarks(len(people.rows), 8))
    if dirt:
        _spoil(sheets, dirt)
    out = {s.file: csv_bytes(s, "latin-1", "\t", "\n") for s in sheets.values()}
    central = central_sheet(site)
    out[central.file] = csv_bytes(central, "utf-8", ",", "\n")
    return out


def _spoil(sheets: dict[str, Sheet], dirt: Dirt) -> None:
    """What goes wrong at this site."""
    gaps, second = sheets["mesures"], {"lecture": "2"}
    gap = "distance (cm)"
    row = dirt.pick(gaps, 5, **second)
    dirt.cell(gaps, row, gap, "15", "above_maximum", note="millimetres among centimetres")
    dirt.cell(gaps, dirt.pick(gaps, 21, **second), gap, "0,14", "wrong_decimal_mark")
    dirt.cell(gaps, dirt.pick(gaps, 36, **second), gap, "0", "gap_above_zero")
    dirt.cell(gaps, dirt.pick(gaps, 52, **second), "état", "mi-charge", "unknown_code")
    dirt.cell(gaps, dirt.pick(gaps, 68, **second), "lecteur", WORDS.missing, "required_missing")
    dirt.short_row(gaps, dirt.pick(gaps, 84, **second))
    dirt.repeat(gaps, dirt.pick(gaps, 110))
    dirt.blank(gaps, 150)
    scans = sheets["examens"]
    uninjured = {"blessure": WORDS.missing}
    dirt.cell(scans, dirt.pick(scans, 8, **uninjured), "date", "12/05/2023", "date_not_in_format")
    visits = sheets["suivi"]
    dirt.cell(visits, dirt.pick(visits, 12, visite="4"), "douleur", "11", "above_maximum")
