"""What stands beside every figure: which release, plan, seed and software made it."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import pandas as pd

from cohortkit import __version__
from cohortkit.cohort.release import Release
from cohortkit.display import LEVELS
from cohortkit.report.answer import Answer
from cohortkit.report.plan import Plan

SAFETY = (
    "Research statistics, not a diagnostic device. Not for triage and not for deciding on surgery, "
    "splint or return to climbing. Nothing here is about a single patient.",
    "A gap below a threshold rules nothing out: partial tears, A3 tears, guarding and probe "
    "pressure keep gaps small. A gap above it may be a healed or adapted finger.",
    "No value holds for another pulley, load state, reference structure or age group than the one "
    "named beside it. In adolescents finger pain may be a growth-plate injury.",
    "Decisions on care belong to licensed clinicians. Studies need ethics approval and follow "
    "local law, data protection and device regulation; whoever puts a threshold into care may be "
    "making a medical device.",
)
_SOFTWARE = ("numpy", "pandas", "scipy", "statsmodels", "matplotlib", "seaborn", "joblib")


def versions() -> dict[str, str]:
    """Versions of the software that the numbers depend on."""
    found = {"cohortkit": __version__, "python": platform.python_version()}
    for name in _SOFTWARE:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found


def set_counts(answer: Answer) -> list[dict[str, Any]]:
    """The n of each analysis set behind an answer, at every level."""
    rows = []
    for chosen in answer.sets:
        last = chosen.flow.to_dict("records")[-1]
        rows.append(
            {"set": chosen.question, "settings": dict(chosen.settings)}
            | {level: None if pd.isna(last[level]) else int(last[level]) for level in LEVELS}
        )
    return rows


def stamp(answer: Answer, release: Release, plan: Plan) -> dict[str, Any]:
    """Everything needed to make a figure again and to judge its age."""
    return {
        "figure": answer.name,
        "question": answer.question,
        "notices": list(release.notices),
        "release_hash": release.release_hash,
        "release_label": release.label,
        "schema_version": release.schema_version,
        "plan_sha256": plan.sha256,
        "seed": plan.seed,
        "level": plan.level,
        "bootstrap_samples": plan.bootstrap_samples,
        "software": versions(),
        "sets": set_counts(answer),
        "cautions": list(answer.cautions),
        "safety": SAFETY[0],
    }


def footer(answer: Answer, release: Release, plan: Plan) -> list[str]:
    """The lines under a figure: the notices, where it comes from, and every caution."""
    origin = (
        f"Release {release.label}, plan {plan.sha256[:12]}, seed {plan.seed}, "
        f"cohortkit {__version__}. Research statistics, not a diagnostic device."
    )
    return [*release.notices, origin, *(f"Caution. {caution}" for caution in answer.cautions)]
