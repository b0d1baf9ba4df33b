"""Who is eligible for which question, with the count of everybody who is not.

Each function takes a release and gives an `AnalysisSet`: rows, and the flow from
everybody to the set. No set pools pulleys, load states or reference structures
unless asked, and none mixes adults with adolescents unless asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from cohortkit import checks, display
from cohortkit.cohort.eligibility import (
    ADOLESCENTS,
    ADULTS,
    Frozen,
    Sieve,
    apply_ages,
    apply_conditions,
    apply_equal,
    apply_structure,
    check_code,
    finger_id,
    fingers_not_chosen,
    first_readings,
    joined_readings,
)
from cohortkit.cohort.return_bounds import ENDS, return_bounds
from cohortkit.tables.grades import RULE_SETS, derive_grade

__all__ = [
    "ADOLESCENTS",
    "ADULTS",
    "AnalysisSet",
    "graded_tears",
    "outcomes",
    "readings",
    "reference_population",
]

VERIFYING = ("surgery", "mri")
"""Bases that do not rest on ultrasound or on opinion."""

_PERSON = [
    "participant_id", "finger_id", "site_id", "sex", "age_years", "height_cm", "dominant_side",
    "climbing_years", "level_ircra", "exposure_h_wk", "side", "digit",
]  # fmt: skip
_READ = [
    "scan_id", "scan_day", "device_id", "reading_id", "rater_id", "rater_site_id", "pulley", "load",
    "reference_structure", "caliper_site", "load_method", "gap_mm", "below_resolution",
    "resolution_mm",
]  # fmt: skip


@dataclass(frozen=True, repr=False)
class AnalysisSet:
    """Rows for one question.

    Parameters
    ----------
    question
        Name of the set.
    rows
        One row per unit of the question; every estimator takes the set itself.
    flow
        ``step, reason, participants, fingers, readings, episodes``: ``eligible at
        start``, each rule with what it left out, ``in the set``. The counts of the
        steps add up. A unit that the question does not count is missing.
    settings
        The arguments used and the hash of the release.
    """

    question: str
    rows: pd.DataFrame
    flow: pd.DataFrame
    settings: dict[str, Any] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.rows)

    def __repr__(self) -> str:
        cells = self.flow.astype("string").fillna("")
        table = display.text_table(list(cells.columns), cells.to_numpy().tolist())
        return f"{self.question}: {len(self.rows)} rows\n{table}"


def readings(
    release: Frozen,
    *,
    pulley: str | None = None,
    load: str | None = None,
    read_mode: str | None = None,
    ages: tuple[float, float] | None = ADULTS,
    one_finger_per_participant: bool = False,
    seed: int = 1,
    **equal: Any,
) -> AnalysisSet:
    """Readings with their scan, finger and participant.

    Columns: those of readings, scans and participants, ``finger_id``,
    ``rater_site_id`` (``site_id`` is the participant's), ``injured`` (the scan
    belongs to an episode) and ``tear_status`` (of that pulley in that episode;
    ``uninjured`` without an episode; missing if not recorded).

    Parameters
    ----------
    release
        A release.
    pulley, load, read_mode
        Keep this code only. Without one, the set holds several, and
        ``settings["holds_several"]`` says of which.
    ages
        Completed years, from the first up to, not including, the second; None for
        all, ages not recorded included.
    one_finger_per_participant
        Keep one finger of each participant, chosen by `seed`.
    seed
        Seed of that choice. The same for any order of rows.
    **equal
        Column and the value, or list of values, to keep, such as ``digit="ring"``.

    Raises
    ------
    ArgumentError
        If a column or code does not exist.
    """
    sieve = Sieve(
        joined_readings(release.tables).drop(columns="finger_hurt"),
        ("participants", "fingers", "readings"),
    )
    wanted = {"pulley": pulley, "load": load, "read_mode": read_mode}
    apply_equal(sieve, {name: value for name, value in wanted.items() if value is not None})
    apply_ages(sieve, ages)
    apply_equal(sieve, equal)
    if one_finger_per_participant:
        _one_finger(sieve, seed)
    several = [
        name
        for name in ("pulley", "load", "reference_structure", "read_mode")
        if sieve.rows[name].nunique() > 1
    ]
    chosen = {"one_finger_per_participant": one_finger_per_participant, "seed": seed}
    settings = wanted | _ages_setting(ages) | chosen | {"equal": equal, "holds_several": several}
    return _set("readings", release, sieve, sieve.rows, settings)


def reference_population(
    release: Frozen,
    *,
    pulley: str,
    load: str,
    ages: tuple[float, float] | None = ADULTS,
    other_fingers_injured: str = "leave_out",
    unknown: str = "keep",
    seed: int = 1,
    **equal: Any,
) -> AnalysisSet:
    """One value of one finger per uninjured person: what a reference range rests on.

    Eligible is a reading of this pulley and load that was

    - read to the pulley's own structure (A3: volar plate; A2, A4: phalanx),
    - of a participant of these ages,
    - of a finger without any episode, before or after (healed is not normal),
    - of a participant without any episode on any finger (the other hand is not
      independent of the injured one), unless `other_fingers_injured` keeps them,
    - without support on the finger and not known to be warmed up,
    - single, not a mean of several, and read live,
    - the first of its finger: earliest scan, first rater, first repeat,
    - of the one finger chosen of its participant by `seed`, since the fingers of a
      person are not independent.

    A gap too small to be seen stays, with ``below_resolution`` true, `gap_mm`
    missing and its limit in `resolution_mm`.

    Parameters
    ----------
    other_fingers_injured
        Uninjured fingers of participants who injured another finger at any time:
        ``leave_out`` or ``keep``. With ``keep`` the set holds uninjured fingers, no
        longer uninjured people.
    unknown
        Scans whose support or warm-up was not recorded: ``keep`` or ``leave_out``.
    **equal
        Further columns and values to keep, such as ``caliper_site="pp_midpoint"``.
        For `release`, `ages` and `seed` see `readings`.

    Returns
    -------
    AnalysisSet
        One row per participant.
    """
    checks.one_of("other_fingers_injured", other_fingers_injured, ("leave_out", "keep"))
    sieve = _of_pulley_and_load(release, pulley, load)
    apply_structure(sieve, pulley)
    apply_ages(sieve, ages)
    sieve.leave_out(sieve.rows["injured"], "scan of an injured finger")
    sieve.leave_out(sieve.rows["finger_hurt"], "finger injured at another time")
    if other_fingers_injured == "leave_out":
        hurt = sieve.rows["participant_id"].isin(release.tables["episodes"]["participant_id"])
        sieve.leave_out(hurt, "participant injured another finger")
    apply_conditions(sieve, unknown)
    apply_equal(sieve, equal)
    sieve.leave_out(first_readings(sieve.rows, "finger_id"), "not the finger's first reading")
    _one_finger(sieve, seed)
    settings = {"pulley": pulley, "load": load} | _ages_setting(ages)
    settings |= {"other_fingers_injured": other_fingers_injured}
    settings |= {"unknown": unknown, "seed": seed, "equal": equal}
    return _set("reference_population", release, sieve, sieve.rows[[*_PERSON, *_READ]], settings)


def graded_tears(
    release: Frozen,
    *,
    pulley: str,
    load: str,
    us_gap: str = "leave_out",
    ages: tuple[float, float] | None = ADULTS,
    unknown: str = "keep",
    within_days: int | None = 75,
    rule_set: str = "schoffl2003",
    **equal: Any,
) -> AnalysisSet:
    """Gap beside tear status, one row per episode: what a threshold rests on.

    Eligible is a recorded status of this pulley with a reading of the same episode,
    pulley and load that was read live, to the pulley's own structure, single,
    without support and not known to be warmed up, before any surgery for the
    episode. Of several the first counts: earliest scan, first rater, first repeat.

    Parameters
    ----------
    us_gap
        Status that was given from the gap itself, or on a basis not recorded:
        ``leave_out`` (a threshold learned from it would be circular) or ``keep``.
    within_days
        Longest time from onset to scan; None for any. A finger scanned months later
        has healed in part: its gap no longer goes with the tear recorded.
    rule_set
        Rule set of the column ``grade`` (missing where it cannot be derived).
    unknown, ages, **equal
        As in `reference_population`.

    Returns
    -------
    AnalysisSet
        Columns as in `reference_population`, and ``episode_id, status, basis,
        verified`` (basis is surgery or MRI), ``verified_day, onset_day, grade``.
    """
    checks.one_of("us_gap", us_gap, ("leave_out", "keep"))
    checks.one_of("rule_set", rule_set, tuple(RULE_SETS))
    sieve = Sieve(_tears_with_readings(release, pulley, load), (
        "participants", "fingers", "readings", "episodes",
    ))  # fmt: skip
    apply_ages(sieve, ages)
    if us_gap == "leave_out":
        sieve.leave_out(sieve.rows["basis"] == "us_gap", "status given from the gap itself")
        sieve.leave_out(sieve.rows["basis"].isna(), "basis of the status not recorded")
    sieve.leave_out(sieve.rows["reading_id"].isna(), "no reading of this pulley and load")
    apply_structure(sieve, pulley)
    apply_conditions(sieve, unknown)
    sieve.leave_out(sieve.rows["scan_day"] >= sieve.rows["surgery_day"], "scanned after surgery")
    if within_days is not None:
        sieve.leave_out(sieve.rows["onset_day"].isna(), "day of onset not recorded")
        late = sieve.rows["scan_day"] - sieve.rows["onset_day"] > within_days
        sieve.leave_out(late, f"scanned later than {within_days} days after onset")
    apply_equal(sieve, equal)
    sieve.leave_out(first_readings(sieve.rows, "episode_id"), "not the episode's first reading")
    grades = derive_grade(release.tables["tears"], release.tables["episodes"], rule_set)
    rows = sieve.rows.merge(grades, on="episode_id", how="left", validate="many_to_one")
    rows["verified"] = rows["basis"].isin(VERIFYING)
    settings = {"pulley": pulley, "load": load, "us_gap": us_gap} | _ages_setting(ages)
    settings |= {"unknown": unknown, "within_days": within_days}
    settings |= {"rule_set": rule_set, "equal": equal}
    told = ["episode_id", "status", "basis", "verified", "verified_day", "onset_day", "grade"]
    return _set("graded_tears", release, sieve, rows[[*_PERSON, *told, *_READ]], settings)


def outcomes(
    release: Frozen,
    *,
    rule_set: str = "schoffl2003",
    ages: tuple[float, float] | None = ADULTS,
    competing: Sequence[str] = ENDS,
    ungraded: str = "leave_out",
    **equal: Any,
) -> AnalysisSet:
    """When injured climbers returned to full climbing: bounds, one row per episode.

    The return lies in (``left_day``, ``right_day``], in days from onset; see
    `return_bounds` for how visits, missed visits, surgery and giving up enter.
    Eligible is an episode with a recorded day of onset and at least one attended
    visit that asked about the return.

    Parameters
    ----------
    rule_set
        Rule set of the column ``grade``.
    competing
        Ends that compete with the return: ``surgery``, ``gave_up``, both, neither.
    ungraded
        Episodes whose grade cannot be derived: ``leave_out`` or ``keep``.
    ages, **equal
        As in `readings`.

    Returns
    -------
    AnalysisSet
        ``participant_id, finger_id, site_id, episode_id, grade, left_day,
        right_day`` (infinite: not seen to return), ``last_day, n_visits,
        missed_visits, competing, competing_day``, and columns of the person and
        the episode. The flow counts no readings.
    """
    checks.one_of("ungraded", ungraded, ("leave_out", "keep"))
    checks.one_of("rule_set", rule_set, tuple(RULE_SETS))
    tables = release.tables
    episodes = tables["episodes"]
    rows = (
        episodes.assign(finger_id=finger_id(episodes))
        .merge(tables["participants"], on="participant_id", how="left", validate="many_to_one")
        .merge(derive_grade(tables["tears"], episodes, rule_set), on="episode_id", how="left")
        .merge(return_bounds(tables, competing), on="episode_id", validate="one_to_one")
    )
    sieve = Sieve(rows, ("participants", "fingers", "episodes"))
    apply_ages(sieve, ages)
    apply_equal(sieve, equal)
    sieve.leave_out(sieve.rows["onset_day"].isna(), "day of onset not recorded")
    sieve.leave_out(sieve.rows["n_visits"] == 0, "no attended visit that asked about the return")
    sieve.leave_out(sieve.rows["right_day"] <= 0, "full climbing on the day of onset")
    if ungraded == "leave_out":
        sieve.leave_out(sieve.rows["grade"].isna(), f"grade not derivable under {rule_set}")
    settings = {"rule_set": rule_set, "competing": list(competing), "ungraded": ungraded}
    settings |= _ages_setting(ages) | {"equal": equal}
    told = ["episode_id", "grade", "left_day", "right_day", "last_day", "n_visits", "missed_visits"]
    told += ["competing", "competing_day", "onset_day", "mechanism", "prior_pulley_injury"]
    return _set("outcomes", release, sieve, sieve.rows[[*_PERSON, *told]], settings)


def _of_pulley_and_load(release: Frozen, pulley: str, load: str) -> Sieve:
    check_code("pulley", pulley)
    check_code("load", load)
    frame = joined_readings(release.tables)
    chosen = frame[(frame["pulley"] == pulley) & (frame["load"] == load)]
    return Sieve(chosen, ("participants", "fingers", "readings"))


def _tears_with_readings(release: Frozen, pulley: str, load: str) -> pd.DataFrame:
    """Tears of a pulley, each with all readings of its episode, or with none."""
    check_code("pulley", pulley)
    check_code("load", load)
    tables = release.tables
    people = tables["participants"]
    tears = tables["tears"]
    episodes = tables["episodes"][["episode_id", "participant_id", "side", "digit", "onset_day"]]
    surgery = tables["treatments"]
    first = surgery[surgery["kind"] == "surgery"].groupby("episode_id")["start_day"].min()
    frame = joined_readings(tables)
    of_person = [*people.columns, "side", "digit", "finger_id", "tear_status", "pulley"]
    frame = frame[(frame["pulley"] == pulley) & (frame["load"] == load)].drop(columns=of_person)
    rows = (
        tears[tears["pulley"] == pulley]
        .merge(episodes, on="episode_id", how="left", validate="one_to_one")
        .merge(people, on="participant_id", how="left", validate="many_to_one")
        .merge(first.rename("surgery_day").reset_index(), on="episode_id", how="left")
        .merge(frame[frame["injured"]], on="episode_id", how="left")
    )
    return rows.assign(finger_id=finger_id(rows))


def _one_finger(sieve: Sieve, seed: int) -> None:
    checks.count("seed", seed, minimum=0)
    sieve.leave_out(
        fingers_not_chosen(sieve.rows, seed), "another finger of the participant was chosen"
    )


def _ages_setting(ages: tuple[float, float] | None) -> dict[str, Any]:
    return {"ages": None if ages is None else [None if np.isinf(a) else a for a in ages]}


def _set(
    question: str, release: Frozen, sieve: Sieve, rows: pd.DataFrame, settings: dict[str, Any]
) -> AnalysisSet:
    named = {"release_hash": release.release_hash, "release_label": release.release_hash[:12]}
    return AnalysisSet(question, rows.reset_index(drop=True), sieve.flow(), settings | named)
