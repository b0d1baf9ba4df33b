"""Seeds, workers, whole participants, counted failures."""

from __future__ import annotations

import math

import joblib
import numpy as np
import pytest

from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.resampling import (
    count_failures,
    leave_one_out,
    participant_bootstrap,
    percentile_interval,
    replicate,
)

PEOPLE = np.array(["c", "a", "b", "a", "c", "c", "b", "d"])
VALUES = np.arange(8.0)


def mean(rows):
    return VALUES[rows].mean()


def one_number(generator):
    return generator.standard_normal()


@pytest.mark.parametrize("workers", [1, 2, 4])
def test_same_seed_gives_the_same_bits_with_any_number_of_workers(workers):
    serial = participant_bootstrap(PEOPLE, mean, n_boot=50, seed=7)
    found = participant_bootstrap(PEOPLE, mean, n_boot=50, seed=7, workers=workers)
    assert np.array_equal(serial, found)


def test_workers_none_leaves_it_to_the_active_configuration():
    serial = participant_bootstrap(PEOPLE, mean, n_boot=40, seed=7)
    with joblib.parallel_config(backend="threading", n_jobs=2):
        found = participant_bootstrap(PEOPLE, mean, n_boot=40, seed=7, workers=None)
    assert np.array_equal(serial, found)


def test_replicates_draw_from_the_children_of_the_seed():
    children = np.random.SeedSequence(11).spawn(5)
    # source: numpy's own SeedSequence.spawn
    expected = [np.random.default_rng(c).standard_normal() for c in children]
    assert replicate(one_number, n=5, seed=11) == expected
    assert replicate(one_number, n=5, seed=np.random.SeedSequence(11)) == expected


def test_a_seed_sequence_is_not_used_up():
    root = np.random.SeedSequence(3)
    first = replicate(one_number, n=4, seed=root)
    assert replicate(one_number, n=4, seed=root) == first
    assert root.n_children_spawned == 0
    parent = np.random.SeedSequence(3)
    left, right = parent.spawn(2)
    assert replicate(one_number, n=4, seed=left) != replicate(one_number, n=4, seed=right)


def test_more_replicates_begin_with_the_same_ones():
    assert replicate(one_number, n=9, seed=1)[:4] == replicate(one_number, n=4, seed=1)


def test_participants_are_drawn_whole():
    seen = []

    def record(rows):
        seen.append(rows)
        return 0.0

    participant_bootstrap(PEOPLE, record, n_boot=30, seed=1)
    for rows in seen:
        times = {p: np.sum(PEOPLE[rows] == p) / np.sum(p == PEOPLE) for p in "abcd"}
        assert all(float(t).is_integer() for t in times.values())
        assert sum(times.values()) == 4
        for p, t in times.items():
            for row in np.flatnonzero(p == PEOPLE):
                assert np.sum(rows == row) == t


def test_standard_error_of_a_mean_of_independent_people():
    values = np.random.default_rng(4).standard_normal(60)
    draws = participant_bootstrap(np.arange(60), lambda r: values[r].mean(), n_boot=4000, seed=2)
    # by hand: the bootstrap SE of a mean is the population SD over the root of n
    expected = values.std() / math.sqrt(60)
    assert draws[:, 0].std() == pytest.approx(expected, rel=0.05)
    assert draws[:, 0].mean() == pytest.approx(values.mean(), abs=4 * expected / math.sqrt(4000))


def test_clustering_widens_the_interval():
    effects = np.repeat(np.random.default_rng(4).standard_normal(20), 5)
    people = np.repeat(np.arange(20), 5)
    clustered = participant_bootstrap(people, lambda r: effects[r].mean(), n_boot=500, seed=1)
    naive = participant_bootstrap(np.arange(100), lambda r: effects[r].mean(), n_boot=500, seed=1)
    # by hand: five copies of each person, so the SE is the root of 5 too small
    assert clustered.std() / naive.std() == pytest.approx(math.sqrt(5), rel=0.15)


