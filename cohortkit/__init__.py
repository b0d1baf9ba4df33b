"""Multi-clinic research cohorts of finger-pulley ultrasound: pool, freeze, analyse, redraw.

The public names below are loaded when first used, so that importing the package
and asking the command line for help stay quick.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

_HOME = {
    "Caution": "cohortkit.estimate",
    "CohortkitError": "cohortkit.errors",
    "Estimate": "cohortkit.estimate",
    "Result": "cohortkit.estimate",
    "import_clinic": "cohortkit.cohort.validation",
    "draft_mapping": "cohortkit.cohort.draft",
    "pool": "cohortkit.cohort.pooling",
    "freeze": "cohortkit.cohort.release",
    "open_release": "cohortkit.cohort.release",
    "verify": "cohortkit.cohort.release",
    "diff": "cohortkit.cohort.release",
    "derive_grade": "cohortkit.tables.grades",
}
_ROOMS = ("agreement", "reference", "thresholds", "outcomes", "figures", "tables")

__all__ = [
    "Caution",
    "CohortkitError",
    "Estimate",
    "Result",
    "__version__",
    "agreement",
    "derive_grade",
    "diff",
    "draft_mapping",
    "figures",
    "freeze",
    "import_clinic",
    "open_release",
    "outcomes",
    "pool",
    "reference",
    "tables",
    "thresholds",
    "verify",
]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name]), name)
    if name in _ROOMS:
        return importlib.import_module(f"cohortkit.{name}")
    raise AttributeError(f"cohortkit has no public name '{name}'")


def __dir__() -> list[str]:
    return sorted(__all__)
