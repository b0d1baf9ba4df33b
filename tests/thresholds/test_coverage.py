"""How often the intervals of the threshold room hold the planted truth.

The ordinary run does a few hundred cohorts per design, to catch a broken formula;
the long run does the number behind the tables in docs/methods.
"""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit import thresholds
from cohortkit.errors import EstimateError
from cohortkit.thresholds.auc import area_limits
from cohortkit.thresholds.binomial import proportion
from cohortkit.thresholds.curve import components
from tests.thresholds.planted import Design, table

AREAS = [
    Design(40, 1, 0.25, 0.0, 0.80),
    Design(40, 1, 0.25, 0.0, 0.95),
    Design(30, 3, 0.30, 0.5, 0.80),
    Design(30, 3, 0.30, 0.5, 0.95),
    Design(30, 3, 0.30, 0.5, 0.95, 2.2),
    Design(60, 3, 0.15, 0.8, 0.95),
    Design(60, 3, 0.15, 0.8, 0.99, 2.2),
    Design(100, 4, 0.10, 0.6, 0.80, 2.2),
    Design(100, 4, 0.10, 0.6, 0.95, 2.2),
    Design(100, 4, 0.10, 0.6, 0.99),
]
INTERVALS = ("stabilised", "logit", "wald")


def area_coverage(design, n_sim, seed):
    """Share of cohorts whose interval holds the planted area, by kind of interval."""
    held = np.zeros(len(INTERVALS))
    used = 0
    for generator in map(np.random.default_rng, np.random.SeedSequence(seed).spawn(n_sim)):
        value, torn, cluster = design.draw(generator)
        if len(set(cluster[torn])) < 2:
            continue
        used += 1
        parts = components(value, torn, cluster)
        for k, kind in enumerate(INTERVALS):
            low, high = area_limits(parts, kind, 0.95)
            held[k] += low <= design.area <= high
    return held / used


def proportion_coverage(participants, rows, share, alike, n_sim, seed):
    """Coverage of a clustered proportion; shares of participants are beta."""
    generator = np.random.default_rng(seed)
    held = {"wilson": 0, "clopper_pearson": 0}
    for _ in range(n_sim):
        sizes = generator.integers(1, rows + 1, participants)
        cluster = np.repeat(np.arange(participants), sizes)
        spread = (1 - alike) / alike
        own = generator.beta(share * spread, (1 - share) * spread, participants)
        hit = generator.random(len(cluster)) < own[cluster]
        for kind in held:
            found = proportion(hit, cluster, kind=kind, level=0.95)
            held[kind] += found.lower <= share <= found.upper
    return {kind: n / n_sim for kind, n in held.items()}


FIGURES = ("sensitivity", "specificity", "lr_positive", "lr_negative")
CUTS = [
    Design(40, 1, 0.4, 0.0, 0.90),
    Design(80, 1, 0.3, 0.0, 0.90),
    Design(40, 3, 0.4, 0.5, 0.90),
    Design(120, 3, 0.2, 0.7, 0.90),
]


def cut_coverage(design, n_sim, seed):
    """Coverage at the population's best cut, all verified; then of the corrected figures.

    For the correction 95 % of the rows above the cut and 40 % below are verified. An
    interval that does not exist counts as a miss, a refusal is left out.
    """
    cut = round(design.best_cut(), 2)
    sensitivity, specificity = design.true_accuracy(cut)
    ratios = sensitivity / (1 - specificity), (1 - sensitivity) / specificity
    truth = dict(zip(FIGURES, (sensitivity, specificity, *ratios), strict=True))
    plain, corrected = [], []
    for child in np.random.SeedSequence(seed).spawn(n_sim):
        generator = np.random.default_rng(child)
        value, torn, cluster = design.draw(generator)
        rows = table(value, torn, cluster)
        found = thresholds.accuracy_at(rows, cut)
        plain.append([found[k].lower <= v <= found[k].upper for k, v in truth.items()])
        rows["verified"] = generator.random(len(rows)) < np.where(value >= cut, 0.95, 0.4)
        try:
            found = thresholds.corrected_accuracy(rows, cut)
        except EstimateError:
            continue
        corrected.append([found[k].lower <= truth[k] <= found[k].upper for k in FIGURES[:2]])
    return np.mean(plain, axis=0), np.mean(corrected, axis=0)


