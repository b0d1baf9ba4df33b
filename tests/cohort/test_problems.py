"""Gathering problems: none lost, none said twice."""

from __future__ import annotations

import numpy as np

from cohortkit.cohort.parsing import Read
from cohortkit.cohort.problems import COLUMNS, Problems
from cohortkit.cohort.source_files import Coded

BAD = Read(code="not_a_number", facts={"field": "'gap_mm'"})


def test_cells_of_one_column():
    coded = Coded(np.array([0, 1, 0, 2]), ["1", "x\u00a0", "y"], ["", "", ""])
    problems = Problems()
    rows = np.array([1, 2, 3])
    bad = problems.add_cells(rows + 10, "Gap", coded, [Read(1.0), BAD, BAD], rows)
    assert bad.tolist() == [True, False, True]
    frame = problems.frame()
    assert frame["record"].tolist() == [11, 13]
    assert frame["raw_value"].tolist() == ["x\\xa0", "y"]
    assert frame["reason"].str.contains("'gap_mm'").all()


def test_same_problem_of_one_cell_is_told_once():
    problems = Problems()
    for _ in range(2):
        problems.add(3, "Gap", "x", BAD)
    problems.add(3, "Other", "x", BAD)
    problems.add(4, "Gap", "x", BAD, "warning")
    assert len(problems.frame()) == 3
    assert problems.refused(6).tolist() == [False, False, False, True, False, False]


def test_no_problem_is_a_table_too():
    problems = Problems()
    assert tuple(problems.frame().columns) == COLUMNS
    assert not problems.refused(2).any()
