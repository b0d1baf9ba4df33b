"""Cross-products and the order of elimination."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.mixed.design import build
from cohortkit.mixed.equations import assemble, indicator, respond
from tests.mixed.designs import crossed, random_design


def model(table, random, fixed=()):
    design = build(table, value="value", random=random, fixed=fixed)
    return design, assemble(design)


@pytest.mark.parametrize("seed", range(8))
def test_cross_products_are_those_of_the_indicator_columns(seed):
    table, random, fixed = random_design(seed)
    design, equations = model(table, random, fixed)
    z = indicator(design).toarray()[:, equations.order]
    assert np.array_equal(equations.cross.toarray(), z.T @ z)
    assert equations.fixed == pytest.approx(z.T @ design.fixed.basis)
    assert respond(equations, design, design.response).levels == pytest.approx(
        z.T @ design.response
    )


def test_levels_nested_in_the_eliminated_factor_go_with_it():
    table = crossed(30, 4, 3, (1, 0.3, 0.5))
    _, equations = model(table, [["subject"], ["rater"], ["subject", "rater"]])
    # by hand: per subject one block of itself and its four cells; four raters and the intercept stay
    assert equations.blocks.largest == 5
    assert len(equations.lead) == 5


def test_purely_nested_factors_leave_only_the_fixed_part():
    table = crossed(30, 4, 3, (1, 0.3, 0.5))
    _, equations = model(table, [["subject"], ["subject", "rater"]])
    assert equations.remaining == 0
    assert equations.blocks.size == 30 + 30 * 4
