"""Streams of random numbers that stay the same."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.synthetic.draws import Draws


def test_the_same_stream_gives_the_same_numbers_and_another_does_not():
    first = Draws(7, "people").uniform(5)
    assert np.array_equal(first, Draws(7, "people").uniform(5))
    assert not np.array_equal(first, Draws(7, "scans").uniform(5))
    assert not np.array_equal(first, Draws(8, "people").uniform(5))


def test_uniform_uses_the_upper_53_bits_of_the_raw_generator():
    # source: numpy.random.PCG64.random_raw, numpy 2.x, the output NumPy keeps for ever
    raw = np.random.PCG64(np.random.SeedSequence([7, *b"people"])).random_raw(3)
    expected = ((raw >> np.uint64(11)).astype(float) + 0.5) / 2**53
    assert np.array_equal(Draws(7, "people").uniform(3), expected)


def test_uniform_keeps_off_its_ends_and_takes_a_shape():
    drawn = Draws(1, "x").uniform(200, 50)
    assert drawn.shape == (200, 50)
    assert drawn.min() > 0
    assert drawn.max() < 1


def test_normal_has_mean_0_and_sd_1():
    drawn = Draws(2, "x").normal(40_000)
    # by hand: standard error of a mean is 1/sqrt(40000) = 0.005, five of them allowed
    assert abs(drawn.mean()) < 0.025
    assert abs(drawn.std() - 1) < 0.025


def test_choice_keeps_the_shares():
    drawn = Draws(3, "x").choice(["a", "b", "c"], [0.2, 0.0, 0.8], 20_000)
    assert set(drawn) == {"a", "c"}
    # by hand: standard error sqrt(0.2 * 0.8 / 20000) = 0.0028, five of them allowed
    assert np.mean(drawn == "a") == pytest.approx(0.2, abs=0.0142)


def test_happens_takes_one_chance_per_row():
    drawn = Draws(4, "x").happens(np.array([0.0, 1.0] * 50), 100)
    assert drawn.tolist() == [False, True] * 50


def test_whole_numbers_include_both_ends():
    assert set(Draws(5, "x").whole(-1, 2, 500)) == {-1, 0, 1, 2}


def test_order_is_a_permutation():
    assert sorted(Draws(6, "x").order(30)) == list(range(30))
