"""How often profile intervals hold the planted standard deviations and mean."""

from __future__ import annotations

from tests.covered import printed
from tests.mixed.simulated_components import Setting, measure


def test_a_small_run():
    found = measure(Setting((30, 6, 1), (1, 0.3, 0.5)), "profile, REML", 60)
    # planted truth; by hand: at 95 % fewer than 49 of 60 happen with binomial probability 4e-5
    assert min(found.values()) >= 49 / 60


def test_restricted_profile_intervals_hold_the_truth(repository):
    rows = printed(repository / "docs/methods", "components")
    for (design, figure), (share, n_sim) in rows.items():
        if not design.endswith("profile, REML"):
            continue
        # planted truth: simulated designs, as many tables as the command names
        assert n_sim == 4000
        few = figure in ("sd_rater", "fixed_intercept")
        zero = figure == "sd_rater" and "1, 0, 0.5" in design
        # planted truth: with few raters a little short, and said so; a zero is held more often
        assert (90.5 if few else 93.45) < share < (100.0 if zero else 97.5), (design, figure)


def test_bootstrap_intervals_hold_the_truth(repository):
    rows = printed(repository / "docs/methods", "components")
    seen = 0
    for (design, figure), (share, n_sim) in rows.items():
        if not design.endswith("bootstrap"):
            continue
        seen += 1
        # planted truth: simulated designs, as many tables as the command names
        assert n_sim == 4000
        # planted truth: raters near zero are held more often, a mean of few less, and both said so
        high = 98.0 if figure == "sd_rater" else 96.5
        assert (92.0 if figure == "fixed_intercept" else 93.5) < share < high, (design, figure)
    assert seen == 32
