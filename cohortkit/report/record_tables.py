"""What became of the records, site by site: accepted, refused for a reason, kept with a warning."""

from __future__ import annotations

import pandas as pd

from cohortkit.cohort.release import Release
from cohortkit.figures import words
from cohortkit.report.grid import Table

_STEPS = ["read", "accepted", "refused", "blank"]


def record_tables(release: Release) -> list[Table]:
    """Records by site, refused records by reason, warnings, and who may be one person twice."""
    return [_by_site(release), _refused(release), _warned(release), *_twice(release)]


def _by_site(release: Release) -> Table:
    flow = release.flow
    records = flow[flow["unit"] == "records"]
    wide = records.groupby(["site_id", "step"])["n"].sum().unstack("step").reindex(columns=_STEPS)
    wide = wide.fillna(0)
    corrected = pd.Series(release.manifest.get("corrected_records", {}), dtype="float64")
    if corrected.sum():
        at = _STEPS.index("accepted") + 1
        wide.insert(at, "of which corrected", corrected.reindex(wide.index).fillna(0))
    rows = [[str(site), *(str(int(n)) for n in row)] for site, row in wide.iterrows()]
    rows.append(["all sites", *(str(int(n)) for n in wide.sum())])
    return Table("Records by site: read = accepted + refused + blank", ["site", *wide], rows)


def _counted(counts: pd.DataFrame, code: str) -> tuple[list[str], list[list[str]]]:
    """Headings and rows: one row per code, a column per site, totals on both sides."""
    sites = sorted(counts["site_id"].astype(str).unique())
    wide = counts.groupby([code, "site_id"])["n"].sum().unstack("site_id").fillna(0)
    wide = wide.assign(total=wide.sum(axis=1)).reset_index()
    wide = wide.sort_values(["total", code], ascending=[False, True], kind="stable")
    rows = [
        [words.problem(str(r[code])), *(str(int(r[name])) for name in (*sites, "total"))]
        for r in wide.to_dict("records")
    ]
    rows.append(["total", *(str(int(wide[name].sum())) for name in (*sites, "total"))])
    return ["reason", *sites, "total"], rows


def _refused(release: Release) -> Table:
    flow = release.flow
    refused = flow[(flow["unit"] == "records") & (flow["step"] == "refused")]
    reasons = release.refusals
    n = int(refused["n"].sum())
    every = int(reasons.loc[reasons["severity"] == "refuse", "n"].sum())
    note = "Each record counts once, under the first reason found for it."
    if every > n:
        note += f" A record can have several: there are {every} for these {n} records."
    return Table("Refused records by reason and site", *_counted(refused, "reason"), note)


def _warned(release: Release) -> Table:
    reasons = release.refusals
    warned = reasons[reasons["severity"] == "warning"]
    caption = "Warnings by what was seen, and site; the records were kept"
    note = "For the clinic to look at. A record can have several."
    return Table(caption, *_counted(warned, "code"), note)


def _twice(release: Release) -> list[Table]:
    pairs = len(release.duplicates)
    if not pairs:
        return []
    caption = "Participants who may be one person"
    note = "They are listed in the release (duplicates.csv) and never merged: all count."
    return [Table(caption, ["what", "n"], [["pairs of participants", str(pairs)]], note)]
