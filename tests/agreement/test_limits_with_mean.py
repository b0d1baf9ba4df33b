"""Limits of agreement with the mean of several raters."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cohortkit import mixed
from cohortkit.agreement import (
    icc,
    limit_assumptions,
    limits_clustered,
    limits_of_agreement,
    limits_with_mean,
)
from cohortkit.agreement.nested_raters import error_limits, error_pivot, nested_sums
from cohortkit.errors import EstimateError, TableError
from tests.agreement.reads import OWN, clinic_reads, invented, long
from tests.agreement.simulated_limits import with_mean_fingers


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


def test_raters_nested_in_sites_are_refused():
    with pytest.raises(EstimateError, match="do not cross"):
        limits_with_mean(clinic_reads())


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


def hands(sizes=(1, 2, 3, 4), n=12, k=3, *, rater=0.3, own=0.3, error=0.4, seed=1):
    """Reads by k raters of fingers of n participants, as many of each as `sizes` in turn."""
    rng = np.random.default_rng(seed)
    size = np.resize(np.array(sizes), n)
    people = np.repeat(np.arange(n), size)
    values = 2 + rng.standard_normal((len(people), 1)) + rater * rng.standard_normal((1, k))
    values = values + rng.standard_normal((n, 1))[people]
    values = values + own * rng.standard_normal((n, k))[people]
    rows = long(values + error * rng.standard_normal((len(people), k)))
    rows["participant"] = np.repeat([f"p{i:02}" for i in people], k)
    rows["finger_id"] = rows["subject"]
    return rows


OWNED = OWN | {"participant": "participant"}


class TestSeveralFingers:
    def test_value_from_all_squared_deviations(self):
        data = hands()
        result = limits_with_mean(data, **OWNED)
        off = data["value"] - data.groupby("subject")["value"].transform("mean")
        # by hand: the moment estimates of all three variances add up to all squares
        wanted = math.sqrt((off**2).sum() / len(data))
        assert result["sd_deviation"].value == pytest.approx(wanted)
        assert result["upper_limit"].value == pytest.approx(1.959964 * wanted)
        assert result["upper_limit"].n_participants == 12
        assert result["upper_limit"].n_fingers == 30  # by hand: 3 x (1 + 2 + 3 + 4)
        assert result["upper_limit"].n_readings == 3 * data["subject"].nunique()

    @pytest.mark.parametrize("sizes", [(2,), (1, 2, 3, 4)])
    def test_two_raters_are_limits_clustered_by_the_factor_known(self, sizes):
        data = hands(sizes, n=20, k=2, rater=0.0)
        both, pair = limits_with_mean(data, **OWNED), limits_clustered(data, **OWNED)
        first = both["rater_deviation@rater=r0"]
        # by hand: a deviation is half the difference, and so is its interval
        found = [first.value, first.lower, first.upper]
        assert found == pytest.approx(
            [getattr(pair["bias"], x) / 2 for x in ("value", "lower", "upper")]
        )
        # by hand: the variance of a difference is twice that of one rater about the finger
        own, rest = both["sd_participant_rater"].value, both["sd_residual"].value
        assert math.sqrt(2) * own == pytest.approx(pair["sd_between_participants"].value)
        assert math.sqrt(2) * rest == pytest.approx(pair["sd_within_participants"].value)
        # by hand: all squares hold the bias too: sum d^2 / 4N, d the differences of N fingers
        d = pair.pairs["difference"].to_numpy()
        assert both["sd_deviation"].value == pytest.approx(math.sqrt((d @ d) / (4 * len(d))))

    def test_balanced_components_are_those_of_a_mixed_model(self):
        data = hands((3,), n=25, k=5, seed=4)
        result = limits_with_mean(data, **OWNED)
        data["pair"] = data["participant"] + data["rater"]
        model = mixed.fit(
            data, value="value", random=[["participant"], ["subject"], ["rater"], ["pair"]],
            unit="mm",
        )  # fmt: skip
        seen = model.components.set_index("component")["sd"]
        # source: REML in a balanced table without negative estimates is the analysis of variance
        for name, component in (("rater", "rater"), ("participant_rater", "pair")):
            assert result[f"sd_{name}"].value == pytest.approx(seen[component], rel=1e-4)
        assert result["sd_residual"].value == pytest.approx(seen["residual"], rel=1e-4)

    def test_limits_are_the_quantiles_of_simulated_chi_squares(self):
        values = hands((2,), n=15, k=4).pivot(index="subject", columns="rater", values="value")
        sums = nested_sums(values.to_numpy(), np.full(15, 2.0))
        rng = np.random.default_rng(2)
        rest = float(sums.fingers) / rng.chisquare(15 * 3, 400_000)
        rows = float(sums.participants) / rng.chisquare(14 * 3, 400_000)  # 2 P + E
        raters = float(sums.raters) / rng.chisquare(3, 400_000)  # 30 R + 2 P + E
        both = (rows + rest) / 2
        drawn = both + np.maximum(raters - rows, 0) / 30
        low, high = error_limits(sums, values.to_numpy(), 0.95)
        # by hand: expected mean squares with 15 participants, 2 fingers, 4 raters
        assert np.sqrt(np.quantile(drawn, [0.025, 0.975])) == pytest.approx([low, high], rel=0.005)
        cdf = error_pivot(sums)
        assert float(cdf(np.array(high**2))) == pytest.approx(0.975, abs=1e-6)

    def test_one_finger_each_is_as_without_participants(self):
        data = hands((1,), n=20)
        with_people, without = limits_with_mean(data, **OWNED), limits_with_mean(data, **OWN)
        for one, two in zip(with_people, without, strict=True):
            assert [one.name, one.value, one.lower, one.upper] == [
                two.name,
                two.value,
                two.lower,
                two.upper,
            ]

    def test_a_single_second_finger_hardly_moves_the_limits(self):
        data = hands((1,), n=40, k=3)
        more = data[data["subject"] == 0].assign(subject=99, finger_id=99)
        more["value"] += [0.3, -0.2, 0.1]
        one = limits_with_mean(data, **OWNED)["upper_limit"]
        two = limits_with_mean(pd.concat([data, more]), **OWNED)["upper_limit"]
        # by hand: one of 41 fingers is new
        assert [two.lower, two.upper] == pytest.approx([one.lower, one.upper], rel=0.05)

    def test_alike_fingers_widen_the_interval_but_not_the_limits(self):
        data = hands((4,), n=10, k=4, rater=0.0, own=1.0, error=0.2)
        clustered, alone = limits_with_mean(data, **OWNED), limits_with_mean(data, **OWN)
        assert clustered["upper_limit"].value == pytest.approx(alone["upper_limit"].value)

        def width(result, name):
            return result[name].upper - result[name].lower

        for name in ("upper_limit", "rater_deviation@rater=r0"):
            assert width(clustered, name) > 1.3 * width(alone, name)

    def test_rows_in_any_order_and_an_offset_give_the_same(self):
        data = hands()
        one = limits_with_mean(data, **OWNED).to_frame()
        two = limits_with_mean(data.sample(frac=1, random_state=3), **OWNED).to_frame()
        far = limits_with_mean(data.assign(value=data["value"] + 1e6), **OWNED).to_frame()
        for other, exact in ((two, 1e-9), (far, 1e-6)):
            shown = other[["value", "lower", "upper"]].to_numpy()
            wanted = one[["value", "lower", "upper"]].to_numpy()
            assert shown == pytest.approx(wanted, rel=exact, abs=1e-9, nan_ok=True)

    def test_what_is_refused(self):
        data = hands()
        with pytest.raises(EstimateError, match="at least two participants"):
            limits_with_mean(data.assign(participant="p"), **OWNED)
        two = data.assign(participant=np.resize(["p", "q", "q"], len(data)))
        with pytest.raises(TableError, match="more than one participant"):
            limits_with_mean(two, **OWNED)
        with pytest.raises(TableError, match="Values are missing"):
            limits_with_mean(
                data.assign(participant=data["participant"].where(data.index > 0)), **OWNED
            )
        rescanned = data.assign(finger_id=data["subject"].where(data["subject"] != 2, 1))
        with pytest.raises(EstimateError, match="one scan of each finger"):
            limits_with_mean(rescanned, **OWNED)

    def test_one_finger_scanned_again_is_a_level_within_the_participant(self):
        data = hands((2,), n=8).assign(finger_id=lambda d: d["participant"])
        result = limits_with_mean(data, **OWNED)
        assert result["upper_limit"].n_fingers == 8
        assert "fingers_not_told_apart" not in codes(result)

    def test_what_is_said(self):
        data = hands(n=8)
        assert "fingers_not_told_apart" not in codes(limits_with_mean(data, **OWNED))
        bare = limits_with_mean(data.drop(columns="finger_id"), **OWNED)
        assert {"fingers_not_told_apart", "few_raters", "few_participants"} <= codes(bare)
        same = limits_with_mean(data.assign(value=data["subject"]), **OWNED)
        assert "no_spread" in codes(same)
        assert math.isnan(same["upper_limit"].lower)
        assert "unequal_participants" in codes(
            limits_with_mean(hands((9, 1, 1, 1, 1), 10), **OWNED)
        )
        seen = limits_with_mean(hands((4,), n=6, own=0.0, seed=13), **OWNED)
        assert "negative_component" in codes(seen)
        assert seen["sd_participant_rater"].value == 0

    def test_hardly_any_participants_are_told_apart_from_few(self):
        two = limits_with_mean(hands((2, 3), n=2), **OWNED)
        some = limits_with_mean(hands((2, 3), n=8), **OWNED)
        said = [{c.code: c.message for c in r.cautions}["few_participants"] for r in (two, some)]
        assert ["92 %" in message for message in said] == [True, False]

    def test_missing_reads_are_dropped_with_their_finger(self):
        data = hands()
        data.loc[0, "value"] = np.nan
        result = limits_with_mean(data, missing="drop", **OWNED)
        assert result["upper_limit"].n_readings == len(data) - 3
        assert "left_out" in codes(result)

    def test_checks_have_one_point_per_participant(self):
        data = hands(n=30)
        result = limits_with_mean(data, **OWNED)
        assert result.checks["n"].tolist() == [30, 30, 30]
        assert len(result.quantiles) == 30
        assert len(limit_assumptions(result).points) == 30
        first = result.deviations[lambda d: d["rater"] == "r0"]
        mean = first.groupby("participant")["deviation"].mean()
        # source: scipy's Shapiro-Wilk of the participants' means
        w = result.checks.set_index("check")["estimate"]["normal_differences"]
        assert w == pytest.approx(stats.shapiro(mean).statistic)

    @pytest.mark.parametrize("own", [0.0, 0.5])
    def test_the_intervals_hold_in_a_quick_look(self, own):
        held = with_mean_fingers((15, 3, 0.25, own, (1, 2, 3, 4)), 400, seed=1)
        for name, share in held.items():
            assert 0.906 < share < 0.994, name  # by hand: 4 Monte Carlo errors of 1.09 points


def test_too_few_to_see_skewness_are_said():
    assert "normality_unseen" in codes(limits_with_mean(long(invented(50, 3)), **OWN))
    assert "normality_unseen" not in codes(limits_with_mean(long(invented(300, 3)), **OWN))
    same = np.tile(invented(20, 1), 3)
    assert "normality_unseen" not in codes(limits_with_mean(long(same), **OWN))
