"""Limits of agreement with the mean of several raters."""

from __future__ import annotations

import math

import numpy as np
import pytest

from cohortkit.agreement import icc, limits_of_agreement, limits_with_mean
from cohortkit.errors import EstimateError
from tests.agreement.reads import OWN, clinic_reads, invented, long


def codes(result):
    return {c.code for c in result.cautions}


@pytest.mark.parametrize("k", [2, 3, 6])
def test_limits_are_the_sem_for_agreement_made_smaller(k):
    data = long(invented(30, k))
    result, sem = limits_with_mean(data, **OWN), icc(data, **OWN)["sem_agreement"]
    # source: Jones et al. 2011, Christensen et al. 2020: z sqrt((k - 1) / k) SEM
    factor = 1.959964 * math.sqrt((k - 1) / k)  # by hand: normal quantile to six decimals
    upper = result["upper_limit"]
    found = [upper.value, upper.lower, upper.upper]
    wanted = [factor * x for x in (sem.value, sem.lower, sem.upper)]
    assert found == pytest.approx(wanted, rel=1e-6)
    lower = result["lower_limit"]
    assert [lower.value, lower.lower, lower.upper] == [-upper.value, -upper.upper, -upper.lower]


def test_formula_from_sums_of_squares():
    values = invented(12, 4)
    result = limits_with_mean(long(values), **OWN)
    within = ((values - values.mean(axis=1, keepdims=True)) ** 2).sum()
    # source: Christensen et al. 2020, sqrt((SSB + SSE) / (a b)); by hand: 12 x 4 reads
    assert result["sd_deviation"].value == pytest.approx(math.sqrt(within / 48))


def test_two_raters_have_half_the_difference():
    data = long(invented(25, 2, rater=0.0))
    both = limits_with_mean(data, **OWN)
    pair = limits_of_agreement(data, **OWN)
    first = both["rater_deviation@rater=r0"]
    # by hand: with two raters a deviation is half the difference
    assert first.value == pytest.approx(pair["bias"].value / 2)
    assert first.lower == pytest.approx(pair["bias"].lower / 2)


def test_deviations_sum_to_zero_in_every_subject():
    result = limits_with_mean(long(invented(10, 3)), **OWN)
    sums = result.deviations.groupby("subject")["deviation"].sum()
    assert np.abs(sums).max() < 1e-12
    total = sum(e.value for e in result if e.name == "rater_deviation")
    assert total == pytest.approx(0, abs=1e-12)


def test_nested_raters_and_several_fingers_are_refused():
    with pytest.raises(EstimateError, match="do not cross"):
        limits_with_mean(clinic_reads())
    data = clinic_reads()[lambda d: d["site_id"] == "S01"].copy()
    data["participant_id"] = np.resize(["p", "p", "q", "q"], len(data))
    with pytest.raises(EstimateError, match="reliability"):
        limits_with_mean(data)


def test_few_raters_and_equal_reads_are_said():
    result = limits_with_mean(long(np.ones((5, 3))), **OWN)
    assert {"few_raters", "few_participants", "no_spread"} <= codes(result)
    assert math.isnan(result["upper_limit"].lower)


def test_spread_that_grows_with_size_is_said():
    rng = np.random.default_rng(2)
    size = np.linspace(1, 5, 60)[:, None]
    values = size + 0.1 * size * rng.standard_normal((60, 5))
    assert "spread_depends_on_size" in codes(limits_with_mean(long(values), **OWN))
    level = limits_with_mean(long(invented(60, 5, seed=4)), **OWN)
    assert "spread_depends_on_size" not in codes(level)