def youden_coverage(design, n_sim, n_boot, seed):
    """Coverage of the cut, and of the chosen cut's own accuracy; and mean error of the index."""
    best = design.best_cut()
    held, errors = [], []
    for i, child in enumerate(np.random.SeedSequence(seed).spawn(n_sim)):
        value, torn, cluster = design.draw(np.random.default_rng(child))
        if min(len(set(cluster[torn])), len(set(cluster[~torn]))) < 2:
            continue
        rows = table(value.round(2), torn, cluster)
        found = thresholds.youden_cut(rows, n_boot=n_boot, seed=i)
        sensitivity, specificity = design.true_accuracy(found["cut_point"].value)
        truth = {
            "cut_point": best,
            "sensitivity": sensitivity,
            "specificity": specificity,
            "youden_index": sensitivity + specificity - 1,
        }
        held.append([found[k].lower <= v <= found[k].upper for k, v in truth.items()])
        errors.append(
            [
                found[k].value - truth["youden_index"]
                for k in ("youden_index_apparent", "youden_index")
            ]
        )
    return np.mean(held, axis=0), np.mean(errors, axis=0)


@pytest.mark.parametrize("design", [AREAS[2], AREAS[3], AREAS[6]], ids=str)
def test_area_with_several_fingers_per_participant(design):
    stabilised = area_coverage(design, 300, seed=20)[0]
    # by hand: 0.95 less 4 Monte Carlo errors of sqrt(0.95 * 0.05 / 300)
    assert stabilised > 0.95 - 4 * 0.0126


def test_the_plain_interval_does_fail_where_the_default_is_needed():
    stabilised, _, wald = area_coverage(AREAS[6], 300, seed=21)
    assert wald < 0.85 < stabilised


def test_fingers_taken_as_independent_would_fail():
    """The same rows, each its own participant: what this package must not do."""
    design = Design(40, 4, 0.3, 0.8, 0.8)
    held = []
    for child in np.random.SeedSequence(3).spawn(300):
        value, _, cluster = Design(40, 4, 0.0, 0.8, 0.5).draw(np.random.default_rng(child))
        torn = cluster < 12
        value = value + design.shift * torn
        held.append(
            [
                low <= design.area <= high
                for codes in (np.arange(len(value)), cluster)
                for low, high in [area_limits(components(value, torn, codes), "stabilised", 0.95)]
            ]
        )
    naive, ours = np.mean(held, axis=0)
    assert naive < 0.85
    assert ours > 0.9


@pytest.mark.parametrize(("rows", "alike"), [(2, 0.3), (4, 0.5)])
def test_clustered_proportion(rows, alike):
    held = proportion_coverage(25, rows, 0.85, alike, 300, seed=5)
    # by hand: 0.95 less 4 Monte Carlo errors of sqrt(0.95 * 0.05 / 300)
    assert min(held.values()) > 0.95 - 4 * 0.0126


def test_youden_cut_and_its_accuracy():
    held, errors = youden_coverage(Design(40, 2, 0.3, 0.5, 0.95, 2.0), 60, 99, seed=6)
    # by hand: 0.95 less 4 Monte Carlo errors of sqrt(0.95 * 0.05 / 60)
    assert held.min() > 0.95 - 4 * 0.028
    assert abs(errors[1]) < errors[0]


def test_figures_at_a_cut_and_their_correction():
    plain, corrected = cut_coverage(CUTS[2], 100, seed=8)
    # by hand: 0.95 less 4 Monte Carlo errors of sqrt(0.95 * 0.05 / 100)
    assert min(plain.min(), corrected.min()) > 0.95 - 4 * 0.0218


@pytest.mark.long
@pytest.mark.parametrize("design", AREAS, ids=str)
def test_area_coverage_table(design):
    stabilised = area_coverage(design, 4000, seed=30)[0]
    assert 0.93 < stabilised < 0.99


@pytest.mark.long
@pytest.mark.parametrize("design", CUTS, ids=str)
def test_cut_coverage_table(design):
    plain, corrected = cut_coverage(design, 2000, seed=33)
    assert plain.min() > 0.9
    assert corrected.min() > 0.9


@pytest.mark.long
@pytest.mark.parametrize("participants", [12, 25, 60])
@pytest.mark.parametrize(("rows", "alike"), [(2, 0.3), (4, 0.5)])
@pytest.mark.parametrize("share", [0.7, 0.9, 0.97])
def test_proportion_coverage_table(participants, rows, alike, share):
    held = proportion_coverage(participants, rows, share, alike, 4000, seed=31)
    assert min(held.values()) > 0.93


@pytest.mark.long
@pytest.mark.parametrize(
    "design",
    [
        Design(40, 1, 0.3, 0.0, 0.96, 2.0),
        Design(60, 2, 0.25, 0.5, 0.85, 1.75),
        Design(150, 2, 0.2, 0.5, 0.96, 2.0),
    ],
    ids=str,
)
def test_youden_coverage_table(design):
    held, errors = youden_coverage(design, 1000, 199, seed=32)
    assert held.min() > 0.92
    assert abs(errors[1]) < 0.02
