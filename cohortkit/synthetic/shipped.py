"""The invented cohort that ships: clinics, planted problems and truth in one folder."""

from __future__ import annotations

from pathlib import Path

from cohortkit.synthetic.clinics import write_clinics
from cohortkit.synthetic.design import Design, read_design
from cohortkit.synthetic.truth import TWIN_SCALE, write_truth


def write_cohort(
    folder: Path | str, design: Design | None = None, *, scale: float = TWIN_SCALE
) -> list[Path]:
    """Write ``clinics/`` and ``truth/`` anew into `folder`; returns the truth's files.

    `scale` is that of the twin behind truth.json, see `derived_truth`. Called with the repository's own ``synthetic_cohort`` folder it must change
    nothing, unless the design or the generator was changed.
    """
    design = design or read_design()
    target = Path(folder)
    planted = write_clinics(design, target / "clinics")
    written = write_truth(design, target / "truth", scale=scale)
    path = target / "truth" / "planted_problems.csv"
    text = planted.to_csv(index=False, lineterminator="\n")
    path.write_bytes(text.encode("utf-8"))
    return [*written, path]
