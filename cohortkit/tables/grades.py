"""Grades of pulley injury, derived from the state of each pulley by a named rule set.

A grade is never stored: published versions disagree (a complete tear of A3 is III
in one and II in a later one), and a grade does not tell which pulley is torn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortkit import checks
from cohortkit.tables.verdicts import Flags, equal

GRADES = ("I", "II", "III", "IV")
"""The grades, rising."""


@dataclass(frozen=True)
class RuleSet:
    """One published way to grade, and what was decided where it is silent.

    Parameters
    ----------
    name, title, source
        Name used as argument, words for people, publication.
    criteria
        Grade to its criterion, in our words.
    decisions
        What the publication does not say and was decided here.
    """

    name: str
    title: str
    source: str
    criteria: dict[str, str]
    decisions: tuple[str, ...]


_SHARED = (
    "The highest criterion that is met gives the grade.",
    "A pulley without a row, and a structure not assessed, count as not torn, so that an "
    "incomplete examination can only give too low a grade.",
    "An episode without rows, or whose pulleys are all intact, has no grade.",
    "Any two complete tears count as several, whichever pulleys they are.",
)

RULE_SETS: dict[str, RuleSet] = {
    "schoffl2003": RuleSet(
        "schoffl2003",
        "Four-step score of 2003, as restated in 2006",
        "Schöffl et al. 2003; Schöffl et al. 2006",
        {
            "I": "strain without tear",
            "II": "complete tear of A4, or partial tear of A2 or A3",
            "III": "complete tear of A2 or A3",
            "IV": "several complete tears, or a complete tear of A2 or A3 with injury of the "
            "lumbrical muscle or a collateral ligament",
        },
        (
            *_SHARED,
            "A partial tear of A4 is not mentioned. It is graded II, the lowest grade that "
            "holds a tear.",
            "Injury of lumbrical or collateral ligament raises complete tears of A2 and A3 "
            "only; beside any other tear it changes nothing.",
        ),
    ),
    "lutter2021": RuleSet(
        "lutter2021",
        "Later version, with a complete tear of A3 in grade II",
        "Lutter et al. 2021, as restated in secondary sources",
        {
            "I": "strain or slight tear",
            "II": "complete tear of A3 or A4, or partial tear of A2",
            "III": "complete tear of A2 alone",
            "IV": "several complete tears",
        },
        (
            *_SHARED,
            "Partial tears of A3 and A4 are not mentioned in II. They are graded I, which "
            "holds slight tears.",
            "Injury of lumbrical or collateral ligament does not raise the grade, since the "
            "sources seen do not say so.",
            "The parts IVa and IVb differ by how marked the bowstringing and the damage around "
            "it are. That cannot be derived from the tables, so both read IV.",
        ),
    ),
}
"""Rule set by name."""


def _schoffl2003(torn: dict[tuple[str, str], Flags], several: Flags, beside: Flags) -> list[Flags]:
    major = torn["A2", "complete"] | torn["A3", "complete"]
    partial = torn["A2", "partial"] | torn["A3", "partial"] | torn["A4", "partial"]
    return [several | (major & beside), major, torn["A4", "complete"] | partial]


def _lutter2021(torn: dict[tuple[str, str], Flags], several: Flags, beside: Flags) -> list[Flags]:
    minor = torn["A3", "complete"] | torn["A4", "complete"] | torn["A2", "partial"]
    return [several, torn["A2", "complete"], minor]


_CRITERIA = {"schoffl2003": _schoffl2003, "lutter2021": _lutter2021}


def _graded(criteria: list[Flags], any_injury: Flags) -> NDArray[np.object_]:
    grades = np.full(len(any_injury), pd.NA, dtype=object)
    for grade, met in zip(GRADES, [any_injury, *reversed(criteria)], strict=True):
        grades[met] = grade
    return grades


def derive_grade(
    tears: pd.DataFrame, episodes: pd.DataFrame, rule_set: str = "schoffl2003"
) -> pd.DataFrame:
    """Grade of each episode under a named rule set.

    Parameters
    ----------
    tears
        Columns episode_id, pulley, status. Rows of other episodes are ignored.
    episodes
        Columns episode_id, lumbrical, collateral; n rows.
    rule_set
        ``schoffl2003`` or ``lutter2021``; `RULE_SETS` says what each means and
        what was decided where it is silent.

    Returns
    -------
    pandas.DataFrame
        episode_id and grade (``I`` to ``IV`` as text, missing if there is none),
        n rows in the order of `episodes`.

    Raises
    ------
    ArgumentError
        If there is no such rule set.
    TableError
        If a column is absent.
    """
    checks.one_of("rule_set", rule_set, tuple(RULE_SETS))
    state = checks.columns(tears, {c: c for c in ("episode_id", "pulley", "status")})
    cases = checks.columns(episodes, {c: c for c in ("episode_id", "lumbrical", "collateral")})
    torn = {
        (pulley, status): equal(
            cases["episode_id"],
            *state["episode_id"][
                equal(state["pulley"], pulley) & equal(state["status"], status)
            ].dropna(),
        )
        for pulley in ("A2", "A3", "A4")
        for status in ("strain", "partial", "complete")
    }
    several = sum(torn[p, "complete"].astype(int) for p in ("A2", "A3", "A4")) >= np.int64(2)
    beside = equal(cases["lumbrical"], "injured") | equal(cases["collateral"], "injured")
    criteria = _CRITERIA[rule_set](torn, np.asarray(several, dtype=bool), beside)
    any_injury = np.logical_or.reduce(list(torn.values()))
    return pd.DataFrame(
        {
            "episode_id": cases["episode_id"],
            "grade": pd.Series(_graded(criteria, any_injury), dtype="string"),
        }
    )
