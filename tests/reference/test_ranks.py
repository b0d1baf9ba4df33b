"""Ranks against the published table and the binomial that defines them."""

from __future__ import annotations

import pandas as pd
import pytest
from scipy import stats

from cohortkit.reference.ranks import limit_ranks, smallest_sample, smallest_sample_with_limits

# source: rank table of CLSI EP28 (C28-A3), 90 % limits of the 2.5 % limit, quoted from memory
# for n = 120 and taken from the referenceIntervals package (R) for the others
TABLE = [
    (119, 3, 1, 7),
    (120, 3, 1, 7),
    (150, 4, 1, 8),
    (200, 5, 2, 10),
    (240, 6, 2, 11),
    (300, 8, 3, 13),
    (400, 10, 5, 16),
    (500, 13, 7, 19),
    (1000, 25, 17, 34),
]


@pytest.mark.parametrize(("n", "rank", "low", "high"), TABLE)
def test_published_ranks(n, rank, low, high):
    lower = limit_ranks(n, 0.025, 0.90)
    assert (round(lower.rank), lower.lower, lower.upper) == (rank, low, high)
    upper = limit_ranks(n, 0.975, 0.90)
    assert (round(upper.rank), upper.lower, upper.upper) == (
        n + 1 - rank,
        n + 1 - high,
        n + 1 - low,
    )


def test_whole_published_table(check_values):
    table = pd.read_csv(check_values / "data" / "rank_table_lower_limit_90ci.csv")
    found = [limit_ranks(n, 0.025, 0.90) for n in table["n"]]
    assert [r.lower for r in found] == table["lower_rank"].tolist()
    assert [r.upper for r in found] == table["upper_rank"].tolist()
    assert len(found) == 882


def test_check_values_of_both_limits(check_values):
    expected = pd.read_csv(check_values / "expected.csv")
    rows = expected[
        (expected["case"] == "e01_rank_table") & expected["statistic"].str.startswith("ranks_")
    ]
    assert len(rows) == 18
    for row in rows.itertuples():
        _, side, _, n = row.statistic.split("_")
        found = limit_ranks(int(n[1:]), 0.025 if side == "lower" else 0.975, 0.90)
        assert (round(found.rank), found.lower, found.upper) == (row.value, row.ci_low, row.ci_high)


@pytest.mark.parametrize("level", [0.8, 0.9, 0.99])
@pytest.mark.parametrize("p", [0.01, 0.025, 0.05, 0.5])
@pytest.mark.parametrize("n", [1, 2, 3, 39, 58, 59, 119, 777])
def test_ranks_are_the_innermost_that_keep_each_tail(n, p, level):
    tail = (1 - level) / 2
    ranks = limit_ranks(n, p, level)
    cdf = stats.binom(n, p).cdf
    if ranks.lower > 0:
        assert cdf(ranks.lower - 1) <= tail
    assert cdf(ranks.lower) > tail
    if ranks.upper <= n:
        assert cdf(ranks.upper - 1) >= 1 - tail
    assert ranks.upper == 1 or cdf(ranks.upper - 2) < 1 - tail


def test_true_coverage_at_120():
    ranks = limit_ranks(120, 0.025, 0.90)
    below = stats.binom(120, 0.025)
    coverage = below.cdf(ranks.upper - 1) - below.cdf(ranks.lower - 1)
    # source: EP28 rule, coverage of ranks 1 to 7 at n = 120 recomputed with scipy 1.17: 0.92047
    assert coverage == pytest.approx(0.92047, abs=5e-6)


@pytest.mark.parametrize("p", [0.05, 0.1, 0.025])
def test_upper_mirrors_lower(p):
    for n in (40, 120, 333):
        low, high = limit_ranks(n, p, 0.9), limit_ranks(n, 1 - p, 0.9)
        assert high.rank == pytest.approx(n + 1 - low.rank)
        assert (high.lower, high.upper) == (n + 1 - low.upper, n + 1 - low.lower)


def test_smallest_samples():
    # source: EP28, 39 for a two-sided 95 % interval; by hand: 0.05 (n + 1) >= 1 from n = 19
    assert smallest_sample(0.025) == smallest_sample(0.975) == 39
    assert smallest_sample(0.95) == 19
    # by hand: 0.95^58 = 0.0510, 0.95^59 = 0.0485; and 119 is where the published table begins
    assert smallest_sample_with_limits(0.95, 0.90) == 59
    assert smallest_sample_with_limits(0.025, 0.90) == 119
    assert limit_ranks(118, 0.025, 0.90).lower == 0
    assert limit_ranks(119, 0.025, 0.90).lower == 1
