"""Exact factors between units."""

from __future__ import annotations

from fractions import Fraction

import pytest

from cohortkit.cohort.units import convertible, factor


@pytest.mark.parametrize(
    ("cell", "unit", "target", "expected"),
    [
        # by hand: 10 mm a cm, 100 cm a m, 1000 N a kN, 12 months a year, 60 min an hour
        ("0.21", "cm", "mm", 2.1),
        ("0.3", "cm", "mm", 3.0),
        ("1.7", "m", "cm", 170.0),
        ("300", "um", "mm", 0.3),
        ("0.25", "kN", "N", 250.0),
        ("18", "mo", "a", 1.5),
        ("90", "min/wk", "h/wk", 1.5),
        ("18000", "kHz", "MHz", 18.0),
        # source: international inch of 1959, 25.4 mm; standard gravity of 1901, 9.80665 m/s2
        ("1", "[in_i]", "mm", 25.4),
        ("10", "kgf", "N", 98.0665),
    ],
)
def test_conversion_is_exact(cell, unit, target, expected):
    assert float(Fraction(cell) * factor(unit, target)) == expected


@pytest.mark.parametrize(("unit", "target"), [("mm", "N"), ("x", "mm"), ("wk", "a"), ("%", "1")])
def test_what_cannot_be_converted_is_not(unit, target):
    assert factor(unit, target) is None


def test_same_unit_needs_no_table():
    assert factor("1", "1") == 1
    assert convertible("1") == ("1",)
    assert set(convertible("mm")) >= {"mm", "cm", "m", "um"}
