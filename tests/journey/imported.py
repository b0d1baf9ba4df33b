"""The shipped clinics, imported once for all journeys."""

from __future__ import annotations

from functools import cache

from cohortkit.cohort.validation import Intake, import_clinic
from cohortkit.synthetic.clinics import LAYOUTS
from cohortkit.tables.schema import shipped_folder


@cache
def intakes() -> dict[str, Intake]:
    """Site to what its import gave."""
    clinics = shipped_folder("synthetic_cohort") / "clinics"
    return {site: import_clinic(clinics / site / "mapping.toml") for site in LAYOUTS}
