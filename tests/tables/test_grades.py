"""Grades against every cell of the published table, and against what was decided beside it.

Source of the criteria: Schöffl et al. 2003 and Schöffl & Schöffl 2006 for ``schoffl2003``;
Lutter et al. 2021, as restated on secondary pages, for ``lutter2021``. Cells marked
'decided here' are not in those sources.
"""

from __future__ import annotations

import itertools

import pandas as pd
import pytest

from cohortkit.errors import ArgumentError, TableError
from cohortkit.tables.grades import GRADES, RULE_SETS, derive_grade
from tests.tables.rows import rows


def grade(rule_set, injury, **structures):
    tears = rows(
        "tears", *({"pulley": pulley, "status": status} for pulley, status in injury.items())
    )
    result = derive_grade(tears, rows("episodes", structures), rule_set)
    return None if result["grade"].isna().iloc[0] else result["grade"].iloc[0]


# source: Schöffl et al. 2003; Schöffl & Schöffl 2006 (grades as restated there)
SCHOFFL = [
    ({"A2": "strain"}, "I"),
    ({"A3": "strain"}, "I"),
    ({"A4": "strain"}, "I"),
    ({"A4": "complete"}, "II"),
    ({"A2": "partial"}, "II"),
    ({"A3": "partial"}, "II"),
    ({"A2": "complete"}, "III"),
    ({"A3": "complete"}, "III"),
    ({"A2": "complete", "A3": "complete"}, "IV"),
    ({"A2": "complete", "A3": "complete", "A4": "complete"}, "IV"),
]

# source: Lutter et al. 2021, as restated in secondary sources
LUTTER = [
    ({"A2": "strain"}, "I"),
    ({"A3": "strain"}, "I"),
    ({"A4": "strain"}, "I"),
    ({"A3": "complete"}, "II"),
    ({"A4": "complete"}, "II"),
    ({"A2": "partial"}, "II"),
    ({"A2": "complete"}, "III"),
    ({"A2": "complete", "A3": "complete"}, "IV"),
    ({"A2": "complete", "A3": "complete", "A4": "complete"}, "IV"),
]


@pytest.mark.parametrize(("injury", "expected"), SCHOFFL)
def test_schoffl2003(injury, expected):
    assert grade("schoffl2003", injury) == expected


@pytest.mark.parametrize(("injury", "expected"), LUTTER)
def test_lutter2021(injury, expected):
    assert grade("lutter2021", injury) == expected


@pytest.mark.parametrize("structure", ["lumbrical", "collateral"])
@pytest.mark.parametrize("pulley", ["A2", "A3"])
def test_a_second_structure_makes_a_single_rupture_four(pulley, structure):
    # source: Schöffl et al. 2003: single A2 or A3 with lumbrical or collateral ligament injury
    assert grade("schoffl2003", {pulley: "complete"}, **{structure: "injured"}) == "IV"
    assert grade("schoffl2003", {pulley: "complete"}, **{structure: "intact"}) == "III"
    assert grade("schoffl2003", {pulley: "complete"}, **{structure: "not_assessed"}) == "III"
    assert grade("schoffl2003", {pulley: "complete"}, **{structure: None}) == "III"


def test_complete_a3_differs_between_the_versions():
    # source: the two rule sets above; the conflict for which both are kept
    assert grade("schoffl2003", {"A3": "complete"}) == "III"
    assert grade("lutter2021", {"A3": "complete"}) == "II"


# decided here: cells on which the published tables are silent
DECIDED = [
    ("schoffl2003", {"A4": "partial"}, {}, "II"),
    ("lutter2021", {"A4": "partial"}, {}, "I"),
    ("lutter2021", {"A3": "partial"}, {}, "I"),
    ("schoffl2003", {"A3": "complete", "A4": "complete"}, {}, "IV"),
    ("schoffl2003", {"A2": "complete", "A4": "complete"}, {}, "IV"),
    ("lutter2021", {"A3": "complete", "A4": "complete"}, {}, "IV"),
    ("schoffl2003", {"A4": "complete"}, {"lumbrical": "injured"}, "II"),
    ("schoffl2003", {"A2": "partial"}, {"collateral": "injured"}, "II"),
    ("lutter2021", {"A2": "complete"}, {"lumbrical": "injured"}, "III"),
    ("schoffl2003", {"A2": "complete", "A3": "partial", "A4": "strain"}, {}, "III"),
    ("lutter2021", {"A2": "partial", "A4": "complete"}, {}, "II"),
    ("schoffl2003", {"A2": "none", "A3": "none", "A4": "none"}, {}, None),
    ("schoffl2003", {"A2": "none"}, {"lumbrical": "injured"}, None),
    ("schoffl2003", {}, {}, None),
]


@pytest.mark.parametrize(("rule_set", "injury", "structures", "expected"), DECIDED)
def test_what_was_decided_here(rule_set, injury, structures, expected):
    assert grade(rule_set, injury, **structures) == expected


@pytest.mark.parametrize("rule_set", sorted(RULE_SETS))
def test_a_worse_pulley_never_lowers_the_grade(rule_set):
    order = ["none", "strain", "partial", "complete"]
    rank = {None: 0, **{g: i for i, g in enumerate(GRADES, start=1)}}
    for states in itertools.product(range(4), repeat=3):
        for worse in range(3):
            if states[worse] == 3:
                continue
            more = [s + (i == worse) for i, s in enumerate(states)]
            pulleys = ("A2", "A3", "A4")
            low = grade(rule_set, dict(zip(pulleys, (order[s] for s in states), strict=True)))
            high = grade(rule_set, dict(zip(pulleys, (order[s] for s in more), strict=True)))
            assert rank[low] <= rank[high], (states, more)


def test_every_episode_comes_back_in_its_order():
    episodes = rows("episodes", *({"episode_id": e} for e in ("E3", "E1", "E2")))
    tears = rows(
        "tears",
        {"episode_id": "E1", "status": "complete"},
        {"episode_id": "E9", "status": "complete"},
    )
    result = derive_grade(tears, episodes)
    assert result["episode_id"].tolist() == ["E3", "E1", "E2"]
    assert result["grade"].isna().tolist() == [True, False, True]
    assert list(result.columns) == ["episode_id", "grade"]


def test_no_episodes_give_no_grades():
    assert len(derive_grade(rows("tears", {}), rows("episodes", {}).iloc[:0])) == 0


def test_unknown_rule_set_and_absent_column_are_refused():
    tears, episodes = rows("tears", {}), rows("episodes", {})
    with pytest.raises(ArgumentError, match="schoffl2003"):
        derive_grade(tears, episodes, "mine")
    with pytest.raises(TableError, match="lumbrical"):
        derive_grade(tears, episodes.drop(columns="lumbrical"))
    with pytest.raises(TableError, match="status"):
        derive_grade(pd.DataFrame({"episode_id": ["E1"], "pulley": ["A2"]}), episodes)


def test_each_rule_set_tells_its_source_criteria_and_decisions():
    for name, rule_set in RULE_SETS.items():
        assert rule_set.name == name
        assert tuple(rule_set.criteria) == GRADES
        assert rule_set.source
        assert len(rule_set.decisions) >= 4
