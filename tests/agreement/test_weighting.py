"""Agreement weights."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.agreement.weighting import WEIGHTS, agreement_weights
from cohortkit.errors import ArgumentError


def test_by_hand():
    # by hand: one step of three costs 1/3, or 1/9 squared
    assert agreement_weights("linear", 4)[0] == pytest.approx([1, 2 / 3, 1 / 3, 0])
    assert agreement_weights("quadratic", 4)[0] == pytest.approx([1, 8 / 9, 5 / 9, 0])
    assert agreement_weights("unweighted", 4).tolist() == np.eye(4).tolist()


@pytest.mark.parametrize("kind", WEIGHTS)
@pytest.mark.parametrize("q", [2, 3, 7])
def test_ones_on_the_diagonal_and_zero_for_the_ends(kind, q):
    w = agreement_weights(kind, q)
    assert np.diag(w).tolist() == [1] * q
    assert w[0, -1] == 0
    assert (w == w.T).all()


@pytest.mark.parametrize("kind", WEIGHTS)
def test_two_categories_know_no_near_miss(kind):
    assert agreement_weights(kind, 2).tolist() == [[1, 0], [0, 1]]
    assert agreement_weights(kind, 1).tolist() == [[1]]


def test_unknown_weights():
    with pytest.raises(ArgumentError, match="'unweighted', 'linear' or 'quadratic'"):
        agreement_weights("cubic", 3)
