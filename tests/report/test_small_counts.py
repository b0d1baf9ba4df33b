from itertools import product

import numpy as np
import pytest

from cohortkit.report.small_counts import hidden, shown


def consistent(counts, masked):
    """All ways to fill the hidden counts that agree with what a reader sees."""
    places = [i for i, m in enumerate(masked) if m]
    total = sum(counts[i] for i in places)
    low = 0 if all(masked) else 1  # zeros are hidden only where everything is
    fills = product(range(low, total + 1), repeat=len(places) - 1)
    whole = [(*f, total - sum(f)) for f in fills if total - sum(f) >= low]
    return dict(zip(places, zip(*whole, strict=True), strict=True))


def test_nothing_is_hidden_without_a_small_count():
    assert hidden([0, 5, 80], 5) == [False, False, False]


def test_one_small_count_takes_the_next_smallest_with_it():
    # by hand: 3 is small; 3 alone follows from the total, 3 + 9 does not
    assert hidden([3, 40, 9], 5) == [True, False, True]


def test_two_ones_would_be_told_by_their_sum():
    # by hand: 1 + 1 = 2 can only be 1 and 1, so 7 is hidden as well
    assert hidden([1, 1, 7, 30], 5) == [True, True, True, False]


def test_zeros_are_shown_as_long_as_something_else_can_hide():
    assert shown([2, 0, 30], 5) == ["hidden", "0", "hidden"]


@pytest.mark.parametrize("seed", range(200))
def test_no_hidden_count_can_be_worked_out(seed):
    rng = np.random.default_rng(seed)
    counts = [int(n) for n in rng.choice([0, 1, 2, 3, 4, 5, 6, 9, 12], size=rng.integers(2, 5))]
    if sum(counts) < 5:
        counts.append(8)
    masked = hidden(counts, 5)
    assert all(m for n, m in zip(counts, masked, strict=True) if 0 < n < 5)
    if any(masked):
        for place, values in consistent(counts, masked).items():
            assert max(values) >= 5, (counts, masked, place)
            assert len(set(values)) > 1


def test_the_rule_takes_any_smallest_count():
    assert hidden([10, 200, 30], 11) == [True, False, True]
