"""A big invented clinic in the format's own columns, for benchmarks and scale tests."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from cohortkit.synthetic.generator import reading_rows
from cohortkit.tables.canonical import to_csv_bytes
from cohortkit.tables.schema import TABLE_NAMES, table

_SOURCE = """
[sources.{name}]
file = "{name}.csv"
format = "csv"
encoding = "utf-8"
delimiter = ","
missing = [""]
"""
_BLOCK = """
[[tables]]
table = "{name}"
source = "{name}"
[tables.columns]
{columns}
"""
_YES_NO = ', codes = { "true" = true, "false" = false }'


def write_big_clinic(folder: Path, readings: int, seed: int = 1) -> Path:
    """Write one CSV per table and the mapping file; give the mapping's path."""
    tables = reading_rows(readings, seed=seed)
    parts = ["mapping_version = 1", f'site_id = "{tables["sites"]["site_id"].iloc[0]}"']
    for name in TABLE_NAMES:
        frame: pd.DataFrame | None = tables.get(name)
        if frame is None or frame.empty:
            continue
        (folder / f"{name}.csv").write_bytes(to_csv_bytes(frame, name))
        fields = table(name).fields
        columns = "\n".join(
            f'{f.name} = {{ from = "{f.name}"{_YES_NO if f.type == "boolean" else ""} }}'
            for f in fields
        )
        parts += [_SOURCE.format(name=name), _BLOCK.format(name=name, columns=columns)]
    path = folder / "mapping.toml"
    path.write_text("\n".join(parts), encoding="utf-8")
    return path
