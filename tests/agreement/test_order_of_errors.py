"""Errors of measurement rise with what is counted as error, and so do their limits."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from cohortkit.agreement import decision_study, forms, reliability
from cohortkit.agreement.facets import facets
from cohortkit.errors import EstimateError
from cohortkit.resampling import percentile_interval
from tests.agreement.simulated_reliability import cell, layout, responses

# (figure, kinds of error from small to large); missing ones are passed over
ERRORS = {
    "sem": ("sem_intra", "sem_consistency", "sem_inter", "sem_inter_new_site"),
    "sdc": ("sdc_intra", "sdc_inter", "sdc_inter_new_site"),
    "coefficient": (
        "repeatability_coefficient",
        "reproducibility_coefficient",
        "reproducibility_coefficient_new_site",
    ),
    "cv": ("cv_intra", "cv_inter", "cv_inter_new_site"),
}
SHARES = ("icc_agreement_new_site", "icc_agreement", "icc_consistency", "icc_intra")


def random_cell(rng):
    """A small design with some variances at zero, where draws break the order most often."""
    from_sites = int(rng.choice([1, 1, 2]))
    return cell(
        "random",
        participants=int(rng.integers(8, 20)),
        fingers=int(rng.integers(1, 3)),
        raters=from_sites * int(rng.integers(1, 4)),
        reads=int(rng.integers(1, 3)),
        sites=from_sites,
        raters_from=from_sites,
        lost=float(rng.choice([0.0, 0.2])),
        planted={
            "rater": float(rng.choice([0.0, 0.0, 0.01])),
            "subject_rater": float(rng.choice([0.0, 0.0, 0.005])),
            "rater_site": float(rng.choice([0.0, 0.01])),
        },
    )


def answers():
    rng = np.random.default_rng(11)
    for seed in range(60):
        c = random_cell(rng)
        rows = layout(c, seed=seed)
        rows["value"] = np.arange(len(rows), dtype=float)  # equal values are refused
        roles = {role: role for role in rows.columns}
        try:
            codes = facets(rows, roles, "stop", "natural").rows
        except EstimateError:  # a design in which nothing was read twice
            continue
        rows = rows.assign(value=responses(c, codes, 1, seed)[:, 0])
        try:
            yield reliability(rows, n_boot=200, seed=seed, **roles)
        except EstimateError:  # too few of something to tell the parts of the variance
            continue


@pytest.fixture(scope="module")
def found():
    results = list(answers())
    assert len(results) > 40
    return results


def rises(estimates, names):
    present = [estimates[name] for name in names if name in estimates]
    for small, large in pairwise(present):
        assert small.value <= large.value + 1e-12
        assert small.lower <= large.lower + 1e-12
        assert small.upper <= large.upper + 1e-12
    return len(present)


def test_values_and_limits_keep_the_order_of_the_errors(found):
    compared = 0
    for result in found:
        estimates = {e.name: e for e in result}
        for names in (*ERRORS.values(), SHARES):
            compared += rises(estimates, names)
    assert compared > 500


def test_a_decision_study_starts_from_the_limits_of_its_study(found):
    for result in found:
        estimates = {e.name: e for e in result}
        if "sem_inter" not in estimates:
            continue
        study = decision_study(result, raters=(1,), reads=(1,))
        for name, whole in (("sem", "sem_inter"), ("sdc", "sdc_inter"), ("icc", "icc_agreement")):
            one, other = study[name], estimates[whole]
            assert (one.lower, one.upper) == (other.lower, other.upper)


def test_more_raters_and_more_reads_never_make_a_plan_look_worse(found):
    for result in found:
        if "subject_rater" not in result.draws or "sem_inter" not in {e.name for e in result}:
            continue
        table = decision_study(result, raters=(1, 2, 3), reads=(1, 2)).table
        for _, rows in table.groupby("reads"):
            for column in ("sdc", "sdc_upper", "sdc_lower"):
                assert rows[column].is_monotonic_decreasing


def test_the_kind_with_least_error_keeps_its_limits_and_the_others_follow():
    limits = {"agreement": (0.20, 0.26), "consistency": (0.22, 0.28), "intra": (0.21, 0.25)}
    errors = forms.in_order(limits, forms.Plan(), rising=True)
    # by hand: neither limit below the one of the kind before
    assert errors == {"intra": (0.21, 0.25), "consistency": (0.22, 0.28), "agreement": (0.22, 0.28)}
    shares = {"consistency": (0.94, 0.97), "agreement": (0.95, 0.98)}
    # by hand: neither limit above the one of the kind before
    assert forms.in_order(shares, forms.Plan(), rising=False)["agreement"] == (0.94, 0.97)


def test_one_rater_again_is_not_compared_with_a_mean_of_several():
    limits = {"intra": (0.3, 0.4), "agreement": (0.1, 0.2)}
    assert forms.in_order(limits, forms.Plan(2, 1), rising=True) == limits


def test_a_limit_that_does_not_exist_stays_so():
    limits = {"intra": (0.1, 0.2), "agreement": (math.nan, math.nan)}
    assert math.isnan(forms.in_order(limits, forms.Plan(), rising=True)["agreement"][0])


def test_a_mean_of_more_is_never_worse_where_draws_would_have_it_so():
    rng = np.random.default_rng(3)
    drawn = {
        "scan": np.full(2000, 0.01),
        "subject_rater": rng.normal(-0.006, 0.004, 2000),
        "residual": np.full(2000, 0.004),
    }

    def quantiles(kind, plan):
        return percentile_interval(np.sqrt(forms.error_variance(drawn, kind, plan)), 0.95)

    one, two = (forms.Plan(k, 1, "new_scan") for k in (1, 2))
    assert quantiles("consistency", two)[0] > quantiles("consistency", one)[0]
    single = forms.limits_of(quantiles, ["consistency"], one, rising=True)["consistency"]
    double = forms.limits_of(quantiles, ["consistency"], two, rising=True)["consistency"]
    assert single == quantiles("consistency", one)
    assert double[0] <= single[0]
    assert double[1] <= single[1]
    assert double[0] <= double[1]


def never_worse(table):
    """No figure of a plan is worse than that of a plan with fewer raters or readings."""
    for name, sign in (("icc", 1), ("sem", -1), ("sdc", -1)):
        for ending in ("", "_lower", "_upper"):
            grid = sign * table.pivot(index="raters", columns="reads", values=name + ending)
            for axis in (0, 1):
                steps = np.diff(grid.to_numpy(), axis=axis)
                assert (steps >= -1e-12).all(), name + ending


@pytest.mark.parametrize("kind", forms.RISING)
def test_more_raters_or_readings_never_make_a_limit_worse(found, kind):
    asked = 0
    for result in found:
        raters = (1,) if kind == "intra" else (1, 2, 3, 4)
        try:
            study = decision_study(result, raters=raters, reads=(1, 2, 3), kind=kind)
        except EstimateError:  # a kind of error that this design cannot tell
            continue
        never_worse(study.table)
        asked += 1
    assert asked > 5
