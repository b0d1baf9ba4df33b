"""The design of an invented cohort: every planted parameter, read from design.toml."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

from cohortkit.errors import ArgumentError
from cohortkit.tables.schema import shipped_folder

PULLEYS = ("A2", "A3", "A4")
LOADS = ("rest", "loaded")
STATUSES = ("none", "strain", "partial", "complete")
GRADES = ("I", "II", "III", "IV")


@dataclass(frozen=True)
class RaterPlan:
    """A rater of a site; `step_mm` is the step in which gaps are written down."""

    rater_id: str
    discipline: str
    years_scanning: float
    step_mm: float


@dataclass(frozen=True)
class SitePlan:
    """A site: its share of the participants, its shift of every gap, its machine and raters."""

    site_id: str
    country: str
    setting: str
    share: float
    effect_mm: float
    transducer_mhz: float
    pixel_mm: float
    resolution_mm: float
    load_method: str
    raters: tuple[RaterPlan, ...]


@dataclass(frozen=True)
class SamePerson:
    """One invented person whom two sites know under two ids."""

    first_site: str
    first_rank: int
    second_site: str
    second_rank: int


@dataclass(frozen=True)
class PeoplePlan:
    """How many take part and who they are."""

    uninjured: int
    injured: int
    female: float
    adolescent_uninjured: float
    adolescent_injured: float
    fingers_scanned: tuple[float, ...]
    enrolment_days: int
    same_person: SamePerson


@dataclass(frozen=True)
class PatternPlan:
    """A true injury pattern with its share of the episodes and its grade."""

    name: str
    share: float
    status: dict[str, str]
    lumbrical: str
    grade: str


@dataclass(frozen=True)
class InjuryPlan:
    """How episodes arise."""

    two_fingers: float
    other_hand_scanned: float
    onset_delay_median: float
    onset_delay_log_sd: float
    patterns: tuple[PatternPlan, ...]


@dataclass(frozen=True)
class GapPlan:
    """The true gap in mm: means by pulley, load and status, spreads, covariates, healing."""

    participant_sd: float
    finger_sd: float
    load_increment_sd: float
    women_at_rest: float
    per_climbing_year: float
    adolescent: float
    warm_up_loaded: float
    support_factor: float
    combined: dict[str, float]
    healed_share: float
    healing_days: float
    pulley_scale: dict[str, float]
    pulley_sd: dict[str, float]
    mean_mm: dict[str, dict[str, dict[str, float]]]


@dataclass(frozen=True)
class ReadingPlan:
    """Measurement error in mm, and how scans are read."""

    rater_sd: float
    rater_finger_sd: float
    picture_sd: float
    caliper_sd: float
    error_scale: dict[str, float]
    repeat_share: float
    a3_share: dict[str, float]
    averaged_site: str
    averaged_share: float
    warm_up_share: float
    warm_up_unknown: float
    support_share: dict[str, float]


@dataclass(frozen=True)
class AgreementPlan:
    """The stored-clip set read across sites, and the live set read by two raters."""

    stored_raters: tuple[str, ...]
    stored_uninjured_per_site: int
    stored_injured_per_site: int
    pair_site: str
    pair_raters: tuple[str, ...]
    pair_scans: int


@dataclass(frozen=True)
class VerificationPlan:
    """How the true status becomes the recorded one."""

    at_gap_mm: float
    per_mm: float
    mri_share: float
    consensus_share: float
    us_gap_share: float
    clinical_too_mild: float
    gap_partial_mm: dict[str, float]
    gap_complete_mm: dict[str, float]


@dataclass(frozen=True)
class FollowUpPlan:
    """Visits and the time to full climbing by true grade."""

    planned_day: tuple[int, ...]
    jitter_sd: tuple[float, ...]
    missed: float
    missed_if_returned: float
    lost_per_visit: float
    restricted_share: float
    gives_up: float
    scan_share: tuple[float, ...]
    reinjury: float
    surgery_day: tuple[int, ...]
    grades: dict[str, dict[str, float]]


@dataclass(frozen=True)
class Design:
    """All planted parameters of an invented cohort, and its seed."""

    design_version: int
    seed: int
    sites: tuple[SitePlan, ...]
    people: PeoplePlan
    injuries: InjuryPlan
    gaps: GapPlan
    reading: ReadingPlan
    agreement: AgreementPlan
    verification: VerificationPlan
    follow_up: FollowUpPlan


def read_design(path: Path | str | None = None) -> Design:
    """Read a design; without a path the one that ships with the invented clinics.

    Raises
    ------
    ArgumentError
        If a key is absent, unknown or of the wrong kind. Names the key.
    """
    source = Path(path) if path else shipped_folder("synthetic_cohort") / "design.toml"
    try:
        parsed = tomllib.loads(source.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as problem:
        raise ArgumentError(
            "The design cannot be read",
            where=str(source),
            found=str(problem),
            next_step="give a readable TOML file",
        ) from problem
    return _build(Design, parsed, source.name)


def _build(wanted: Any, found: Any, where: str) -> Any:
    """`found` as a value of the type `wanted`, level by level."""
    if is_dataclass(wanted) and isinstance(wanted, type):
        return _build_part(wanted, found, where)
    if get_origin(wanted) is tuple and isinstance(found, list):
        inner = get_args(wanted)[0]
        return tuple(_build(inner, item, f"{where}[{i}]") for i, item in enumerate(found))
    if get_origin(wanted) is dict and isinstance(found, dict):
        inner = get_args(wanted)[1]
        return {key: _build(inner, item, f"{where}.{key}") for key, item in found.items()}
    if wanted is float and isinstance(found, int) and not isinstance(found, bool):
        return float(found)
    if isinstance(wanted, type) and isinstance(found, wanted) and not isinstance(found, bool):
        return found
    raise ArgumentError(
        "A value of the design is of the wrong kind",
        where=where,
        found=repr(found),
        next_step="write it as in the shipped design.toml",
    )


def _build_part(part: type, found: Any, where: str) -> Any:
    """One table of the design; absent and unknown keys are errors."""
    names = [f.name for f in fields(part)]
    given = found if isinstance(found, dict) else {}
    absent = [name for name in names if name not in given]
    unknown = [name for name in given if name not in names]
    if absent or unknown:
        raise ArgumentError(
            "The keys of the design are not those expected",
            where=where,
            found=f"absent: {', '.join(absent) or 'none'}; unknown: {', '.join(unknown) or 'none'}",
            next_step="compare with the shipped design.toml",
        )
    hints = get_type_hints(part)
    return part(**{n: _build(hints[n], given[n], f"{where}:{n}") for n in names})
