"""True courses, and what visits show of them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import weibull_min

from cohortkit.synthetic.design import GRADES, read_design
from cohortkit.synthetic.follow_up import weibull_day
from tests.synthetic.cohorts import large, shipped

PLAN = read_design().follow_up


def test_half_have_returned_at_the_median():
    # by hand: -log2(1 - 0.5) = 1, so the day is the median whatever the shape
    assert weibull_day(np.array([0.5]), np.array([70.0]), np.array([1.6]))[0] == 70.0


def test_the_weibull_day_is_that_of_scipy():
    shape, median = 1.7, 115.0
    # source: scipy.stats.weibull_min.ppf, scipy 1.15+, scale from the median
    scale = median / np.log(2) ** (1 / shape)
    chance = np.array([0.1, 0.4, 0.9])
    ours = weibull_day(chance, np.full(3, median), np.full(3, shape))
    assert ours == pytest.approx(weibull_min.ppf(chance, shape, scale=scale), rel=1e-12)


@pytest.mark.parametrize("grade", GRADES)
def test_returns_follow_the_planted_distribution(grade):
    cohort, plan = large(), PLAN.grades[grade]
    day = cohort.hidden["courses"]["return_day"][cohort.hidden["episodes"]["grade"] == grade]
    for at in (42, 90, 180, 365):
        expected = (1 - plan["never"]) * (1 - 2 ** -((at / plan["median_day"]) ** plan["shape"]))
        # planted truth; five standard errors of a share allowed
        allowed = 5 * np.sqrt(max(expected * (1 - expected), 0.005) / len(day))
        assert (day <= at).mean() == pytest.approx(expected, abs=allowed)


def test_surgery_is_mostly_for_the_highest_grade():
    cohort = large()
    operated = np.isfinite(cohort.hidden["courses"]["surgery_day"])
    share = operated.groupby(cohort.hidden["episodes"]["grade"]).mean()
    assert share["I"] == 0  # planted truth
    assert share["IV"] == pytest.approx(PLAN.grades["IV"]["surgery"], abs=0.2)
    kinds = cohort.tables["treatments"]
    operations = kinds[kinds["kind"] == "surgery"]
    assert operations["start_day"].between(*PLAN.surgery_day).all()
    assert len(operations) == operated.sum()


def test_a_visit_shows_what_is_true_on_its_day():
    cohort = large()
    visits = cohort.tables["visits"].merge(cohort.hidden["courses"], on="episode_id")
    seen = visits[visits["actual_day"].notna()]
    back = seen["returned"] == "full"
    # nobody gives up after coming back, so the full day decides alone
    assert (back == (seen["actual_day"] >= seen["full_day"])).all()
    assert (seen["returned"] == "gave_up").eq(seen["actual_day"] >= seen["gave_up_day"]).all()


def test_a_missed_visit_holds_its_plan_and_nothing_else():
    visits = shipped().tables["visits"]
    missed = visits[visits["actual_day"].isna()]
    assert len(missed) > 0
    assert missed["planned_day"].notna().all()
    rest = missed.drop(columns=["episode_id", "visit", "planned_day"])
    assert rest.isna().all(axis=None)


def test_those_who_are_back_miss_more_visits():
    cohort = large()
    visits = cohort.tables["visits"].merge(cohort.hidden["courses"], on="episode_id")
    first = visits[visits["visit"] == 1]
    back = first["planned_day"] >= first["full_day"]
    missed = first["actual_day"].isna()
    # planted truth: 8 points more, besides 3 % lost to follow-up in both
    assert missed[back].mean() - missed[~back].mean() == pytest.approx(
        PLAN.missed_if_returned, abs=0.06
    )


def test_visits_of_an_episode_come_in_order():
    visits = large().tables["visits"].dropna(subset=["actual_day"])
    assert (visits.groupby("episode_id")["actual_day"].diff().dropna() > 0).all()
