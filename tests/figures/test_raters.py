import numpy as np
import pytest
from matplotlib.figure import Figure

from cohortkit.agreement import rater_effects
from cohortkit.figures import marks, raters
from tests.figures import reliable, results


@pytest.fixture(scope="module")
def effects():
    return reliable.three_results()[2]


def test_rows_are_in_order_and_hold_no_id(effects):
    table = marks.frame(raters.rows("A2", effects))
    assert table["x"].is_monotonic_increasing
    assert sorted(table["x"]) == sorted(e.value for e in effects)
    assert not table.astype("string").apply(lambda c: c.str.contains("rater-")).any(axis=None)
    assert list(table["label"]) == [f"{i} of 4" for i in range(1, 5)]


def test_the_axis_is_symmetric_and_holds_every_interval(effects):
    table = marks.frame(raters.rows("A2", effects))
    axes = Figure().add_subplot()
    raters.draw_effects(axes, table, 0)
    low, high = axes.get_xlim()
    assert low == -high
    assert low < table["lower"].min()
    assert high > table["upper"].max()


def test_a_variance_of_zero_is_said():
    table = reliable.readings()
    # every rater's mean is made equal, so no rater differs from another
    table["gap_mm"] -= table.groupby("rater_id")["gap_mm"].transform("mean")
    found = rater_effects(table)
    assert not np.any([e.value for e in found])
    figure = Figure()
    raters.draw_effects(figure.add_subplot(), marks.frame(raters.rows("A2", found)), 0)
    assert "variance estimated as zero" in results.all_text(figure)


def test_without_a_result_the_reason_stands_there():
    figure = Figure()
    table = marks.frame([marks.mark("raters", "A2", "none", "Not estimated.")])
    raters.draw_effects(figure.add_subplot(), table, 0)
    assert "Not estimated." in results.all_text(figure)
