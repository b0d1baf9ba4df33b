"""Area under the ROC curve: outside values, judges, metamorphic and edge cases."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import roc_auc_score

from cohortkit import thresholds
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.thresholds.auc import area_limits
from cohortkit.thresholds.curve import components
from tests.expected import assert_equals, figures
from tests.thresholds.planted import Design, table

OUTCOME = {"positive": (1,), "negative": (0,), "interval": "wald", "unit": "1"}


def limits(estimate):
    return estimate.value, estimate.lower, estimate.upper


@pytest.mark.parametrize("marker", ["s100b", "ndka", "wfns"])
def test_delong_where_each_row_is_a_participant(check_values, marker):
    rows = pd.read_csv(check_values / "data" / "asah.csv")
    found = thresholds.roc(rows, value=marker, status="outcome", participant="id", **OUTCOME)
    # source: check values f02 (pROC 1.18.0 and scikit-learn)
    assert_equals(limits(found["auc"]), figures(check_values, "f02_asah").loc[f"auc_{marker}"])


@pytest.mark.parametrize("marker", ["risk", "age"])
def test_obuchowski_where_two_eyes_belong_to_a_person(check_values, marker):
    rows = pd.read_csv(check_values / "data" / "retinopathy.csv")
    found = thresholds.roc(rows, value=marker, status="status", participant="id", **OUTCOME)
    expected = figures(check_values, "f03_retinopathy_cluster")
    # source: check values f03 (Obuchowski 1997, checked there against a cluster jackknife)
    assert_equals(limits(found["auc"]), expected.loc[f"cluster_auc_{marker}"])
    assert found["auc"].n_participants == expected.loc["n_clusters", "value"]
    assert "Obuchowski" in found["auc"].method


def test_rating_data_of_hanley_and_mcneil(repository):
    oracle = json.loads((repository / "tests/oracles/hanley_mcneil_1982.json").read_text())
    rows = pd.DataFrame(
        [
            {"rating": rating, "state": state}
            for state in ("normal", "abnormal")
            for rating, n in zip(oracle["rating"], oracle[state], strict=True)
            for _ in range(n)
        ]
    )
    found = thresholds.roc(
        rows, value="rating", status="state", positive="abnormal", negative="normal",
        participant=None, unit="1", interval="wald",
    )  # fmt: skip
    expected = oracle["expected"]
    assert found["auc"].value == pytest.approx(expected["auc"], abs=oracle["tolerance"])
    assert found["auc"].n_readings == expected["n"]
    assert found["auc"].n_participants is None


@pytest.mark.parametrize("seed", range(20))
def test_area_agrees_with_a_foreign_library(seed):
    generator = np.random.default_rng(seed)
    value = generator.integers(0, 12, 60) / 10
    positive = generator.random(60) < 0.4
    found = thresholds.roc(table(value, positive))["auc"].value
    # source: sklearn.metrics.roc_auc_score, scikit-learn 1.9.1, run here on the same rows
    assert found == pytest.approx(roc_auc_score(positive, value), abs=1e-12)


def test_area_by_hand():
    rows = table([2, 3, 1, 2], [True, True, False, False])
    # by hand: pairs 2>1, 2=2 (half), 3>1, 3>2 of 4 give 3.5 / 4
    assert thresholds.roc(rows)["auc"].value == 3.5 / 4


def test_variance_by_a_second_route():
    """Every pair one by one, summed within participants."""
    value, torn, cluster = Design(12, 3, 0.4, 0.5, 0.7).draw(np.random.default_rng(4))
    parts = components(value, torn, cluster)
    kernel = (value[torn][:, None] > value[~torn]) + 0.5 * (value[torn][:, None] == value[~torn])
    area, (m, n) = kernel.mean(), kernel.shape
    s10, s01 = np.zeros(12), np.zeros(12)
    for i, c in enumerate(cluster[torn]):
        s10[c] += kernel[i].mean() - area
    for j, c in enumerate(cluster[~torn]):
        s01[c] += kernel[:, j].mean() - area
    i10, i01 = len(set(cluster[torn])), len(set(cluster[~torn]))
    variance = (
        i10 / (i10 - 1) * (s10**2).sum() / m**2
        + i01 / (i01 - 1) * (s01**2).sum() / n**2
        + 2 * 12 / 11 * (s10 * s01).sum() / (m * n)
    )
    low, high = area_limits(parts, "wald", 0.95)
    # source: 0.975 quantile of the normal distribution, any printed table
    assert (high - low) / 2 == pytest.approx(1.959964 * np.sqrt(variance), rel=1e-6)


def clustered_rows():
    return table(*Design(25, 2, 0.4, 0.5, 0.85).draw(np.random.default_rng(1)))


@pytest.mark.parametrize("interval", ["stabilised", "logit", "wald"])
class TestMetamorphic:
    def test_shift_and_scale_change_nothing(self, interval):
        rows = clustered_rows()
        moved = rows.assign(gap_mm=rows["gap_mm"].round(3) * 10 + 1e6)
        rounded = rows.assign(gap_mm=rows["gap_mm"].round(3))
        ours = thresholds.roc(rounded, interval=interval)["auc"]
        assert limits(thresholds.roc(moved, interval=interval)["auc"]) == limits(ours)

    def test_order_of_rows_changes_nothing(self, interval):
        rows = clustered_rows()
        mixed = rows.sample(frac=1, random_state=3)
        assert limits(thresholds.roc(mixed, interval=interval)["auc"]) == pytest.approx(
            limits(thresholds.roc(rows, interval=interval)["auc"]), abs=1e-12
        )

    def test_swapped_classes_mirror_the_area(self, interval):
        rows = clustered_rows()
        ours = thresholds.roc(rows, interval=interval)["auc"]
        swapped = thresholds.roc(rows, positive="none", negative="complete", interval=interval)
        value, low, high = limits(swapped["auc"])
        assert (1 - value, 1 - high, 1 - low) == pytest.approx(limits(ours), abs=1e-12)

    def test_every_row_twice_adds_nothing(self, interval):
        rows = clustered_rows()
        twice = pd.concat([rows, rows])
        assert limits(thresholds.roc(twice, interval=interval)["auc"]) == pytest.approx(
            limits(thresholds.roc(rows, interval=interval)["auc"]), abs=1e-12
        )

    def test_every_participant_twice_narrows_the_interval(self, interval):
        rows = clustered_rows()
        others = rows.assign(participant_id=rows["participant_id"] + "'")
        once = thresholds.roc(rows, interval=interval)["auc"]
        twice = thresholds.roc(pd.concat([rows, others]), interval=interval)["auc"]
        assert twice.value == pytest.approx(once.value, abs=1e-12)
        ratio = (twice.upper - twice.lower) / (once.upper - once.lower)
        # by hand: half the variance makes the interval 0.71 times as wide; the added half
        # participants and the t quantile weigh less too
        assert 0.5 < ratio < 0.75


class TestPerfectSeparation:
    rows = table([1, 1.2, 1.4, 3, 3.1, 3.4], [False, False, False, True, True, True])

    def test_default_interval_has_a_width(self):
        found = thresholds.roc(self.rows)
        assert found["auc"].value == 1
        assert found["auc"].lower < 0.9
        assert found["auc"].upper == 1
        assert "perfect_separation" in {c.code for c in found.cautions}

    @pytest.mark.parametrize("interval", ["logit", "wald"])
    def test_others_have_none_and_say_so(self, interval):
        found = thresholds.roc(self.rows, interval=interval)
        assert np.isnan(found["auc"].lower)
        assert np.isnan(found["auc"].upper)
        note = next(c for c in found.cautions if c.code == "perfect_separation")
        assert "stabilised" in note.message

    def test_more_participants_raise_the_lower_limit(self):
        lows = []
        for n in (5, 10, 20, 80):
            rows = table(np.r_[np.arange(n), 100 + np.arange(n)], np.arange(2 * n) >= n)
            lows.append(thresholds.roc(rows)["auc"].lower)
        assert lows == sorted(lows)
        assert lows[-1] > 0.9

    def test_all_below_mirrors_it(self):
        found = thresholds.roc(self.rows, positive="none", negative="complete")
        assert (found["auc"].value, found["auc"].lower) == (0, 0)
        assert "area_below_half" in {c.code for c in found.cautions}


class TestEdges:
    def test_no_rows(self):
        with pytest.raises(EstimateError, match="Both classes"):
            thresholds.roc(table([], np.array([], dtype=bool)))

    @pytest.mark.parametrize("positive", [[True], [False], [True, True, True]])
    def test_one_class(self, positive):
        with pytest.raises(EstimateError, match="Both classes"):
            thresholds.roc(table(np.arange(len(positive)), np.array(positive)))

    def test_two_rows_have_a_value_and_no_interval(self):
        found = thresholds.roc(table([1, 2], [False, True]))
        assert found["auc"].value == 1
        assert np.isnan(found["auc"].lower)
        assert {"few_positive", "few_negative"} <= {c.code for c in found.cautions}

    def test_one_participant_in_a_class_has_no_interval(self):
        found = thresholds.roc(table([1, 2, 3, 2.5], [False, True, False, False]))
        assert np.isnan(found["auc"].lower)
        assert "no_interval" in {c.code for c in found.cautions}

    def test_four_rows_are_enough_for_a_wide_interval(self):
        found = thresholds.roc(table([1, 2, 1.5, 3], [False, False, True, True]))["auc"]
        assert 0 <= found.lower < found.value < found.upper <= 1
        assert found.upper - found.lower > 0.8

    def test_all_gaps_equal(self):
        with pytest.raises(EstimateError, match="All gaps are equal"):
            thresholds.roc(table([2, 2, 2, 2], [True, False, True, False]))

    def test_ties_that_leave_no_information_still_give_an_interval(self):
        rows = table([1, 2, 1, 2] * 6, [True, True, False, False] * 6)
        found = thresholds.roc(rows)["auc"]
        assert found.value == 0.5
        assert found.lower < 0.5 < found.upper

    def test_unknown_interval(self):
        with pytest.raises(ArgumentError, match="interval"):
            thresholds.roc(clustered_rows(), interval="exact")


class TestSites:
    def test_spread_over_sites(self):
        rows = clustered_rows()
        rows["site_id"] = np.arange(len(rows)) // 2 % 3
        found = thresholds.roc(rows)
        assert list(found.sites["site_left_out"]) == ["0", "1", "2"]
        without = thresholds.roc(rows[rows["site_id"] != 1])["auc"].value
        assert found.sites.loc[1, "auc"] == pytest.approx(without, abs=1e-12)

    def test_two_sites_are_too_few(self):
        rows = clustered_rows()
        rows["site_id"] = np.where(np.arange(len(rows)) < 20, "S01", "S02")
        assert thresholds.roc(rows).sites.empty

    def test_a_site_with_all_the_tears_is_named(self):
        rows = table(np.arange(9.0), np.arange(9) % 3 == 2)
        rows["site_id"] = ["S01", "S02", "S03"] * 3
        found = thresholds.roc(rows).sites.set_index("site_left_out")
        assert np.isnan(found.loc["S03", "auc"])
        assert found.loc["S03", "reason"] == "only one class is left"


def test_curve_and_estimate_tell_one_story():
    found = thresholds.roc(clustered_rows())
    curve = found.curve.sort_values("cut", ascending=False)
    area = np.trapezoid(curve["sensitivity"], 1 - curve["specificity"])
    assert area == pytest.approx(found["auc"].value, abs=1e-12)
    assert found["auc"].group == "target=complete"
