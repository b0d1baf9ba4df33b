"""Intervals of method comparison: a quick look, and the published tables in full."""

from __future__ import annotations

import pytest

from tests.agreement.covered_pairs import (
    DESIGNS,
    GROWING,
    cusum_alarms,
    label,
    measure,
    measure_growing,
    what,
)
from tests.agreement.planted_pairs import Design, Growing
from tests.agreement.test_coverage import published
from tests.covered import printed

# 200 runs of a 95 % interval have a standard error of 1.5 points: 4 errors below
QUICK = 89.0
# 93.5 to 96.5 after rounding to one decimal; figures outside stand between asterisks
BAND = (93.45, 96.55)
PAGES = {
    "concordance": ["concordance", "scale_shift", "location_shift"],
    "deming": ["deming slope", "deming intercept"],
    "passing_bablok": ["pb slope", "pb intercept"],
}
ALARMS = {
    Design(20): "2.4",
    Design(50): "2.4",
    Design(100): "1.2",
    Design(50, step=0.1): "5.6",
    Design(100, step=0.1): "14.2",
}


@pytest.mark.parametrize("design", [Design(20), Design(30, 2, alike=0.5, clinging=0.5)], ids=str)
def test_intervals_hold_in_a_quick_look(design):
    found = measure(design, 200, seed=1)
    for name, covered in found.items():
        assert covered > QUICK, name


def test_ignoring_participants_covers_too_seldom():
    """The same samples, taken as if every finger were a person of its own."""
    design = Design(15, 4, alike=0.3, clinging=0.95)
    clustered = measure(design, 150, seed=1)
    naive = measure(design, 150, seed=1, ignore_participants=True)
    for name in ("location_shift", "deming intercept", "pb intercept"):
        assert naive[name] < clustered[name] - 4, name


def test_a_straight_relation_is_rarely_called_curved():
    assert cusum_alarms(Design(50), 200, 1.1, seed=1) < 7


@pytest.mark.parametrize("design", [Growing(20), Growing(15, 3, alike=0.5, clinging=0.5)], ids=str)
def test_lines_with_growing_errors_hold_in_a_quick_look(design):
    for name, covered in measure_growing(design, 200, seed=1).items():
        assert covered > QUICK, name


def committed(repository, design, errors):
    """Per cent by figure, from the page of measured coverage."""
    rows = printed(repository / "docs/methods", "methods")
    words = f"{label(design)} | {what(design)} | {errors}"
    return {figure: share for (name, figure), (share, _) in rows.items() if name == words}


@pytest.mark.parametrize("row", range(len(DESIGNS)))
def test_pages_print_the_measured_coverage(repository, row):
    design = DESIGNS[row]
    found = committed(repository, design, "constant")
    for page, columns in PAGES.items():
        text = (repository / f"docs/methods/{page}.md").read_text(encoding="utf-8")
        cells = published(text, "Measured coverage")[row]
        assert cells[:2] == [label(design), what(design)]
        for shown, name in zip(cells[2:], columns, strict=True):
            assert found[name] == pytest.approx(float(shown.strip("*")), abs=0.06), (page, name)
            assert shown.startswith("*") is not (BAND[0] < found[name] < BAND[1]), (page, name)


@pytest.mark.parametrize("row", range(len(GROWING)))
def test_the_page_prints_the_measured_coverage_with_growing_errors(repository, row):
    found = committed(repository, GROWING[row], "proportional")
    page = (repository / "docs/methods/deming.md").read_text(encoding="utf-8")
    cells = published(page, "Measured coverage, errors in proportion to size")[row]
    assert cells[:2] == [label(GROWING[row]), what(GROWING[row])]
    names = [f"{s} {n}" for s in ("proportional", "constant") for n in ("slope", "intercept")]
    for shown, name in zip(cells[2:], names, strict=True):
        assert found[name] == pytest.approx(float(shown.strip("*")), abs=0.06), name
        assert shown.startswith("*") is not (BAND[0] < found[name] < BAND[1]), name


@pytest.mark.long
@pytest.mark.parametrize("design", ALARMS, ids=str)
def test_published_false_alarms_of_the_cusum(repository, design):
    page = (repository / "docs/methods/passing_bablok.md").read_text(encoding="utf-8")
    stated = ALARMS[design]
    assert f"| {stated} |" in page
    assert cusum_alarms(design, 4000, 1.1) == pytest.approx(float(stated), abs=0.06)
