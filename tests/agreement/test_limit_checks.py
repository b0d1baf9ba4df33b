"""The three checks as numbers, against scipy."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cohortkit.agreement.limit_checks import (
    assumption_checks,
    by_participant,
    check_cautions,
    normal_quantiles,
)


def test_checks_are_slope_growth_and_normality():
    rng = np.random.default_rng(1)
    mean = rng.uniform(1, 3, 40)
    d = 0.3 * mean + 0.1 * mean * rng.standard_normal(40)
    table = assumption_checks(mean, d).set_index("check")
    line = stats.linregress(mean, d)
    # source: scipy 1.17, linregress and shapiro
    assert table.loc["difference_on_mean", "estimate"] == pytest.approx(line.slope)
    assert table.loc["difference_on_mean", "p_value"] == pytest.approx(line.pvalue)
    assert table.loc["normal_differences", "estimate"] == pytest.approx(stats.shapiro(d).statistic)
    codes = {c.code for c in check_cautions(table.reset_index(), "mm")}
    assert {"difference_depends_on_size", "spread_depends_on_size"} <= codes


@pytest.mark.parametrize("d", [np.zeros(10), np.array([1.0, 2.0, 3.0])])
def test_what_cannot_be_checked_is_not_a_number(d):
    table = assumption_checks(np.arange(len(d), dtype=float), d)
    assert table["p_value"].isna().all()
    assert check_cautions(table, "mm") == ()


def test_normal_quantiles_of_normal_scores_lie_on_the_line():
    n = 50
    score = stats.norm.ppf((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    table = normal_quantiles(score[::-1])
    slope = np.polyfit(table["expected"], table["observed"], 1)[0]
    # by hand: the scores are their own expectation up to their SD
    assert slope == pytest.approx(1 / score.std(ddof=1))


def test_by_participant_averages_pairs():
    pairs = pd.DataFrame({"mean": [1.0, 3.0, 5.0], "difference": [0.0, 1.0, 4.0]})
    mean, d = by_participant(pairs, np.array([0, 0, 1]))
    # by hand: (1 + 3) / 2 and (0 + 1) / 2
    assert (mean.tolist(), d.tolist()) == ([2.0, 5.0], [0.5, 4.0])


@pytest.mark.parametrize(
    ("unseen", "enough"), [("pairs", 50), ("several", 100), ("repeats", 100), ("deviations", 300)]
)
def test_too_few_to_see_skewness_are_said_unless_it_is_seen(unseen, enough):
    """From how many the check found skewness in 9 of 10 simulated tables, common practice."""
    for n, said in ((7, True), (enough - 1, True), (enough, False)):
        normal = stats.norm.ppf((np.arange(n) + 0.5) / n)
        checks = assumption_checks(np.zeros(n), normal)
        found = {c.code: c.message for c in check_cautions(checks, "mm", unseen)}
        assert ("normality_unseen" in found) is said
        if said:
            assert found["normality_unseen"].startswith(f"{n} p")
        assert not check_cautions(checks, "mm")
    skewed = assumption_checks(np.zeros(40), np.exp(normal[:: max(1, n // 40)][:40]))
    assert [c.code for c in check_cautions(skewed, "mm", unseen)] == ["differences_not_normal"]
