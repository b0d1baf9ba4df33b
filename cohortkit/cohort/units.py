"""Units of cells to units of the format, in exact arithmetic."""

from __future__ import annotations

from fractions import Fraction

_SCALES: dict[str, dict[str, Fraction]] = {
    "length": {
        "um": Fraction(1, 1000),
        "mm": Fraction(1),
        "cm": Fraction(10),
        "dm": Fraction(100),
        "m": Fraction(1000),
        "[in_i]": Fraction(254, 10),
        "[ft_i]": Fraction(3048, 10),
    },
    "force": {
        "mN": Fraction(1, 1000),
        "N": Fraction(1),
        "daN": Fraction(10),
        "kN": Fraction(1000),
        "gf": Fraction(980665, 10**8),
        "kgf": Fraction(980665, 10**5),
        "[lbf_av]": Fraction(44482216152605, 10**13),
    },
    "frequency": {"Hz": Fraction(1), "kHz": Fraction(10**3), "MHz": Fraction(10**6)},
    "angle": {"deg": Fraction(1), "'": Fraction(1, 60)},
    "days": {"d": Fraction(1), "wk": Fraction(7)},
    "years": {"a": Fraction(1), "mo": Fraction(1, 12)},
    "hours": {"h/wk": Fraction(1), "min/wk": Fraction(1, 60), "h/d": Fraction(7)},
}
"""Kind of quantity to UCUM code to size. Force and length by the exact definitions of
the international yard, pound and standard gravity. Days are not turned into years."""


def factor(from_unit: str, to_unit: str) -> Fraction | None:
    """What a value in `from_unit` is multiplied by to stand in `to_unit`; None if it cannot be.

    The result is an exact fraction, so that 0.21 cm is the same number as 2.1 mm.
    """
    for units in _SCALES.values():
        if from_unit in units and to_unit in units:
            return units[from_unit] / units[to_unit]
    return Fraction(1) if from_unit == to_unit else None


def convertible(to_unit: str) -> tuple[str, ...]:
    """Units that can be turned into `to_unit`."""
    for units in _SCALES.values():
        if to_unit in units:
            return tuple(units)
    return (to_unit,)
