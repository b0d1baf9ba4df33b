"""Order of elimination, blocks, and the two ways to couple them with the rest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from cohortkit.mixed.coupling import Dense, Pairs, couple, pair_list
from cohortkit.mixed.design import build
from cohortkit.mixed.equations import assemble, indicator, respond
from cohortkit.mixed.likelihood import evaluate
from tests.mixed.designs import crossed, random_design


def sparse_table(seed: int = 0) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    table = pd.DataFrame({"subject": rng.integers(0, 300, 900), "rater": rng.integers(0, 80, 900)})
    table["value"] = rng.normal(size=900) + rng.normal(size=300)[table["subject"]]
    table["covariate"] = rng.normal(size=900)
    return table


def ragged() -> pd.DataFrame:
    table = crossed(60, 4, 2, (1, 0.3, 0.5))
    return table.drop(index=[0, 1, 2, 3, 8, 9]).reset_index(drop=True)


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


def test_blocks_of_unequal_size_are_grouped():
    table = ragged()
    _, equations = model(table, [["subject"], ["subject", "rater"]])
    # by hand: subject 0 keeps two cells, subject 1 three, the others four; one more for the subject
    assert [(g.size, g.count) for g in equations.blocks.groups] == [(3, 1), (4, 1), (5, 58)]


def test_blocks_invert():
    table = ragged()
    _, equations = model(table, [["subject"], ["subject", "rater"]])
    root = np.random.default_rng(0).uniform(0.2, 2, equations.blocks.size)
    full = np.eye(len(root)) + root[:, None] * equations.cross.toarray() * root
    roots = equations.blocks.factor(root)
    right = np.random.default_rng(1).normal(size=(len(root), 3))
    assert roots.half_transposed(roots.half(right)) == pytest.approx(np.linalg.solve(full, right))
    assert roots.log_det == pytest.approx(np.linalg.slogdet(full)[1])
    assert roots.inverse_diagonal() == pytest.approx(np.diag(np.linalg.inv(full)))


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("fixed", [(), ("covariate",)])
def test_pairs_and_dense_give_the_same(method, fixed):
    design, equations = model(sparse_table(), [["subject"], ["rater"]], fixed)
    assert isinstance(equations.coupling, Pairs)
    pairs = equations.coupling
    dense = replace(equations, coupling=Dense(np.hstack([pairs.levels.toarray(), pairs.fixed])))
    response = respond(equations, design, design.response)
    v = np.array([0.9, 0.4, 0.2])
    one = evaluate(equations, response, v, method)
    two = evaluate(dense, response, v, method)
    assert one.value == pytest.approx(two.value, rel=1e-12)
    assert one.slope == pytest.approx(two.slope, rel=1e-9)
    assert one.curvature == pytest.approx(two.curvature, rel=1e-9)


def test_pair_list_is_the_lower_triangle_of_each_rows_square():
    _, equations = model(sparse_table(), [["subject"], ["rater"]])
    counts = equations.coupling.levels
    weight = np.random.default_rng(0).uniform(size=counts.shape[0])
    listed = (pair_list(counts) @ weight).reshape((counts.shape[1],) * 2)
    full = counts.toarray().T @ (weight[:, None] * counts.toarray())
    assert listed == pytest.approx(np.tril(full))


def test_small_designs_use_dense_products():
    _, equations = model(crossed(20, 4, 1, (1, 0.3, 0.5)), [["subject"], ["rater"]])
    assert isinstance(equations.coupling, Dense)
    counts = indicator(build(sparse_table(), value="value", random=[["subject"]], fixed=[]))
    assert isinstance(couple(counts, np.empty((900, 0)), largest_block=2), Dense)
