"""Small tables of the format for tests: one whole invented cohort, changed cell by cell."""

from __future__ import annotations

from typing import Any

import pandas as pd

from cohortkit.tables.rules import RULES
from cohortkit.tables.schema import TABLE_NAMES, typed

BASE: dict[str, dict[str, Any]] = {
    "sites": {"site_id": "S1", "country": "AT", "setting": "private_practice"},
    "devices": {"device_id": "D1", "site_id": "S1", "transducer_mhz": 18.0, "pixel_mm": 0.05},
    "raters": {"rater_id": "R1", "site_id": "S1", "discipline": "radiology", "years_scanning": 4.0},
    "participants": {
        "participant_id": "P1",
        "site_id": "S1",
        "sex": "female",
        "age_years": 30,
        "height_cm": 170.0,
        "dominant_side": "right",
        "climbing_years": 8.0,
        "level_ircra": 18,
        "exposure_h_wk": 9.0,
    },
    "episodes": {
        "episode_id": "E1",
        "participant_id": "P1",
        "side": "left",
        "digit": "ring",
        "onset_day": -3,
        "mechanism": "crimp",
        "audible_pop": True,
        "prior_pulley_injury": False,
        "lumbrical": "intact",
        "collateral": "not_assessed",
    },
    "scans": {
        "scan_id": "C1",
        "participant_id": "P1",
        "side": "left",
        "digit": "ring",
        "episode_id": "E1",
        "device_id": "D1",
        "scan_day": 0,
        "warm_up": False,
        "standoff": "gel",
        "support_worn": "none",
        "mcp_deg": 20.0,
        "pip_deg": 40.0,
        "dip_deg": -5.0,
    },
    "readings": {
        "reading_id": "G1",
        "scan_id": "C1",
        "rater_id": "R1",
        "pulley": "A2",
        "reference_structure": "phalanx",
        "caliper_site": "pp_midpoint",
        "load": "rest",
        "load_method": "none",
        "load_n": None,
        "read_no": 1,
        "read_mode": "live",
        "reads_averaged": 1,
        "gap_mm": 1.2,
        "below_resolution": False,
        "resolution_mm": 0.1,
        "blinded_to_reference": True,
        "blinded_to_prior": True,
    },
    "tears": {
        "episode_id": "E1",
        "pulley": "A2",
        "status": "partial",
        "basis": "mri",
        "verified_day": 2,
    },
    "treatments": {"episode_id": "E1", "kind": "ring", "start_day": 1, "end_day": 43},
    "visits": {
        "episode_id": "E1",
        "visit": 1,
        "planned_day": 42,
        "actual_day": 44,
        "returned": "restricted",
        "level_ircra": 14,
        "pain_nrs": 2,
        "extension_deficit_deg": 5.0,
        "crimp_n": 210.0,
        "crimp_other_n": 300.0,
        "quickdash": 22.7,
        "reinjury": False,
    },
}
"""One invented row of each table; together they break no rule."""


def rows(name: str, *changes: dict[str, Any]) -> pd.DataFrame:
    """Typed rows of table `name`: the base row with each set of changes."""
    whole = [{**BASE[name], **c} for c in changes]
    return typed(pd.DataFrame(whole, columns=list(BASE[name]), dtype=object), name)


def cohort(**changes: list[dict[str, Any]] | None) -> dict[str, pd.DataFrame]:
    """All ten tables; a named table gets the changed rows instead, or is absent if None."""
    tables = {}
    for name in TABLE_NAMES:
        wanted = changes.get(name, [{}])
        if wanted is not None:
            tables[name] = rows(name, *wanted)
    return tables


def answers(rule: str, table: str, tables: dict[str, pd.DataFrame], column: str = "") -> list[str]:
    """What `rule` says of each row of `table`: kept, broken or not judged."""
    for verdict in RULES[rule](tables):
        if verdict.table == table and column in ("", verdict.columns):
            return [
                "broken" if broken else "kept" if judged else "not judged"
                for broken, judged in zip(verdict.broken, verdict.judged, strict=True)
            ]
    raise LookupError(f"rule {rule} does not judge {table} {column}")
