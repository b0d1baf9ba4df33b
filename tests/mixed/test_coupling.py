"""Two ways to couple eliminated levels with the rest give the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from cohortkit.mixed.coupling import Dense, Pairs, couple, pair_list
from cohortkit.mixed.design import build
from cohortkit.mixed.equations import assemble, indicator, respond
from cohortkit.mixed.likelihood import evaluate
from tests.mixed.designs import crossed


def sparse_table(seed: int = 0) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    table = pd.DataFrame({"subject": rng.integers(0, 300, 900), "rater": rng.integers(0, 80, 900)})
    table["value"] = rng.normal(size=900) + rng.normal(size=300)[table["subject"]]
    table["covariate"] = rng.normal(size=900)
    return table


def model(table, random, fixed=()):
    design = build(table, value="value", random=random, fixed=fixed)
    return design, assemble(design)


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
