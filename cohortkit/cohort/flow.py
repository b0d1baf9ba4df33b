"""How many of what went through each step, and why the others did not.

Each row counts one site, one unit and one reason, so that rows of a step can be
added without counting anything twice.
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from cohortkit.errors import PoolingError

COLUMNS = ("step", "site_id", "unit", "n", "reason")
UNITS = ("participants", "fingers", "episodes", "scans", "readings")
_RECORD = ["site_id", "source", "file", "sheet", "line"]
_STEPS = ("read", "blank", "refused", "accepted")


def participant_flow(
    counts: pd.DataFrame, problems: pd.DataFrame, tables: Mapping[str, pd.DataFrame]
) -> pd.DataFrame:
    """Flow from the clinics' files to the pooled tables.

    Steps in order: records ``read``, ``blank``, ``refused`` (one row per reason; a
    record with several problems counts under the first) and ``accepted``; then
    what the accepted records hold, ``pooled``: participants, fingers, episodes,
    scans and readings, each at the participant's site.

    Raises
    ------
    PoolingError
        If records read are not accepted + refused + blank at some site.
    """
    rows = _records(counts, problems) + content(tables, "pooled")
    frame = pd.DataFrame(rows, columns=list(COLUMNS), dtype=object)
    words = {"step": "string", "site_id": "string", "unit": "string", "reason": "string"}
    return frame.astype(words | {"n": "Int64"})


def content(tables: Mapping[str, pd.DataFrame], step: str) -> list[tuple[str, str, str, int, str]]:
    """Rows of the flow that count what the tables hold, by site and unit."""
    people = tables["participants"][["participant_id", "site_id"]]
    fingers = pd.concat(
        [tables[t][["participant_id", "side", "digit"]] for t in ("episodes", "scans")]
    ).drop_duplicates()
    scans = tables["scans"][["scan_id", "participant_id"]]
    held = {
        "participants": people,
        "fingers": fingers.merge(people, on="participant_id", how="left"),
        "episodes": tables["episodes"][["participant_id"]].merge(people, how="left"),
        "scans": scans.merge(people, on="participant_id", how="left"),
        "readings": tables["readings"][["scan_id"]]
        .merge(scans, on="scan_id", how="left")
        .merge(people, on="participant_id", how="left"),
    }
    sites = sorted(tables["sites"]["site_id"].dropna())
    return [
        (step, site, unit, int((held[unit]["site_id"] == site).sum()), "")
        for unit in UNITS
        for site in sites
    ]


def _records(counts: pd.DataFrame, problems: pd.DataFrame) -> list[tuple[str, str, str, int, str]]:
    totals = counts.groupby("site_id", sort=True)[["read", "accepted", "refused", "blank"]].sum()
    broken = totals[totals["read"] != totals["accepted"] + totals["refused"] + totals["blank"]]
    if len(broken):
        raise PoolingError(
            "Records read are not accepted + refused + blank",
            where=", ".join(f"site {site}" for site in broken.index),
            next_step="import the clinic again, and report this as a fault if it stays",
        )
    reasons = _reasons(problems)
    rows = []
    for step in _STEPS:
        for site, count in totals[step].to_dict().items():
            n = int(count)
            if step == "refused":
                split = _split(n, reasons, str(site))
                rows += [(step, str(site), "records", k, why) for why, k in split]
            else:
                why = "declared blank" if step == "blank" else ""
                rows.append((step, str(site), "records", n, why))
    return rows


def _reasons(problems: pd.DataFrame) -> pd.DataFrame:
    """Refused records by site and first reason: ``site_id, code, n``."""
    refused = problems[problems["severity"] == "refuse"]
    first = refused.drop_duplicates(_RECORD)
    return first.groupby(["site_id", "code"], sort=True).size().rename("n").reset_index()


def _split(n: int, reasons: pd.DataFrame, site: str) -> list[tuple[str, int]]:
    """Reasons of the `n` refused records of a site; they add up to `n`."""
    rows = reasons[reasons["site_id"] == site].to_dict("records")
    own = [(str(row["code"]), int(row["n"])) for row in rows]
    if sum(k for _, k in own) != n:
        raise PoolingError(
            "Refused records and their reasons do not add up",
            where=f"site {site}",
            found=f"{n} records, {sum(k for _, k in own)} with a reason",
            next_step="import the clinic again, and report this as a fault if it stays",
        )
    return own
