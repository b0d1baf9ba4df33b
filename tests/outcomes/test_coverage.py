"""How often the intervals of the outcome room hold the planted truth.

The ordinary run does a few dozen cohorts per design, to catch a broken formula;
the long run does the number behind the tables in docs/methods.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit import outcomes
from cohortkit.outcomes.product_limit import crossing, product_limit, survival_limits
from tests.outcomes.planted import Course, table

DAYS = (180, 365)
COURSES = [
    Course(20),
    Course(40),
    Course(100),
    Course(40, median=250.0),
    Course(25, episodes=2, alike=0.6),
]


def return_coverage(course, n_sim, n_boot, seed):
    """Coverage of median_day and of each share returned, and mean error of the median."""
    truth = {"median_day": course.median}
    truth |= {f"returned_by_{d}": course.returned_by(d) for d in DAYS}
    held, errors = [], []
    for i, child in enumerate(np.random.SeedSequence(seed).spawn(n_sim)):
        rows = table(*course.seen(np.random.default_rng(child)))
        found = outcomes.return_to_climbing(rows, days=DAYS, n_boot=n_boot, seed=i)
        held.append([found[k].lower <= v <= found[k].upper for k, v in truth.items()])
        late = outcomes.kaplan_meier(rows)["median_day"].value
        errors.append([found["median_day"].value - course.median, late - course.median])
    return np.mean(held, axis=0), np.nanmean(errors, axis=0)


def product_limit_coverage(course, n_sim, seed, clustered=True):
    """Coverage of the median and of the share by day 180, by kind of interval.

    Days are exact; follow-up ends evenly between days 60 and 500.
    """
    kinds = ("log_log", "log", "plain")
    held = np.zeros((len(kinds), 2))
    still = 1 - course.returned_by(180)
    for child in np.random.SeedSequence(seed).spawn(n_sim):
        generator = np.random.default_rng(child)
        day, cluster = course.days(generator)
        end = generator.uniform(60, 500, len(day))
        repeats = clustered and course.episodes > 1
        fit = product_limit(np.minimum(day, end), day <= end, cluster if repeats else None)
        at = np.searchsorted(fit.day, 180, side="right") - 1
        for k, kind in enumerate(kinds):
            low, high = survival_limits(fit, kind, 0.95)
            median = crossing(fit.day, low, 0.5), crossing(fit.day, high, 0.5)
            held[k] += median[0] <= course.median <= median[1], low[at] <= still <= high[at]
    return pd.DataFrame(held / n_sim, index=kinds, columns=["median", "share"])


@pytest.mark.parametrize("course", [COURSES[0], COURSES[4]], ids=str)
def test_return_to_climbing(course):
    held, errors = return_coverage(course, 40, 59, seed=3)
    # by hand: 0.95 less 4 Monte Carlo errors of sqrt(0.95 * 0.05 / 40)
    assert held.min() > 0.95 - 4 * 0.0345
    assert abs(errors[0]) < abs(errors[1])


def test_kaplan_meier_with_two_fingers_per_participant():
    course = Course(25, episodes=2, alike=0.9)
    ours = product_limit_coverage(course, 300, seed=4)
    naive = product_limit_coverage(course, 300, seed=4, clustered=False)
    # by hand: 0.95 less 4 Monte Carlo errors of sqrt(0.95 * 0.05 / 300)
    assert ours.loc["log_log"].min() > 0.95 - 4 * 0.0126
    assert (naive.loc["log_log"] < ours.loc["log_log"] - 0.03).all()


@pytest.mark.long
@pytest.mark.parametrize("course", COURSES, ids=str)
def test_return_coverage_table(course):
    held, errors = return_coverage(course, 1000, 199, seed=5)
    assert held.min() > 0.93
    assert abs(errors[0]) < 15


@pytest.mark.long
@pytest.mark.parametrize(
    "course",
    [Course(20), Course(60), Course(25, episodes=2, alike=0.6), Course(50, episodes=3, alike=0.9)],
    ids=str,
)
def test_product_limit_coverage_table(course):
    held = product_limit_coverage(course, 4000, seed=6)
    assert held.loc["log_log"].min() > 0.925
