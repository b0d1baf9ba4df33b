"""Designs whose variances cannot be told apart are refused, with what can."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit import mixed
from cohortkit.errors import EstimateError
from cohortkit.mixed.design import build
from cohortkit.mixed.equations import assemble, respond
from cohortkit.mixed.separability import inner_products, start_values
from tests.mixed.designs import crossed, random_design

SETTINGS = {"value": "value", "participant": None, "unit": "1"}


def refusal(table, random, fixed=()):
    with pytest.raises(EstimateError) as caught:
        mixed.fit(table, random=random, fixed=fixed, **SETTINGS)
    return caught.value


@pytest.fixture
def table():
    frame = crossed(12, 4, 1, (1, 0.3, 0.5))
    frame["site"] = "site " + frame["rater"].astype(str)
    frame["study"] = "one"
    return frame


def test_one_read_per_cell(table):
    error = refusal(table, [["subject"], ["rater"], ["subject", "rater"]])
    assert "'subject:rater' and the residual variance are not separable" in error.what
    assert "separable: subject, rater" in error.found
    assert "repeated readings" in error.next_step


def test_two_factors_with_the_same_partition(table):
    error = refusal(table, [["subject"], ["rater"], ["site"]])
    assert "'rater' and 'site' are not separable" in error.what
    assert "separable: subject, residual" in error.found


def test_raters_who_are_the_sites(table):
    error = refusal(table, [["subject"], ["rater"]], ["site"])
    assert "'rater' is not separable from the fixed effects" in error.what
    assert "(site)" in error.found
    assert "leave the column out of fixed" in error.next_step


def test_one_level(table):
    error = refusal(table, [["subject"], ["study"]])
    assert "'study' cannot be estimated from one level" in error.what


def test_a_factor_of_one_level_is_never_called_separable(table):
    one = table[table["rater"] == 0]
    found = refusal(one, [["subject"], ["rater"]]).found
    assert "12 levels in 12 rows" in found
    assert "not separable either, having one level: rater" in found
    assert "; separable" not in found
    doubled = table.assign(study="one", other=table["subject"])
    found = refusal(doubled, [["subject"], ["other"], ["study"]]).found
    assert "separable: residual; not separable either, having one level: study" in found
    rows = table.assign(row=range(len(table)), other=table["subject"])
    found = refusal(rows, [["subject"], ["other"], ["row"]]).found
    assert "not separable either: row, one row per level" in found


def test_a_mixture_of_three(table):
    # Four rows leave three contrasts, and these factors and the residual are four variances.
    small = table[(table["subject"] < 2) & (table["rater"] < 2)].copy()
    small["cross"] = (small["subject"] == small["rater"]).astype(int)
    error = refusal(small, [["subject"], ["rater"], ["cross"]])
    assert "not separable" in error.what
    for name in ("subject", "rater", "cross", "residual"):
        assert f"'{name}'" in error.what


def test_separable_neighbours_are_left_alone(table):
    twice = crossed(12, 4, 2, (1, 0.3, 0.5))
    result = mixed.fit(twice, random=[["subject"], ["rater"], ["subject", "rater"]], **SETTINGS)
    assert result.levels == {"subject": 12, "rater": 4, "subject:rater": 48}


@pytest.mark.parametrize("seed", range(6))
def test_inner_products_are_traces_of_projected_matrices(seed):
    frame, random, fixed = random_design(seed)
    design = build(frame, value="value", random=random, fixed=fixed)
    basis = design.fixed.basis
    project = np.eye(design.n) - basis @ basis.T
    parts = [project]
    for factor in design.factors:
        z = project @ np.eye(factor.size)[factor.codes]
        parts.append(z @ z.T)
    expected = [[np.trace(a @ b) for a in parts] for b in parts]
    assert inner_products(assemble(design)) == pytest.approx(np.array(expected), rel=1e-10)


def test_the_start_is_the_anova_estimate_in_a_balanced_design():
    frame = crossed(12, 4, 2, (1, 0.3, 0.5))
    design = build(frame, value="value", random=[["subject"], ["rater"]], fixed=[])
    equations = assemble(design)
    response = respond(equations, design, design.response)
    start = start_values(equations, response, inner_products(equations)) * design.scale**2
    means = frame.groupby("subject")["value"].mean(), frame.groupby("rater")["value"].mean()
    total = ((frame["value"] - frame["value"].mean()) ** 2).sum()
    between = 11 * 8 * means[0].var(), 3 * 24 * means[1].var()
    error = (total - sum(between)) / (96 - 1 - 11 - 3)
    # by hand: mean squares less the error mean square, divided by rows per level
    assert start == pytest.approx(
        [error, (between[0] / 11 - error) / 8, (between[1] / 3 - error) / 24]
    )
