"""Fingers within participants, and differences about a line: against matrices and by hand."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.agreement.limit_components import grouped, one_way
from cohortkit.agreement.limit_levels import fingered, has_levels, line, two_way

PEOPLE = np.repeat([0, 1, 2, 3], [5, 3, 4, 2])
FINGER = np.array([0, 0, 0, 1, 1, 2, 2, 3, 4, 5, 5, 5, 6, 7])


def differences(seed=1):
    return np.random.default_rng(seed).standard_normal(len(PEOPLE))


def indicators(codes):
    return np.eye(codes.max() + 1)[codes]


def projections(*columns):
    """Projection on each set of columns together with those before it."""
    seen, out = np.empty((len(PEOPLE), 0)), []
    for block in columns:
        seen = np.column_stack([seen, block])
        out.append(seen @ np.linalg.pinv(seen))
    return out


def test_a_balanced_table_by_hand():
    d = np.array([1.0, 3.0, 5.0, 7.0, 2.0, 2.0, 4.0, 8.0])
    total = two_way(fingered(d, np.repeat([0, 1], 4), np.repeat([0, 1, 2, 3], 2)))
    # by hand: fingers 2, 6, 2, 6; both participants 4; pairs (2 + 2 + 0 + 8) / 4
    assert total.squares.tolist() == pytest.approx([0.0, 16.0, 3.0])
    # by hand: finger (16 - 3) / 2, participant (0 - 16) / 4, rest 3
    assert float(total.between) == pytest.approx(-4.0)
    assert float(total.variance) == pytest.approx(6.5 - 4 + 3)


def test_without_a_second_level_it_is_the_one_way_analysis():
    d = differences()
    one = one_way(grouped(d, PEOPLE))
    assert not has_levels(PEOPLE, PEOPLE)
    assert not has_levels(PEOPLE, np.arange(len(PEOPLE)))
    assert not has_levels(PEOPLE, None)
    assert has_levels(PEOPLE, FINGER)
    assert float(two_way(fingered(d, PEOPLE, FINGER)).bias) == pytest.approx(float(one.bias))


@pytest.mark.parametrize("about_a_line", [False, True])
def test_expectations_are_traces_of_projections(about_a_line):
    mean = np.random.default_rng(2).standard_normal(len(PEOPLE))
    one = np.ones((len(PEOPLE), 1))
    x = np.column_stack([one, mean]) if about_a_line else one
    p0, p1, p2 = projections(x, indicators(PEOPLE), indicators(FINGER))
    rest = np.eye(len(PEOPLE)) - p2
    d = differences()
    squares = [d @ q @ d / np.trace(q) for q in (p1 - p0, p2 - p1, rest)]
    people, finger = (indicators(c) @ indicators(c).T for c in (PEOPLE, FINGER))
    g = np.trace((p1 - p0) @ people) / np.trace(p1 - p0)
    d_of = np.trace((p1 - p0) @ finger) / np.trace(p1 - p0)
    c = np.trace((p2 - p1) @ finger) / np.trace(p2 - p1)
    # planted truth: moment equations solved with dense projections
    f = (squares[1] - squares[2]) / c
    p = (squares[0] - squares[2] - d_of * f) / g
    if about_a_line:
        total = line(mean, d, PEOPLE, FINGER).at(np.zeros(1))
    else:
        total = two_way(fingered(d, PEOPLE, FINGER))
    assert float(total.between) == pytest.approx(p)
    assert float(total.within) == pytest.approx(f + squares[2])
    assert float(total.variance) == pytest.approx(p + f + squares[2])


def test_variance_of_a_line_is_that_of_dense_matrices():
    mean = np.random.default_rng(3).standard_normal(len(PEOPLE))
    d = 3 * indicators(PEOPLE) @ np.random.default_rng(4).standard_normal(4) + differences()
    found = line(mean, d, PEOPLE, None)
    total = found.at(np.array([0.5]))
    x = np.column_stack([np.ones(len(d)), mean])
    cover = total.between * indicators(PEOPLE) @ indicators(PEOPLE).T
    cover = cover + total.within * np.eye(len(d))
    h = np.linalg.pinv(x)
    # planted truth: H V H' of least squares
    assert total.bias_variance[0] == pytest.approx(
        np.array([1, 0.5]) @ h @ cover @ h.T @ [1, 0.5], rel=1e-9
    )
    assert [found.intercept, found.slope] == pytest.approx((h @ d).tolist())


def test_no_degree_of_freedom_gives_no_line():
    mean = np.arange(4.0)
    assert line(mean, mean**2, np.array([0, 0, 1, 1]), None) is None


def test_taking_participants_twice_takes_all_their_sums():
    parts = fingered(differences(), PEOPLE, FINGER)
    again = parts.take(np.array([1, 1, 3]))
    assert again.size.tolist() == [3.0, 3.0, 2.0]
    assert again.fingers.tolist() == [2.0, 2.0, 2.0]
