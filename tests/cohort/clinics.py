"""Invented clinics in the shape that an import gives, without reading any file."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from cohortkit.cohort.intake import no_corrections
from cohortkit.cohort.pooling import Pooled, pool
from cohortkit.cohort.row_keys import row_keys
from cohortkit.tables.schema import TABLE_NAMES, empty, typed

PROBLEM_COLUMNS = (
    "site_id", "source", "file", "sheet", "line", "column", "raw_value", "code", "severity",
    "reason", "next_step",
)  # fmt: skip
COUNT_COLUMNS = ("site_id", "source", "file", "read", "accepted", "refused", "blank")


@dataclass(frozen=True)
class FakeIntake:
    """What pooling takes of an import."""

    site_id: str
    tables: dict[str, pd.DataFrame]
    provenance: pd.DataFrame
    problems: pd.DataFrame
    records: pd.DataFrame
    counts: pd.DataFrame
    corrections: pd.DataFrame = field(default_factory=no_corrections)
    notice: str = ""


def clinic(site: str, rows: dict[str, list[dict[str, Any]]], *, blank: int = 0) -> FakeIntake:
    """A clinic whose every row came from a line of its own, all accepted."""
    full = {"sites": [{"site_id": site, "country": "AT", "setting": "private_practice"}], **rows}
    tables = {
        name: typed(pd.DataFrame(full[name]), name) if full.get(name) else empty(name)
        for name in TABLE_NAMES
    }
    return from_tables(site, tables, blank=blank)


def from_tables(site: str, tables: dict[str, pd.DataFrame], *, blank: int = 0) -> FakeIntake:
    """A clinic that holds these typed tables."""
    parts, counts = [], []
    for name in TABLE_NAMES:
        frame = tables[name]
        n = len(frame)
        file = f"{name}.csv"
        parts.append(
            pd.DataFrame(
                {
                    "table": [name] * n,
                    "key": row_keys(frame, name).astype(object).tolist(),
                    "site_id": [site] * n,
                    "source": [name] * n,
                    "file": [file] * n,
                    "file_sha256": ["0" * 64] * n,
                    "sheet": [None] * n,
                    "line": range(2, n + 2),
                }
            )
        )
        if n:
            counts.append((site, name, file, n, n, 0, 0))
    site_, source, file, read, accepted, refused, none = counts[0]
    counts[0] = (site_, source, file, read + blank, accepted, refused, none + blank)
    provenance = pd.concat(parts, ignore_index=True).astype({"line": "Int64", "sheet": "string"})
    return FakeIntake(
        site_id=site,
        tables=tables,
        provenance=provenance,
        problems=no_problems(),
        records=pd.DataFrame(),
        counts=pd.DataFrame(counts, columns=list(COUNT_COLUMNS)),
    )


def no_problems() -> pd.DataFrame:
    """An empty problem table with the types of an import."""
    frame = pd.DataFrame(columns=list(PROBLEM_COLUMNS), dtype=object)
    return frame.astype(dict.fromkeys(PROBLEM_COLUMNS, "string") | {"line": "Int64"})


def with_problems(intake: FakeIntake, *problems: dict[str, Any], refused: int = 0) -> FakeIntake:
    """The clinic with problems; `refused` records more were read and refused."""
    full = [dict.fromkeys(PROBLEM_COLUMNS) | {"site_id": intake.site_id} | p for p in problems]
    frame = pd.DataFrame(full, columns=list(PROBLEM_COLUMNS), dtype=object)
    types = dict.fromkeys(PROBLEM_COLUMNS, "string") | {"line": "Int64"}
    counts = intake.counts.copy()
    counts.loc[0, ["read", "refused"]] = [counts.loc[0, "read"] + refused, refused]
    return replace(intake, problems=frame.astype(types), counts=counts)


def small(site: str, people: int = 6, seed: int = 1) -> FakeIntake:
    """A clinic with `people` persons, half of them injured, read by two raters."""
    return clinic(site, small_rows(site, people, seed), blank=2)


def small_rows(site: str, people: int, seed: int) -> dict[str, list[dict[str, Any]]]:
    """Rows of `small`, to be changed before the clinic is made."""
    draw = np.random.default_rng([seed, *site.encode()])
    rows: dict[str, list[dict[str, Any]]] = {
        "devices": [{"device_id": f"{site}-D1", "site_id": site, "transducer_mhz": 18.0}],
        "raters": [
            {"rater_id": f"{site}-R{k}", "site_id": site, "discipline": "radiology"} for k in (1, 2)
        ],
        "participants": [], "episodes": [], "scans": [], "readings": [], "tears": [],
        "treatments": [], "visits": [],
    }  # fmt: skip
    for k in range(people):
        _person(site, k, draw, rows)
    return rows


def _person(
    site: str, k: int, draw: np.random.Generator, rows: dict[str, list[dict[str, Any]]]
) -> None:
    person = f"{site}-P{k:03d}"
    rows["participants"].append(
        {
            "participant_id": person, "site_id": site, "sex": str(draw.choice(["female", "male"])),
            "age_years": int(draw.integers(18, 60)), "height_cm": float(draw.integers(1500, 1950)) / 10,
            "dominant_side": str(draw.choice(["left", "right"])),
            "climbing_years": float(draw.integers(1, 12)), "level_ircra": int(draw.integers(8, 28)),
        }
    )  # fmt: skip
    digits = ["index", "middle", "ring", "little"]
    if k % 2:
        hurt = str(draw.choice(digits))
        _episode(f"{site}-E{k:03d}", person, hurt, k, rows)
        _scan(site, f"{person}-S0", (person, "left", hurt), f"{site}-E{k:03d}", draw, rows)
    for n, digit in enumerate(digits[:2], start=1):
        _scan(site, f"{person}-S{n}", (person, "right", digit), None, draw, rows)


def _episode(
    episode: str, person: str, digit: str, k: int, rows: dict[str, list[dict[str, Any]]]
) -> None:
    rows["episodes"].append(
        {
            "episode_id": episode, "participant_id": person, "side": "left", "digit": digit,
            "onset_day": -3, "mechanism": "crimp", "lumbrical": "intact", "collateral": "intact",
        }
    )  # fmt: skip
    rows["tears"].append(
        {
            "episode_id": episode,
            "pulley": "A2",
            "status": "complete",
            "basis": "mri",
            "verified_day": 2,
        }
    )
    rows["treatments"].append(
        {"episode_id": episode, "kind": "ring", "start_day": 0, "end_day": 40}
    )
    for visit, (day, returned) in enumerate(
        [(42, "no"), (90, "restricted"), (180, "full")], start=1
    ):
        came = k % 3 != visit % 3
        rows["visits"].append(
            {
                "episode_id": episode, "visit": visit, "planned_day": day,
                "actual_day": day + 1 if came else None, "returned": returned if came else None,
            }
        )  # fmt: skip


def _scan(
    site: str,
    scan: str,
    finger: tuple[str, str, str],
    episode: str | None,
    draw: np.random.Generator,
    rows: dict[str, list[dict[str, Any]]],
) -> None:
    person, side, digit = finger
    rows["scans"].append(
        {
            "scan_id": scan, "participant_id": person, "side": side, "digit": digit,
            "episode_id": episode, "device_id": f"{site}-D1", "scan_day": 0, "warm_up": False,
            "standoff": "gel", "support_worn": "none",
        }
    )  # fmt: skip
    for rater in (1, 2):
        for load, low in (("rest", 8), ("loaded", 14)):
            gap = float(low + draw.integers(0, 5) + (15 if episode else 0)) / 10
            rows["readings"].append(
                {
                    "reading_id": f"{scan}-{load}-{rater}", "scan_id": scan,
                    "rater_id": f"{site}-R{rater}", "pulley": "A2",
                    "reference_structure": "phalanx", "caliper_site": "pp_midpoint", "load": load,
                    "load_method": "none" if load == "rest" else "manual_examiner", "read_no": 1,
                    "read_mode": "live", "reads_averaged": 1, "gap_mm": gap,
                    "below_resolution": False, "resolution_mm": 0.1,
                }
            )  # fmt: skip


def two_clinics(people: int = 6) -> Pooled:
    """Two invented clinics, pooled."""
    return pool([small("S01", people), small("S02", people)])
