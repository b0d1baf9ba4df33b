"""Blocks are cut out, factorised and inverted as the dense matrix is."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.mixed.design import build
from cohortkit.mixed.equations import Equations, assemble
from tests.mixed.designs import crossed


def ragged() -> Equations:
    """Sixty subjects of up to four cells each."""
    table = crossed(60, 4, 2, (1, 0.3, 0.5)).drop(index=[0, 1, 2, 3, 8, 9]).reset_index(drop=True)
    factors = [["subject"], ["subject", "rater"]]
    return assemble(build(table, value="value", random=factors, fixed=[]))


def test_blocks_of_unequal_size_are_grouped():
    equations = ragged()
    # by hand: subject 0 keeps two cells, subject 1 three, the others four; one more for the subject
    assert [(g.size, g.count) for g in equations.blocks.groups] == [(3, 1), (4, 1), (5, 58)]


def test_blocks_invert():
    equations = ragged()
    root = np.random.default_rng(0).uniform(0.2, 2, equations.blocks.size)
    full = np.eye(len(root)) + root[:, None] * equations.cross.toarray() * root
    roots = equations.blocks.factor(root)
    right = np.random.default_rng(1).normal(size=(len(root), 3))
    assert roots.half_transposed(roots.half(right)) == pytest.approx(np.linalg.solve(full, right))
    assert roots.log_det == pytest.approx(np.linalg.slogdet(full)[1])
    assert roots.inverse_diagonal() == pytest.approx(np.diag(np.linalg.inv(full)))
