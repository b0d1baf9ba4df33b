"""Kaplan-Meier: outside values, judges, clustering and edge cases."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from statsmodels.duration.survfunc import SurvfuncRight

from cohortkit import outcomes
from cohortkit.errors import ArgumentError, EstimateError, TableError
from cohortkit.outcomes.product_limit import crossing, product_limit, survival_limits
from tests.expected import figures
from tests.outcomes.planted import Course, table

INF = np.inf
PLAIN = {"time": "time", "event": "event"}
ENDINGS = {"plain": "plain", "log": "log", "log_log": "loglog"}


def codes(result):
    return {c.code for c in result.cautions}


def two_sided(expected):
    """Open limits are blank in the check values and infinite here."""
    return [INF if np.isnan(x) else x for x in expected]


@pytest.mark.parametrize("interval", ENDINGS)
@pytest.mark.parametrize(
    ("case", "file", "group", "days"),
    [
        ("g01_freireich", "freireich.csv", "group", (6, 10, 22)),
        ("g10_aml", "aml.csv", "group", (12, 24)),
        ("g15_edge_tied_times", "edge_tied_times.csv", None, (0, 2, 4, 6, 9)),
    ],
)
def test_published_curves(check_values, case, file, group, days, interval):
    rows = pd.read_csv(check_values / "data" / file)
    found = outcomes.kaplan_meier(
        rows, group=group, participant=None, days=days, interval=interval, **PLAIN
    )
    expected = figures(check_values, case)
    ending = ENDINGS[interval]
    names = [str(k) for k in rows[group].unique()] if group else ["all"]
    # source: check values g01, g10, g15 (survival 3.5-3)
    for name in names:
        suffix, key = (f"@{group}={name}" if group else ""), name.replace("-", "")
        median = found["median_day" + suffix]
        row = expected.loc[f"km_{key}_median_ci_{ending}"]
        ours = (median.value, median.lower, median.upper)
        theirs = two_sided(row[["value", "ci_low", "ci_high"]])
        assert ours == pytest.approx(theirs, abs=row["tolerance"])
        for day in days:
            share = found[f"returned_by_{day}{suffix}"]
            row = expected.loc[f"km_{key}_S_at_{day}_ci_{ending}"]
            ours = (1 - share.value, 1 - share.upper, 1 - share.lower)
            assert ours == pytest.approx(
                row[["value", "ci_low", "ci_high"]].tolist(), abs=row["tolerance"]
            )
            curve = found.curve
            if group:
                curve = curve[curve["group"] == f"{group}={name}"]
            error = curve[curve["day"] <= day]["standard_error"].iloc[-1]
            row = expected.loc[f"km_{key}_greenwood_se_at_{day}"]
            assert error == pytest.approx(row["value"], abs=row["tolerance"])


def test_textbook_table_in_the_repository(repository):
    oracle = json.loads((repository / "tests/oracles/freireich_1963.json").read_text())
    treated = pd.DataFrame({"time": oracle["treated_time"], "event": oracle["treated_event"]})
    control = pd.DataFrame({"time": oracle["control_time"], "event": 1})
    rows = pd.concat([treated.assign(arm="treated"), control.assign(arm="control")])
    found = outcomes.kaplan_meier(rows, group="arm", participant=None, **PLAIN)
    curve = found.curve[found.curve["group"] == "arm=treated"].set_index("day")
    expected = oracle["expected"]
    for day, share in expected["treated_survival"].items():
        assert curve.loc[float(day), "survival"] == pytest.approx(share, abs=5e-4)
        assert curve.loc[float(day), "at_risk"] == expected["treated_at_risk"][day]
    assert found["median_day@arm=treated"].value == expected["treated_median"]
    assert found["median_day@arm=control"].value == expected["control_median"]


@pytest.mark.parametrize("seed", range(8))
def test_curve_agrees_with_a_foreign_library(seed):
    generator = np.random.default_rng(seed)
    time = generator.integers(0, 20, 50).astype(float)
    event = generator.random(50) < 0.6
    fit = product_limit(time, event)
    # source: statsmodels SurvfuncRight, statsmodels 0.15.0, run here on the same rows
    judge = SurvfuncRight(time, event.astype(int))
    at = np.searchsorted(fit.day, judge.surv_times)
    assert fit.survival[at] == pytest.approx(judge.surv_prob, abs=1e-12)
    alive = judge.surv_prob > 0
    assert fit.standard_error[at][alive] == pytest.approx(judge.surv_prob_se[alive], abs=1e-12)
    assert fit.at_risk[at].tolist() == judge.n_risk.tolist()
    assert fit.events[at].tolist() == judge.n_events.tolist()


class TestClustered:
    course = Course(30, 2, 0.7)

    def rows(self, seed=3):
        generator = np.random.default_rng(seed)
        day, cluster = self.course.days(generator)
        end = generator.uniform(50, 400, len(day))
        return np.minimum(day, end).round(), day <= end, cluster

    def test_independent_rows_give_greenwood(self):
        time, event, _ = self.rows()
        plain = product_limit(time, event)
        single = product_limit(time, event, np.arange(60))
        # by hand: the sum over rows of squared influences is Greenwood's; 60/59 is the factor
        assert single.standard_error == pytest.approx(
            plain.standard_error * np.sqrt(60 / 59), rel=1e-9, nan_ok=True
        )

    def test_against_leaving_participants_out(self):
        time, event, cluster = self.rows()
        fit = product_limit(time, event, cluster)
        at = np.searchsorted(fit.day, 120, side="right") - 1
        values = []
        for c in range(30):
            part = product_limit(time[cluster != c], event[cluster != c])
            values.append(part.survival[np.searchsorted(part.day, 120, side="right") - 1])
        jackknife = np.sqrt(29 / 30 * ((np.array(values) - np.mean(values)) ** 2).sum())
        assert fit.standard_error[at] == pytest.approx(jackknife, rel=0.03)

    def test_every_row_twice_does_not_narrow(self):
        time, event, cluster = self.rows()
        once = product_limit(time, event, cluster)
        twice = product_limit(np.tile(time, 2), np.tile(event, 2), np.tile(cluster, 2))
        assert twice.survival == pytest.approx(once.survival)
        assert twice.standard_error == pytest.approx(once.standard_error, nan_ok=True)

    def test_the_result_names_its_variance(self):
        time, event, cluster = self.rows()
        rows = pd.DataFrame({"time": time, "event": event, "who": cluster})
        clustered = outcomes.kaplan_meier(rows, participant="who", group=None, **PLAIN)
        naive = outcomes.kaplan_meier(rows, participant=None, group=None, **PLAIN)
        assert "participants" in clustered["median_day"].method
        assert "Greenwood" in naive["median_day"].method
        wide, narrow = (
            r["returned_by_180"].upper - r["returned_by_180"].lower for r in (clustered, naive)
        )
        assert wide > narrow
        assert clustered["median_day"].n_participants == 30


class TestVisitDays:
    def test_the_visit_that_found_it_stands_for_the_return_and_says_so(self):
        rows = table([0, 42, 90, 180], [42, 90, 180, INF])
        found = outcomes.kaplan_meier(rows)
        assert "biased_late" in codes(found)
        assert found.settings["day_of_return"] == "visit that found it"
        assert found.question.startswith("When were climbers seen back")
        # by hand: one of four back on days 42, 90 and 180
        assert found.curve["day"].tolist() == [42, 90, 180]
        assert found["median_day"].value == 135
        assert found["returned_by_180"].value == 0.75

    def test_it_comes_later_than_the_curve_that_knows_only_intervals(self):
        course = Course(300, missed=0.4)
        rows = table(*course.seen(np.random.default_rng(4)))
        late = outcomes.kaplan_meier(rows)["median_day"].value
        honest = outcomes.return_to_climbing(rows, n_boot=39)["median_day"].value
        # planted truth: median 120 days
        assert abs(honest - course.median) < 20
        assert late > honest + 30

    def test_exact_days_are_not_called_late(self):
        rows = table([10, 20, 30], [10, 20, 30])
        assert "biased_late" not in codes(outcomes.kaplan_meier(rows))


def test_end_of_follow_up_on_the_day_of_an_event_is_still_at_risk():
    fit = product_limit(np.array([5.0, 5, 9]), np.array([True, False, True]))
    # by hand: 1 of 3 at day 5, then 1 of 1 at day 9
    assert fit.survival == pytest.approx([2 / 3, 0])
    assert (fit.at_risk.tolist(), fit.censored.tolist()) == ([3, 1], [1, 0])


def test_median_on_a_flat_step_is_its_middle():
    # by hand: the curve stands at exactly one half from day 2 to day 6
    assert crossing(np.array([2.0, 6.0]), np.array([0.5, 0.2]), 0.5) == 4
    assert crossing(np.array([2.0, 6.0]), np.array([0.6, 0.2]), 0.5) == 6
    assert crossing(np.array([2.0, 6.0]), np.array([0.5, 0.5]), 0.5) == 2
    assert crossing(np.array([2.0]), np.array([0.9]), 0.5) == INF


def test_limits_where_nobody_or_everybody_has_returned():
    fit = product_limit(np.array([1.0, 2, 3, 4]), np.array([False, True, True, True]))
    for interval in ENDINGS:
        low, high = survival_limits(fit, interval, 0.95)
        assert (low[0], high[0]) == (1, 1)
        assert np.isnan([low[-1], high[-1]]).all()
        assert (low[1:3] <= fit.survival[1:3]).all()
        assert (fit.survival[1:3] <= high[1:3]).all()


def test_at_risk_table():
    rows = table([0, 42, 90, 100], [42, 90, 180, INF])
    found = outcomes.kaplan_meier(rows, days=(60,)).at_risk.set_index("day")
    # by hand: returns on 42, 90, 180; last seen on 100
    assert found.loc[60, ["at_risk", "returned", "follow_up_ended"]].tolist() == [3, 1, 0]
    assert found.loc[90, ["at_risk", "returned", "follow_up_ended"]].tolist() == [3, 2, 0]
    assert found.loc[180, ["at_risk", "returned", "follow_up_ended"]].tolist() == [1, 3, 1]


def test_beyond_the_last_day_nothing_is_said():
    rows = table([0, 42, 100], [42, 90, INF])
    found = outcomes.kaplan_meier(rows, days=(80, 365))
    assert np.isnan(found["returned_by_365"].value)
    assert "beyond_follow_up" in codes(found)
    everyone = outcomes.kaplan_meier(table([0, 42], [42, 90]), days=(365,))
    assert everyone["returned_by_365"].value == 1


def test_before_the_first_day_nobody_has_returned():
    found = outcomes.kaplan_meier(table([30, 42], [40, 90]), days=(10,))
    assert (found["returned_by_10"].value, found["returned_by_10"].upper) == (0, 0)


def test_nobody_returned():
    found = outcomes.kaplan_meier(table([30, 42], [INF, INF]), days=(20,))
    assert "no_returner" in codes(found)
    assert np.isnan(found["median_day"].value)
    assert found["median_day"].upper == INF


def test_order_and_scale_change_nothing():
    rows = table(*Course(40).seen(np.random.default_rng(2)))
    ours = outcomes.kaplan_meier(rows)
    mixed = outcomes.kaplan_meier(rows.sample(frac=1, random_state=1))
    assert mixed.to_dict() == ours.to_dict()
    longer = rows.assign(left_day=rows["left_day"] * 4, right_day=rows["right_day"] * 4)
    assert outcomes.kaplan_meier(longer)["median_day"].value == 4 * ours["median_day"].value


class TestRefusals:
    rows = pd.DataFrame({"participant_id": ["a", "b"], "time": [1.0, 2.0], "event": [1, 0]})

    def test_a_day_without_its_event(self):
        with pytest.raises(TableError, match="A day needs its event"):
            outcomes.kaplan_meier(self.rows, time="time")

    def test_negative_days(self):
        with pytest.raises(TableError, match="from 0 on"):
            outcomes.kaplan_meier(self.rows.assign(time=[-1.0, 2.0]), **PLAIN)

    def test_an_event_that_is_no_flag(self):
        with pytest.raises(TableError, match="true or false"):
            outcomes.kaplan_meier(self.rows.assign(event=[2, 0]), **PLAIN)

    def test_infinite_days(self):
        with pytest.raises(TableError, match="days as numbers"):
            outcomes.kaplan_meier(self.rows.assign(time=[INF, 2.0]), **PLAIN)

    def test_unknown_interval(self):
        with pytest.raises(ArgumentError, match="interval"):
            outcomes.kaplan_meier(self.rows, interval="exact", **PLAIN)

    def test_no_rows(self):
        with pytest.raises(EstimateError, match="No row"):
            outcomes.kaplan_meier(self.rows.iloc[:0], **PLAIN)

    def test_one_participant_with_two_rows_has_no_interval(self):
        found = outcomes.kaplan_meier(self.rows.assign(participant_id="a"), days=(1,), **PLAIN)
        assert np.isnan(found["returned_by_1"].lower)
        assert np.isnan(found["median_day"].lower)
        assert "no_interval" in codes(found)
