"""Columns and settings of a reliability, by keyword, with the format's names as defaults."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any, TypedDict

import pandas as pd

from cohortkit import checks
from cohortkit.agreement import shared_rows
from cohortkit.errors import ArgumentError


class ReliabilityOptions(TypedDict, total=False):
    """Columns and settings of `reliability`, with the format's names as defaults.

    Attributes
    ----------
    value, participant, rater
        Must be in the table. ``participant=None`` states that fingers or scans are
        independent; ``rater=None`` that readings have no rater of their own.
    finger, scan, site, rater_site
        A default name that the table lacks counts as None. `site` is where the
        finger was scanned, `rater_site` where the rater works.
    by
        Columns whose combinations are asked apart.
    unit
        UCUM unit of the values.
    n_boot, seed
        Draws of the intervals.
    """

    value: str
    participant: str | None
    finger: str | None
    scan: str | None
    rater: str | None
    site: str | None
    rater_site: str | None
    by: Sequence[str]
    unit: str
    n_boot: int
    seed: int


_DEFAULTS: dict[str, Any] = {
    "value": "gap_mm",
    "participant": "participant_id",
    "finger": "finger_id",
    "scan": "scan_id",
    "rater": "rater_id",
    "site": "site_id",
    "rater_site": "rater_site_id",
    "by": (),
    "unit": "mm",
    "n_boot": 2000,
    "seed": 20260101,
}
OPTIONAL = ("finger", "scan", "site", "rater_site")
ROLES = ("value", "participant", "finger", "scan", "rater", "site", "rater_site")


def filled(options: ReliabilityOptions) -> dict[str, Any]:
    """The options with defaults in their place, checked."""
    spec = shared_rows.filled(_DEFAULTS, options, "Reliability does")
    if isinstance(spec["by"], str):
        raise ArgumentError(
            "Argument 'by' is a list of column names",
            found=repr(spec["by"]),
            next_step=f"write by=[{spec['by']!r}]",
        )
    checks.count("n_boot", spec["n_boot"], 100)
    checks.count("seed", spec["seed"], minimum=0)
    return spec


def columns_in(
    frame: pd.DataFrame, spec: dict[str, Any], explicit: Collection[str]
) -> dict[str, str | None]:
    """Role to column; an optional default that the table lacks counts as None.

    Raises
    ------
    ArgumentError
        If no column says what was read.
    """
    columns = {
        role: None
        if role in OPTIONAL and role not in explicit and spec[role] not in frame.columns
        else spec[role]
        for role in ROLES
    }
    if not any(columns[role] for role in ("participant", "finger", "scan")):
        raise ArgumentError(
            "Something must be told apart",
            where="arguments participant, finger and scan",
            next_step="name the column of what was read",
        )
    return columns
