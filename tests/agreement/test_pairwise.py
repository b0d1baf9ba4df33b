"""Agreement by pairs of ratings, and the three kinds of chance."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from cohortkit.agreement.pairwise import (
    category_table,
    corrected,
    fleiss_chance,
    gwet_chance,
    observed,
    pair_parts,
    uniform_chance,
)
from cohortkit.agreement.weighting import WEIGHTS, agreement_weights
from tests.agreement.planted_ratings import Design

RATINGS = Design(30, 1, 4, 0.7, absent=0.3).draw(np.random.default_rng(2))


@pytest.mark.parametrize("kind", WEIGHTS)
def test_agreement_of_pairs_one_by_one(kind):
    w = agreement_weights(kind, 4)
    shares = []
    for line in RATINGS.codes:
        given = line[line >= 0]
        pairs = list(itertools.permutations(given, 2))
        if pairs:
            shares.append(np.mean([w[a, b] for a, b in pairs]))
    parts = pair_parts(RATINGS.counts, w)
    assert observed(parts.sum(axis=0)) == pytest.approx(np.mean(shares), rel=1e-12)
    assert parts[:, 2:].sum(axis=1) == pytest.approx(np.ones(len(parts)))


def test_chances_by_hand():
    p = np.array([0.5, 0.3, 0.2])
    w = np.eye(3)
    # by hand: 0.25 + 0.09 + 0.04; (0.25 + 0.21 + 0.16) / 2; one third
    assert fleiss_chance(w)(p) == pytest.approx(0.38)
    assert gwet_chance(w)(p) == pytest.approx(0.31)
    assert uniform_chance(w)(p) == pytest.approx(1 / 3)


def test_chance_of_one_category():
    p = np.array([1.0, 0.0])
    # by hand: pooled shares always agree, Gwet's chance vanishes
    assert fleiss_chance(np.eye(2))(p) == 1
    assert gwet_chance(np.eye(2))(p) == 0
    assert gwet_chance(np.eye(1))(np.array([1.0])) == 0


def test_corrected_works_on_many_sums_at_once():
    parts = pair_parts(RATINGS.counts, np.eye(4))
    statistic = corrected(fleiss_chance(np.eye(4)))
    sums = np.stack([parts[:10].sum(axis=0), parts[10:].sum(axis=0)])
    assert statistic(sums) == pytest.approx([statistic(s) for s in sums])


def test_category_table():
    found = category_table(RATINGS)
    assert found["ratings"].sum() == (RATINGS.codes >= 0).sum()
    assert found["share"].sum() == pytest.approx(1)
    assert list(found["category"]) == ["none", "strain", "partial", "complete"]
