"""How often profile intervals hold the planted standard deviations and mean."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit import mixed
from tests.mixed.designs import crossed


def coverage(size, sds, choice, n_sim, lost=0.0, first=10**6):
    """Share of simulated tables whose interval holds the truth, per estimate."""
    truth = {
        "sd_subject": sds[0],
        "sd_rater": sds[1],
        "sd_residual": sds[2],
        "fixed_intercept": 0.0,
    }
    held = dict.fromkeys(truth, 0)
    for seed in range(first, first + n_sim):
        table = crossed(*size, sds, seed)
        kept = np.random.default_rng(seed).random(len(table)) >= lost
        result = mixed.fit(
            table[kept].reset_index(drop=True),
            value="value",
            random=[["subject"], ["rater"]],
            participant=None,
            unit="mm",
            intervals=choice,
        )
        for name, value in truth.items():
            held[name] += result[name].lower <= value <= result[name].upper
    return {name: count / n_sim for name, count in held.items()}


def test_a_small_run():
    found = coverage((30, 6, 1), (1, 0.3, 0.5), mixed.Profile("reml"), n_sim=60)
    # planted truth; by hand: at 95 % fewer than 49 of 60 happen with binomial probability 4e-5
    assert min(found.values()) >= 49 / 60


@pytest.mark.long
@pytest.mark.parametrize(
    ("size", "sds", "lost", "rater_at_least", "mean_at_least"),
    [
        # With three raters who differ much, the mean rests on three draws and falls short.
        ((30, 3, 2), (1, 0.3, 0.5), 0.0, 0.91, 0.935),
        ((30, 3, 2), (1, 1, 0.5), 0.0, 0.92, 0.91),
        ((60, 8, 1), (1, 0.3, 0.5), 0.2, 0.945, 0.935),
    ],
)
def test_restricted_profile_intervals_hold_the_truth(
    size, sds, lost, rater_at_least, mean_at_least
):
    found = coverage(size, sds, mixed.Profile("reml"), n_sim=4000, lost=lost)
    for name in ("sd_subject", "sd_residual"):
        # planted truth; the band is that of common practice for 4,000 runs, no source
        assert 0.935 <= found[name] <= 0.965
    assert found["sd_rater"] >= rater_at_least
    assert found["fixed_intercept"] >= mean_at_least


@pytest.mark.long
def test_a_planted_zero_is_held_at_least_as_often_as_said():
    found = coverage((30, 3, 2), (1, 0, 0.5), mixed.Profile("ml"), n_sim=2000)
    assert found["sd_rater"] >= 0.95
