"""Limits of agreement over participants: components, bootstrap and what they refuse."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import limits_clustered, limits_of_agreement
from cohortkit.errors import ArgumentError, EstimateError, TableError
from tests.agreement.paired import codes, fingers, triple

NAMES = ("bias", "sd_difference", "lower_limit", "upper_limit")


def test_one_finger_each_gives_the_exact_limits():
    data = fingers(per=(1,))
    clustered, simple = limits_clustered(data), limits_of_agreement(data)
    for name in NAMES:
        assert triple(clustered[name]) == pytest.approx(triple(simple[name]))
    assert [e.name for e in clustered] == list(NAMES)


def test_variance_is_what_one_way_analysis_gives():
    data = fingers(per=(2,))
    result = limits_clustered(data)
    d = result.pairs.set_index("participant")["difference"]
    mean = d.groupby("participant").mean()
    between = 2 * mean.var(ddof=1)
    within = d.groupby("participant").var(ddof=1).mean()
    # by hand: balanced design, variance = (MSB - MSW) / 2 + MSW
    assert result["sd_difference"].value ** 2 == pytest.approx((between + within) / 2)
    assert result["sd_within_participants"].value ** 2 == pytest.approx(within)
    # by hand: balanced design, the bias has the error of the mean of 20 participants' means
    half = 2.093024 * mean.std(ddof=1) / np.sqrt(20)
    assert result["bias"].upper - result["bias"].value == pytest.approx(half, rel=1e-6)


def test_counts_say_participants_fingers_and_readings():
    bias = limits_clustered(fingers(k=30))["bias"]
    # by hand: 10 x (1 + 2 + 3) scans, two reads of each
    assert (bias.n_participants, bias.n_fingers, bias.n_readings) == (30, 60, 120)


def test_copying_every_finger_does_not_narrow_the_interval():
    data = fingers(per=(1,), k=40)
    copied = pd.concat([data, data.assign(scan_id=data["scan_id"] + "c")])
    once, twice = limits_clustered(data), limits_clustered(copied)
    width = [r["bias"].upper - r["bias"].lower for r in (once, twice)]
    assert width[1] == pytest.approx(width[0])
    naive = limits_of_agreement(copied, participant=None)["bias"]
    assert naive.upper - naive.lower < 0.75 * width[0]


def test_the_simple_function_points_here():
    with pytest.raises(EstimateError, match="limits_clustered"):
        limits_of_agreement(fingers())


def test_bootstrap_agrees_with_components_in_a_normal_table():
    data = fingers(k=120)
    normal = limits_clustered(data)
    drawn = limits_clustered(data, interval="bootstrap", seed=3)
    for name in NAMES:
        assert drawn[name].value == normal[name].value
        width = normal[name].upper - normal[name].lower
        assert drawn[name].lower == pytest.approx(normal[name].lower, abs=0.25 * width)
        assert drawn[name].upper == pytest.approx(normal[name].upper, abs=0.25 * width)


def test_bootstrap_is_settled_by_its_seed_and_says_when_people_are_few():
    data = fingers(k=12)
    here, there = (limits_clustered(data, interval="bootstrap", n_boot=200, seed=5) for _ in "ab")
    assert here.to_dict() == there.to_dict()
    assert {"few_participants", "few_for_bootstrap"} <= codes(here)
    assert "few_for_bootstrap" not in codes(limits_clustered(data))


def test_swapping_the_raters_mirrors_everything():
    data = fingers()
    here = limits_clustered(data, raters=("R1", "R2"))
    there = limits_clustered(data, raters=("R2", "R1"))
    low, upper = triple(there["lower_limit"]), triple(here["upper_limit"])
    assert low == pytest.approx([-upper[0], -upper[2], -upper[1]])


def test_differences_that_vary_less_between_than_within_are_said():
    data = fingers(k=20, per=(2,), between=0.0, within=0.0)
    first = data["rater_id"] == "R1"
    data.loc[first, "gap_mm"] += np.tile([0.2, -0.2], 20)
    result = limits_clustered(data)
    assert "negative_component" in codes(result)
    assert result["sd_between_participants"].value == 0.0


def test_equal_differences_have_no_interval():
    data = fingers(between=0.0, within=0.0)
    data["gap_mm"] = np.where(data["rater_id"] == "R1", 2.5, 2.0)
    result = limits_clustered(data)
    assert np.isnan(result["bias"].lower)
    assert "no_spread" in codes(result)


def test_reads_without_partner_stop_and_are_counted_when_dropped():
    data = fingers().drop(index=[0])
    with pytest.raises(EstimateError, match="without a partner: 1 of 77 reads"):
        limits_clustered(data)
    assert "reads_without_partner" in codes(limits_clustered(data, missing="drop"))


def test_repeated_reads_are_sent_on():
    data = fingers()
    with pytest.raises(EstimateError, match="limits_replicates"):
        limits_clustered(pd.concat([data, data.iloc[:2]]))


def test_missing_values_and_averages_are_never_taken_unasked():
    data = fingers()
    with pytest.raises(TableError, match="value"):
        limits_clustered(data.assign(gap_mm=data["gap_mm"].where(data.index > 3)))
    mixed = data.assign(reads_averaged=np.where(data.index < 10, 3, 1))
    with pytest.raises(EstimateError, match="reads_averaged"):
        limits_clustered(mixed)


def test_an_unknown_argument_is_named():
    with pytest.raises(ArgumentError, match="colour"):
        limits_clustered(fingers(), colour="red")


def test_three_raters_are_sent_on_too():
    data = fingers()
    extra = data.iloc[:4].assign(rater_id="R3")
    with pytest.raises(EstimateError, match="limits_with_mean"):
        limits_clustered(pd.concat([data, extra]))


def again(data, times=2, noise=0.02):
    """The same fingers scanned several times."""
    rng = np.random.default_rng(9)
    parts = []
    for i in range(times):
        moved = data["gap_mm"] + noise * rng.standard_normal(len(data))
        parts.append(data.assign(scan_id=data["scan_id"] + f"-{i}", gap_mm=moved))
    return pd.concat(parts, ignore_index=True)


def test_fingers_scanned_again_are_a_level_of_their_own():
    data = fingers(k=40, per=(2,), between=0.0, within=0.2)
    once, twice = limits_clustered(data), limits_clustered(again(data, times=4))
    width = [r["sd_difference"].upper - r["sd_difference"].lower for r in (once, twice)]
    # the fingers, not their scans, are what the SD is learnt from
    assert width[1] == pytest.approx(width[0], rel=0.15)
    assert "nested" in twice["sd_within_participants"].method
    unknown = limits_clustered(again(data, times=4).drop(columns="finger_id"))
    naive = unknown["sd_difference"].upper - unknown["sd_difference"].lower
    assert naive < width[1]
    assert "fingers_not_told_apart" in codes(unknown)
    assert "fingers_not_told_apart" not in codes(twice)


def test_the_bootstrap_keeps_fingers_together():
    data = again(fingers(k=40, per=(1, 2, 3)))
    drawn = limits_clustered(data, interval="bootstrap", seed=3)
    assert drawn["sd_difference"].value == limits_clustered(data)["sd_difference"].value
    assert drawn["sd_difference"].lower < drawn["sd_difference"].value


def message(result, code):
    return next(c.message for c in result.cautions if c.code == code)


def test_too_few_to_see_skewness_are_said_by_how_many_scans_they_have():
    for per, n, said in (((1,), 49, True), ((1,), 50, False), ((2,), 99, True), ((2,), 100, False)):
        result = limits_clustered(fingers(k=n, per=per, seed=3))
        assert "differences_not_normal" not in codes(result)
        assert ("normality_unseen" in codes(result)) is said
    drawn = limits_clustered(fingers(k=40), interval="bootstrap", n_boot=99)
    assert "normality_unseen" not in codes(drawn)  # rests on no normal differences
    assert "89 to 92 % with 60 whose differences were skewed" in message(drawn, "few_for_bootstrap")


@pytest.mark.parametrize("per", [(1,), (1, 2)])
def test_a_touch_wider_is_said_where_somebody_has_several_scans(per):
    said = message(limits_clustered(fingers(k=20, per=per)), "few_participants")
    assert ("several scans" in said) is (len(per) > 1)


def test_equal_differences_are_not_said_to_hide_skewness():
    data = fingers(k=20, between=0, within=0)
    assert "normality_unseen" not in codes(limits_clustered(data))
