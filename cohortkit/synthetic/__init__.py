"""Invented cohorts with planted truth: people, gaps, readings, untidy clinic files.

Nothing here describes real fingers. Every generated row is invented.
"""

from cohortkit.synthetic.clinics import clinic_files, write_clinics
from cohortkit.synthetic.design import Design, read_design
from cohortkit.synthetic.generator import Cohort, generate, reading_rows
from cohortkit.synthetic.shipped import write_cohort
from cohortkit.synthetic.truth import derived_truth, write_truth

__all__ = [
    "Cohort",
    "Design",
    "clinic_files",
    "derived_truth",
    "generate",
    "read_design",
    "reading_rows",
    "write_clinics",
    "write_cohort",
    "write_truth",
]
