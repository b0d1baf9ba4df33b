"""Decision study against the reliability it rests on."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.agreement import decision_study, reliability
from cohortkit.errors import ArgumentError, EstimateError
from tests.agreement.multisite import readings


@pytest.fixture(scope="module")
def study():
    return reliability(readings(), n_boot=300)


def test_one_rater_and_one_reading_is_the_study_itself(study):
    found = decision_study(study, raters=(1,), reads=(1,))
    for ours, theirs in (
        ("icc", "icc_agreement"), ("sem", "sem_inter"), ("sdc", "reproducibility_coefficient")
    ):  # fmt: skip
        a, b = found[f"{ours}@raters=1; reads=1"], study[theirs]
        assert (a.value, a.lower, a.upper, a.unit) == (b.value, b.lower, b.upper, b.unit)
    row = found.table.iloc[0]
    assert row["sem_lower"] == study["sem_inter"].lower


def test_averages_follow_the_components(study):
    found = decision_study(study, raters=(1, 3), reads=(1, 2)).table.set_index(["raters", "reads"])
    v = study.components.set_index("component")["variance"]
    for (k, m), row in found.iterrows():
        # by hand: rater / k + cell / k + residual / (k m)
        error = v["rater"] / k + v["subject_rater"] / k + v["residual"] / (k * m)
        assert row["sem"] == pytest.approx(np.sqrt(error))
        assert row["readings"] == k * m
    assert found["icc"].is_monotonic_increasing


def test_new_sites_put_a_floor_under_the_error(study):
    found = decision_study(study, raters=(1, 100), kind="new_site")
    floor = study["sd_rater_site"].value
    assert found.table["sem"].min() > floor
    assert "error_has_a_floor" in [c.code for c in found.cautions]
    within = decision_study(study, raters=(1, 100))
    assert "error_has_a_floor" not in [c.code for c in within.cautions]


def test_the_log_scale_gives_ratios():
    logs = reliability(readings(), scale="log", n_boot=200)
    found = decision_study(logs, raters=(1,), reads=(1,))
    assert found.table["sdc"].iloc[0] == logs["reproducibility_coefficient_ratio"].value


def test_refusals(study):
    with pytest.raises(ArgumentError, match="have one rater"):
        decision_study(study, kind="intra")
    assert len(decision_study(study, raters=(1,), reads=(1, 2), kind="intra").table) == 2
    once = reliability(readings(reads=1), n_boot=200)
    with pytest.raises(EstimateError, match="second reading by the same rater"):
        decision_study(once)
    assert len(decision_study(once, reads=(1,)).table) == 4
    nested = reliability(readings(crossed=False), n_boot=200)
    with pytest.raises(EstimateError, match="cannot tell the error of kind 'new_site'"):
        decision_study(nested, kind="new_site")
    apart = reliability(readings().assign(pulley="A2"), by=["pulley"], n_boot=200)
    with pytest.raises(ArgumentError, match="one group"):
        decision_study(apart)
    assert len(decision_study(apart.parts["pulley=A2"]).table) == 12


@pytest.mark.parametrize("wrong", [3, "123", (), 2.0])
def test_numbers_of_raters_and_reads_are_lists(study, wrong):
    with pytest.raises(ArgumentError, match="is a list of whole numbers"):
        decision_study(study, raters=wrong)
    with pytest.raises(ArgumentError, match="is a list of whole numbers"):
        decision_study(study, reads=wrong)
