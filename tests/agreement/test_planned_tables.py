"""Simulated plans: expected mean squares, and whether studies of the planned size keep the width."""

from __future__ import annotations

import math

import numpy as np
import pytest

from cohortkit.agreement import participants_for_reliability
from cohortkit.agreement.planned_tables import PARTS, Layout, Tables
from cohortkit.errors import ArgumentError
from cohortkit.mixed import sequential
from cohortkit.mixed.design import build
from tests.agreement import planned_studies
from tests.agreement.planned_studies import cases, readings, values

PARTS_PLANTED = {
    "participant": 1.0, "finger": 0.6, "rater_site": 0.3, "rater": 0.2, "residual": 0.4,
}  # fmt: skip
WORDS = list(cases())


def test_expected_mean_squares_are_those_of_simulated_readings():
    codes = readings(6, 2, 4, sites=2)
    tables = Tables({n: PARTS_PLANTED.get(n, 0.0) for n in PARTS}, Layout(4, 1, 2, 2), 0.95, 20, 1)
    names = ["participant", "finger", "rater_site", "rater"]
    seen = values(codes, PARTS_PLANTED, 20_000, seed=3)
    rows = codes.assign(value=seen[:, 0])
    split = sequential.steps(build(rows, value="value", random=[[n] for n in names], fixed=()))
    sums = split.sums_of_squares(seen)
    expected = tables.expected(6)
    for name, df, each in zip([*names, "subject_rater"], split.ranks, sums, strict=True):
        assert expected[name][0] == df
        # source: planted truth; 20,000 mean squares have an error of root(2 / df) / 141
        error = math.sqrt(2 / df / 20_000)
        assert (each / df).mean() == pytest.approx(expected[name][1], rel=5 * error), name


def met(words: str, n_sim: int) -> tuple[float, float, float]:
    """Width planned, width met by simulated studies of that size, and its Monte Carlo error."""
    _, wanted, simulate = cases()[words]
    widths = simulate(n_sim)
    half_normal = 1.25  # by hand: root(pi / 2), error of a median over that of a mean
    if "median" in words:
        return wanted, float(np.median(widths)), half_normal * widths.std() / math.sqrt(n_sim)
    return wanted, float(widths.mean()), widths.std() / math.sqrt(n_sim)


@pytest.mark.parametrize("words", WORDS)
def test_planned_widths_are_met_in_a_quick_look(words):
    wanted, found, error = met(words, 40)
    # source: planted truth; 2 % beside the Monte Carlo error for large-sample formulas
    assert abs(found - wanted) < 4 * error + 0.02 * wanted


@pytest.mark.long
@pytest.mark.parametrize("words", WORDS)
def test_planned_widths_are_met(words):
    wanted, found, error = met(words, 1000)
    assert abs(found - wanted) < 4 * error + 0.015 * wanted  # source: planted truth


def test_the_engine_gives_the_widths_of_the_estimator():
    codes = readings(20, 2, 3)
    parts = {"participant": 0.4, "finger": 0.4, "residual": 0.2}
    engine = planned_studies.icc_widths(codes, parts, "consistency", 10)
    whole = planned_studies.estimated_icc_widths(codes, parts, 10)
    # by hand: the same ten tables; only the draws differ
    assert whole == pytest.approx(engine, rel=0.15)


def test_monte_carlo_error_is_that_of_the_median():
    tables = Tables(
        {n: {"participant": 1.0, "residual": 0.3}.get(n, 0.0) for n in PARTS},
        Layout(3, 1), 0.95, 200, 1,
    )  # fmt: skip
    medians = []
    for seed in range(40):
        other = Tables(tables.v, tables.layout, 0.95, 200, seed)
        medians.append(other.median_width(20, "icc_consistency"))
    said = tables.median_error(20, "icc_consistency")
    # by hand: evenly spaced chi-squares err less than independent ones, so "at most"
    assert 0 < np.std(medians) <= 1.3 * said < 10 * np.std(medians)


def test_a_new_site_costs_more_than_a_rater_of_the_site():
    parts = {"participant": 1.0, "rater_site": 0.02, "rater": 0.01, "residual": 0.1}
    ask = {"raters": 12, "reads": 1, "sites": 6}
    sizes = [
        participants_for_reliability(parts, 0.2, figure=figure, **ask)["participants"].value
        for figure in ("icc_consistency", "icc_agreement", "icc_agreement_new_site")
    ]
    assert sizes == sorted(sizes)
    assert sizes[0] < sizes[2]


def test_wrong_layouts_are_named():
    parts = {"participant": 1.0, "residual": 0.1}
    with pytest.raises(ArgumentError, match="at least two sites"):
        participants_for_reliability(parts, 0.2, figure="sem_inter_new_site", raters=4)
    for raters in (5, 2):
        with pytest.raises(ArgumentError, match="as many raters from each site, at least two"):
            participants_for_reliability(parts, 0.2, raters=raters, sites=2)
    for extra in ("finger", "rater_site"):
        with pytest.raises(ArgumentError, match="sites=2 or more"):
            participants_for_reliability(parts | {extra: 0.1}, 0.2)
    with pytest.raises(ArgumentError, match="not take that argument"):
        participants_for_reliability(parts, 0.2, finger=2)
