"""A table of the analysis on disk, with what it rests on."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd

from cohortkit.cohort.release import Release
from cohortkit.cohort.writing import atomic_write
from cohortkit.report.plan import Plan
from cohortkit.report.stamp import versions
from cohortkit.tables.canonical import to_csv_bytes


def write_table(
    name: str, table: pd.DataFrame, release: Release, plan: Plan, folder: str | Path
) -> dict[str, Path]:
    """Write a table as ``<name>.csv`` and ``<name>.json`` (its rows and its stamp)."""
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    content = {
        "table": name,
        "notices": list(release.notices),
        "release_hash": release.release_hash,
        "plan_sha256": plan.sha256,
        "seed": plan.seed,
        "software": versions(),
        "rows": json.loads(table.to_json(orient="records", double_precision=15)),
    }
    text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    files = {"csv": to_csv_bytes(table), "json": text.encode()}
    paths = {form: target / f"{name}.{form}" for form in files}
    for form, path in paths.items():
        atomic_write(path, files[form])
    return paths
