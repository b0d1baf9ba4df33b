import math

import pytest

from cohortkit.estimate import Estimate
from cohortkit.figures import forest, marks, style

LABELS = {"b": "second", "a": "first", "absent": "not there"}


@style.styled
def drawn(rows):
    figure = style.new_figure(89, 60)
    forest.draw_forest(figure.subplots(), marks.frame(rows), LABELS, "mm")
    return figure


def row(name, value, lower, upper):
    estimate = Estimate(name, value, lower, upper, 0.95, "mm", "m")
    return marks.estimate_mark("p", "s", "estimate", estimate)


def test_labels_stand_in_the_order_given_and_only_if_present():
    figure = drawn([row("a", 1.0, 0.5, 2.0), row("b", 2.0, 1.0, 3.0)])
    axes = figure.axes[0]
    assert [t.get_text() for t in axes.get_yticklabels()] == ["second", "first"]
    assert list(axes.get_yticks()) == [0, -1]


def test_an_open_interval_is_drawn_as_far_as_it_is_known():
    figure = drawn([row("a", 1.0, 0.5, math.inf)])
    segment = figure.axes[0].collections[0].get_segments()[0]
    assert segment[:, 0] == pytest.approx([0.5, 1.0])  # by hand: the value itself where open
    assert "no limit" in figure.axes[0].texts[0].get_text()
