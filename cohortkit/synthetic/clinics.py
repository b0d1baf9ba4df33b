"""The invented clinics' folders: untidy exports, mapping files, and the planted problems."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from cohortkit.errors import ArgumentError
from cohortkit.synthetic.design import Design, read_design
from cohortkit.synthetic.dirt import Dirt
from cohortkit.synthetic.generator import generate
from cohortkit.synthetic.layout_s01 import write_s01
from cohortkit.synthetic.layout_s02 import write_s02
from cohortkit.synthetic.layout_s03 import write_s03
from cohortkit.synthetic.layout_s04 import write_s04
from cohortkit.synthetic.layout_s05 import write_s05
from cohortkit.synthetic.sheets import SiteRows, site_rows
from cohortkit.tables.schema import shipped_folder

LAYOUTS: dict[str, Callable[[SiteRows, Dirt | None], dict[str, bytes]]] = {
    "S01": write_s01,
    "S02": write_s02,
    "S03": write_s03,
    "S04": write_s04,
    "S05": write_s05,
}


def clinic_files(
    design: Design | None = None, *, scale: float = 1.0, clean: bool = False
) -> tuple[dict[str, bytes], pd.DataFrame]:
    """The clinics' exports, in memory.

    Parameters
    ----------
    design, scale
        As for `generate`.
    clean
        Leave the planted problems out; the clinics still write as they write.

    Returns
    -------
    tuple
        ``"<site>/<file>"`` to bytes, and the planted problems with ``site_id,
        source, file, line, column, code, severity, note``.
    """
    cohort = generate(design, scale=scale)
    files: dict[str, bytes] = {}
    listed = []
    for site_id, write in LAYOUTS.items():
        site = site_rows(cohort, site_id)
        stored = site.stored["scan_id"].unique()
        dirt = Dirt(site_id, [*stored, *(s.removeprefix(f"{site_id}-") for s in stored)])
        made = write(site, None if clean else dirt)
        files |= {f"{site_id}/{name}": content for name, content in made.items()}
        listed.append(dirt.listed())
    return files, pd.concat(listed, ignore_index=True)


def write_clinics(
    design: Design | None,
    folder: Path | str,
    *,
    scale: float = 1.0,
    clean: bool = False,
) -> pd.DataFrame:
    """Write one folder per clinic, each with its exports and its mapping file.

    The same design gives the same bytes, always and everywhere.

    Returns
    -------
    pandas.DataFrame
        The planted problems, as `clinic_files` gives them.

    Raises
    ------
    ArgumentError
        If the design names a site for which no way of writing is known.
    """
    design = design or read_design()
    strange = [s.site_id for s in design.sites if s.site_id not in LAYOUTS]
    if strange or len(design.sites) != len(LAYOUTS):
        raise ArgumentError(
            "Clinic files can be written for the five shipped sites only",
            found=", ".join(s.site_id for s in design.sites),
            next_step="keep the sites of the shipped design.toml, or use generate(...) for tables",
        )
    files, planted = clinic_files(design, scale=scale, clean=clean)
    shipped = shipped_folder("synthetic_cohort") / "clinics"
    for site_id in LAYOUTS:
        target = Path(folder) / site_id
        target.mkdir(parents=True, exist_ok=True)
        mapping = target / "mapping.toml"
        if mapping.resolve() != (shipped / site_id / "mapping.toml").resolve():
            shutil.copyfile(shipped / site_id / "mapping.toml", mapping)
    for name, content in files.items():
        (Path(folder) / name).write_bytes(content)
    return planted
