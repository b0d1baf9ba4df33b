"""Planned sizes: closed forms by hand, and by simulation that the planned width is met."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import (
    cohen_kappa,
    intervals,
    participants_for_icc,
    participants_for_kappa,
    participants_for_limits,
    participants_for_reliability,
)
from cohortkit.agreement.limit_components import Grouped, limit_interval, one_way
from cohortkit.agreement.limits import limit_factors
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.mixed import sequential
from cohortkit.mixed.design import build
from cohortkit.resampling import percentile_interval
from tests.agreement.simulated_reliability import bench, cell, responses


@pytest.mark.parametrize(
    ("icc", "k", "width", "n"),
    [
        # by hand: 8 x 3.8415 x 0.04 x 3.24 / (2 x 0.04) + 1 = 50.8, and 5 x 0.8 more
        (0.8, 2, 0.2, 55),
        # by hand: 8 x 3.8415 x 0.09 x 5.76 / (6 x 0.04) + 1 = 67.4
        (0.7, 3, 0.2, 68),
        # by hand: 8 x 3.8415 x 0.25 x 2.25 / (2 x 0.16) + 1 = 55.02
        (0.5, 2, 0.4, 56),
    ],
)
def test_icc_by_the_published_formula(icc, k, width, n):
    # source: Bonett 2002, Stat Med 21: 1331-1335, formula (5) (from memory)
    found = participants_for_icc(icc, width, raters=k)
    assert found["participants"].value == n
    assert found["width"].value <= width


@pytest.mark.parametrize(("icc", "k", "width"), [(0.8, 2, 0.2), (0.7, 3, 0.2), (0.9, 4, 0.1)])
def test_the_planned_icc_width_is_met(icc, k, width):
    n = int(participants_for_icc(icc, width, raters=k)["participants"].value)
    rng = np.random.default_rng(1)
    ratio = (1 + k * icc / (1 - icc)) * rng.chisquare(n - 1, 400) / (n - 1)
    ratio /= rng.chisquare((n - 1) * (k - 1), 400) / ((n - 1) * (k - 1))
    widths = [np.ptp(intervals.exact_f(r, n - 1, (n - 1) * (k - 1), k, 0.95)) for r in ratio]
    # source: planted truth; the formula is one for large samples
    assert np.mean(widths) == pytest.approx(width, rel=0.06)


def test_limits_by_the_exact_interval():
    found = participants_for_limits(0.2, 0.1, assurance=0.5)
    n = int(found["participants"].value)
    # source: Bland & Altman 1986: SE of a limit is about sqrt(3 / n) SD, so n is near 184
    assert n == pytest.approx(3 * (2 * 1.96 * 0.2 / 0.1) ** 2, rel=0.05)
    rng = np.random.default_rng(2)
    low, high = limit_factors(n, 1.959964, 0.95)
    spread = 0.2 * np.sqrt(rng.chisquare(n - 1, 20000) / (n - 1))
    # source: planted truth: half of the studies have at most the planned width
    assert np.mean(spread * (high - low) <= 0.1) == pytest.approx(0.5, abs=0.03)


def test_assurance_costs_participants():
    sizes = [
        participants_for_limits(0.2, 0.1, assurance=a)["participants"].value for a in (0.5, 0.9)
    ]
    assert sizes[1] > sizes[0]
    n = int(sizes[1])
    rng = np.random.default_rng(3)
    low, high = limit_factors(n, 1.959964, 0.95)
    spread = 0.2 * np.sqrt(rng.chisquare(n - 1, 20000) / (n - 1))
    assert np.mean(spread * (high - low) <= 0.1) == pytest.approx(0.9, abs=0.02)  # planted truth


@pytest.mark.parametrize(("kappa", "p"), [(0.6, 0.3), (0.0, 0.5), (0.8, 0.1)])
def test_kappa_of_two_categories_is_the_published_variance(kappa, p):
    # source: Donner & Eliasziw 1992, Stat Med 11: 1511-1519; Bloch & Kraemer 1989 (from memory)
    wanted = (1 - kappa) * ((1 - kappa) * (1 - 2 * kappa) + kappa * (2 - kappa) / (2 * p * (1 - p)))
    found = participants_for_kappa(kappa, [p, 1 - p], 0.2)
    # by hand: n = 4 z^2 V / w^2, 1.96^2 = 3.841459
    assert found["participants"].value == np.ceil(4 * 3.841459 * wanted / 0.04)


def test_the_planned_kappa_width_is_met():
    shares, kappa = np.array([0.5, 0.3, 0.2]), 0.6
    n = int(participants_for_kappa(kappa, shares, 0.25)["participants"].value)
    joint = (1 - kappa) * np.outer(shares, shares) + kappa * np.diag(shares)
    rng = np.random.default_rng(4)
    widths = []
    for _ in range(60):
        cell = rng.choice(9, size=n, p=joint.ravel())
        rows = pd.DataFrame(
            {
                "episode_id": np.tile(np.arange(n), 2),
                "rater_id": np.repeat(["a", "b"], n),
                "status": np.concatenate([cell // 3, cell % 3]),
            }
        )
        found = cohen_kappa(rows, participant=None, categories=[0, 1, 2])
        estimate = next(iter(found))
        widths.append(estimate.upper - estimate.lower)
    # source: planted truth
    assert np.mean(widths) == pytest.approx(0.25, rel=0.06)


def test_the_planned_width_of_a_reliability_study_is_met():
    parts = {"participant": 1.0, "rater": 0.05, "subject_rater": 0.05, "residual": 0.2}
    found = participants_for_reliability(parts, 0.25, figure="icc_agreement", raters=6, reads=2)
    n = int(found["participants"].value)
    planned = bench(cell("planned", participants=n, raters=6, planted=parts))
    values = responses(planned.c, planned.codes, 400, seed=5)
    rows = planned.codes.assign(value=values[:, 0])
    steps = sequential.steps(build(rows, value="value", random=planned.random, fixed=()))
    widths = []
    for i, sums in enumerate(steps.sums_of_squares(values).T):
        if i % 20 == 0:
            spread = steps.spread(999, seed=i)
        draws = sequential.solve(spread, sums).T
        named = dict(zip(["residual", *planned.factors], draws, strict=True))
        low, high = percentile_interval(planned.figure("icc_agreement", named), 0.95)
        widths.append(high - low)
    # source: planted truth
    assert np.median(widths) == pytest.approx(0.25, rel=0.06)


def test_more_participants_do_not_replace_raters():
    parts = {"participant": 1.0, "rater": 0.2, "residual": 0.2}
    with pytest.raises(EstimateError, match="not enough") as stop:
        participants_for_reliability(parts, 0.1, raters=3)
    assert "more raters" in str(stop.value)


def test_the_curve_falls_and_the_number_is_the_smallest():
    for found in (
        participants_for_icc(0.8, 0.2),
        participants_for_limits(0.2, 0.1),
        participants_for_kappa(0.6, [0.7, 0.3], 0.2),
        participants_for_reliability({"participant": 1, "residual": 0.2}, 0.05, figure="sem_intra"),
    ):
        assert found.curve["width"].dropna().is_monotonic_decreasing
        wanted, width = found.settings["width"], found["width"].value
        assert 0.9 * wanted < width <= wanted * (1 + 1e-9)
        assert "planned_values_assumed" in [c.code for c in found.cautions]


def test_wrong_plans_are_named():
    with pytest.raises(ArgumentError, match="'icc' lies strictly between"):
        participants_for_icc(1.0, 0.2)
    with pytest.raises(ArgumentError, match="'sd' is a number above zero"):
        participants_for_limits(0.0, 0.1)
    with pytest.raises(ArgumentError, match="add up to 1"):
        participants_for_kappa(0.5, [0.5, 0.4], 0.2)
    with pytest.raises(ArgumentError, match="'kappa' lies from 0"):
        participants_for_kappa(1.0, [0.5, 0.5], 0.2)
    with pytest.raises(ArgumentError, match="residual above zero"):
        participants_for_reliability({"participant": 1.0}, 0.2)
    with pytest.raises(ArgumentError, match="'figure' takes"):
        participants_for_reliability({"residual": 1.0}, 0.2, figure="icc")


class TestSeveralFingers:
    def test_icc_with_unlike_fingers_needs_as_many_fingers_in_all(self):
        one = participants_for_icc(0.7, 0.2, raters=3)["participants"].value
        found = participants_for_icc(0.7, 0.2, raters=3, fingers=3, correlation=0.0)
        # by hand: independent fingers, so a third of the participants; the median of an interval
        # from two mean squares and a formula for large samples differ a little
        assert 3 * found["participants"].value == pytest.approx(one, rel=0.1)
        assert 0 < found["width_error"].value < 0.01

    def test_icc_of_alike_fingers_needs_more_participants(self):
        sizes = [
            participants_for_icc(0.7, 0.2, raters=3, fingers=3, correlation=rho)
            for rho in (0.0, 0.5, 0.9)
        ]
        numbers = [s["participants"].value for s in sizes]
        assert numbers == sorted(numbers)
        assert numbers[0] < numbers[2]

    @pytest.mark.parametrize(("rho", "times"), [(0.0, 0.5), (1.0, 1.0)])
    def test_limits_between_independent_and_equal_fingers(self, rho, times):
        one = participants_for_limits(0.2, 0.1)["participants"].value
        two = participants_for_limits(0.2, 0.1, fingers=2, correlation=rho)["participants"].value
        # by hand: two independent fingers count as two participants, two equal ones as one
        assert two == pytest.approx(times * one, rel=0.04)

    def test_limits_by_hand(self):
        found = participants_for_limits(0.2, 0.1, fingers=2, correlation=0.5)
        n = found["participants"].value
        # by hand: variance of the bias s^2 (1 + rho) / 2n; of the SD, from mean squares with
        # n - 1 and n degrees of freedom, s^2 (1.5^2 / n + 0.5^2 / n) / 2^2 x 2 / 4
        error = 0.2 * np.sqrt(1.5 / 2 + 1.96**2 * (1.5**2 + 0.5**2) / 8) / np.sqrt(n)
        assert 2 * 1.96 * error == pytest.approx(0.1, rel=0.03)

    def test_assurance_is_kept(self):
        found = participants_for_limits(0.2, 0.1, fingers=2, correlation=0.5, assurance=0.9)
        n = int(found["participants"].value)
        rng = np.random.default_rng(5)
        own = np.sqrt(0.5) * 0.2 * rng.standard_normal((4000, n, 1))
        d = own + np.sqrt(0.5) * 0.2 * rng.standard_normal((4000, n, 2))
        centre = d.mean(axis=2)
        inner = ((d - centre[..., None]) ** 2).sum(axis=2)
        total = one_way(Grouped(np.full((4000, n), 2.0), centre, inner))
        low, high = limit_interval(total, 1.959964, 0.95)
        assert np.mean(high - low <= 0.1) == pytest.approx(0.9, abs=0.03)  # planted truth

    def test_one_finger_needs_no_correlation(self):
        for ask, values in (
            (participants_for_icc, (0.8, 0.2)),
            (participants_for_limits, (0.2, 0.1)),
        ):
            one, same = ask(*values), ask(*values, fingers=1, correlation=0.5)
            assert [e.value for e in one] == [e.value for e in same]
            with pytest.raises(ArgumentError, match="'correlation' says how alike"):
                ask(*values, fingers=2)
            with pytest.raises(ArgumentError, match="'fingers' is a whole number"):
                ask(*values, fingers=1.5, correlation=0.2)