def test_several_statistics_at_once():
    draws = participant_bootstrap(
        PEOPLE, lambda r: np.array([VALUES[r].min(), VALUES[r].max()]), n_boot=40, seed=1
    )
    assert draws.shape == (40, 2)
    assert (draws[:, 0] <= draws[:, 1]).all()


def test_failures_are_rows_of_nan_and_counted():
    def fails_without_d(rows):
        if "d" not in PEOPLE[rows]:
            raise EstimateError("no d", next_step="draw again")
        return np.array([1.0, 2.0])

    draws = participant_bootstrap(PEOPLE, fails_without_d, n_boot=400, seed=1)
    failed = count_failures(draws)
    # by hand: d is drawn in no one of 4 places with probability (3/4)^4 = 0.316
    assert failed / 400 == pytest.approx(0.316, abs=0.07)
    assert np.isnan(draws).any(axis=1).sum() == failed
    assert np.isnan(percentile_interval(draws, 0.95)).all()


def test_an_unforeseen_error_is_not_swallowed():
    def broken(rows):
        raise KeyError("a fault of the program")

    with pytest.raises(KeyError):
        participant_bootstrap(PEOPLE, broken, n_boot=5, seed=1)


def test_failing_always_stops():
    def never(rows):
        return 1 / 0

    with pytest.raises(EstimateError, match="no resample"):
        participant_bootstrap(PEOPLE, never, n_boot=5, seed=1)


@pytest.mark.parametrize("people", [[], ["a"], ["a", "a"]])
def test_fewer_than_two_participants_stop(people):
    for call in (
        lambda: participant_bootstrap(people, len, n_boot=5, seed=1),
        lambda: leave_one_out(people, len),
    ):
        with pytest.raises(EstimateError, match="two participants"):
            call()


def test_leave_one_out_leaves_each_cluster_out_once():
    found = leave_one_out(PEOPLE, lambda rows: [len(rows), VALUES[rows].sum()])
    # by hand: a holds rows 1, 3; b 2, 6; c 0, 4, 5; d 7; the total of 0..7 is 28
    assert found.tolist() == [[6, 24], [6, 20], [5, 19], [7, 21]]
    assert np.array_equal(
        found, leave_one_out(PEOPLE, lambda r: [len(r), VALUES[r].sum()], workers=2)
    )


def test_percentile_interval_takes_order_statistics():
    draws = np.random.default_rng(1).permutation(np.arange(1.0, 1000.0))
    # by hand: of 1..999 the 25th from either end, since 1000 * 0.025 = 25
    assert percentile_interval(draws, 0.95) == (25.0, 975.0)
    lower, upper = percentile_interval(np.column_stack([draws, -draws]), 0.95)
    assert lower.tolist() == [25.0, -975.0]
    assert upper.tolist() == [975.0, -25.0]


def test_percentile_interval_with_infinite_draws():
    draws = np.concatenate([np.arange(1.0, 951.0), np.full(49, np.inf)])
    assert percentile_interval(draws, 0.95) == (25.0, math.inf)
    assert percentile_interval(np.full(100, np.inf), 0.95) == (math.inf, math.inf)


def test_a_few_failed_draws_are_left_out_and_many_are_not_survived():
    draws = np.concatenate([np.arange(1.0, 1000.0), np.full(50, np.nan)])
    assert percentile_interval(draws, 0.95) == (25.0, 975.0)
    assert count_failures(draws) == 50
    many = np.concatenate([np.arange(1.0, 1000.0), np.full(200, np.nan)])
    assert all(math.isnan(x) for x in percentile_interval(many, 0.95))


def test_too_few_draws_for_the_level():
    # by hand: (39 + 1) * 0.025 = 1, so 39 is the fewest
    assert percentile_interval(np.arange(39.0), 0.95) == (0.0, 38.0)
    with pytest.raises(ArgumentError, match="at least 39"):
        percentile_interval(np.arange(38.0), 0.95)


@pytest.mark.parametrize(("n", "seed"), [(0, 1), (5, -1), (5, 1.5), (5, None)])
def test_number_and_seed_are_checked(n, seed):
    with pytest.raises(ArgumentError):
        replicate(one_number, n=n, seed=seed)
