"""How often intervals of method comparison hold the planted truth.

    python -m tests.agreement.covered_pairs docs/methods 4000

writes coverage_methods.csv and .md; the same seed gives the same figures.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from cohortkit.agreement.concordance import NAMES, components, limits_of_components
from cohortkit.agreement.deming import SPREADS, line_with_limits
from cohortkit.agreement.pairing import Pairs
from cohortkit.agreement.passing_bablok import (
    cusum,
    intercept_of,
    pair_slopes,
    shifted_median,
    slope_with_limits,
)
from tests.agreement.planted_pairs import Design, Growing
from tests.covered import Page, Row, write

DESIGNS = [
    Design(20),
    Design(50),
    Design(50, error=0.3),
    Design(30, 2, alike=0.5, clinging=0.5),
    Design(15, 3, alike=0.5, clinging=0.5),
    Design(50, step=0.1),
    Design(100, step=0.1),
    Design(50, step=0.2),
]
GROWING = [
    Growing(20),
    Growing(50),
    Growing(50, cv=0.2),
    Growing(30, 2, alike=0.5, clinging=0.5),
    Growing(15, 3, alike=0.5, clinging=0.5),
    Growing(50, step=0.1),
]


def measure(
    design: Design, n_sim: int, seed: int = 7, *, ignore_participants: bool = False
) -> dict[str, float]:
    """Per cent of samples whose nominal 95 % interval held the truth, by name."""
    generator = np.random.default_rng(seed)
    truth = {
        "concordance": design.concordance,
        "scale_shift": design.slope,
        "location_shift": design.location_shift,
        "deming slope": design.slope,
        "deming intercept": design.intercept,
        "pb slope": design.slope,
        "pb intercept": design.intercept,
    }
    held = dict.fromkeys(truth, 0)
    for _ in range(n_sim):
        pairs = design.draw(generator)
        if ignore_participants:
            pairs = replace(pairs, cluster=np.arange(len(pairs.first)))
        limits = _all_limits(pairs, design.slope**2)
        for name, true in truth.items():
            held[name] += limits[name][0] <= true <= limits[name][1]
    return {name: 100 * count / n_sim for name, count in held.items()}


def _all_limits(pairs: Pairs, ratio: float) -> dict[str, tuple[float, float]]:
    x, y = pairs.first, pairs.second
    values = dict(zip(NAMES, components(x, y).tolist(), strict=True))
    _, deming = line_with_limits(pairs, ratio, 0.95)
    _, _, slopes, _ = slope_with_limits(pairs, 0.95)
    low, high = sorted(intercept_of(x, y, b) for b in slopes)
    return {
        **limits_of_components(pairs, values, 0.95),
        **{f"deming {name}": limits for name, limits in deming.items()},
        "pb slope": slopes,
        "pb intercept": (low, high),
    }


def measure_growing(design: Growing, n_sim: int, seed: int = 7) -> dict[str, float]:
    """As `measure`, for Deming lines through points whose errors grow with size.

    Both the fit that knows it (proportional) and the one that takes one error for all.
    """
    generator = np.random.default_rng(seed)
    truth = {"slope": design.slope, "intercept": design.intercept}
    held = {f"{spread} {name}": 0 for spread in SPREADS for name in truth}
    for _ in range(n_sim):
        pairs = design.draw(generator)
        for spread in SPREADS:
            _, limits = line_with_limits(pairs, design.ratio, 0.95, spread)
            for name, true in truth.items():
                held[f"{spread} {name}"] += limits[name][0] <= true <= limits[name][1]
    return {name: 100 * count / n_sim for name, count in held.items()}


def cusum_alarms(design: Design, n_sim: int, bound: float, seed: int = 7) -> float:
    """Per cent of straight relations that the cusum calls curved."""
    generator = np.random.default_rng(seed)
    alarms = 0
    for _ in range(n_sim):
        pairs = design.draw(generator)
        slope = shifted_median(pair_slopes(pairs.first, pairs.second))
        intercept = intercept_of(pairs.first, pairs.second, slope)
        alarms += cusum(pairs.first, pairs.second, slope, intercept) > bound
    return 100 * alarms / n_sim


def label(design: Design | Growing) -> str:
    """Participants and pairs of each."""
    return f"{design.participants} x {design.fingers}"


def what(design: Design | Growing) -> str:
    """What is special about a design."""
    if design.step:
        return f"rounded to {design.step:g} mm"
    if design.fingers > 1:
        return "fingers alike"
    if isinstance(design, Growing):
        return f"coefficient of variation {100 * design.cv:g} %"
    return f"error {design.error:g} mm"


def coverage_rows(n_sim: int) -> list[Row]:
    """Coverage of every design and figure."""
    plain = [(d, "constant", measure(d, n_sim)) for d in DESIGNS]
    growing = [(d, "proportional", measure_growing(d, n_sim)) for d in GROWING]
    rows = []
    for design, errors, found in (*plain, *growing):
        words = f"{label(design)} | {what(design)} | {errors}"
        rows += [Row(words, name, per_cent / 100, n_sim) for name, per_cent in found.items()]
    return rows


PAGE = Page(
    name="methods",
    title="method comparison",
    module="tests.agreement.covered_pairs",
    columns=(
        "concordance",
        "scale_shift",
        "location_shift",
        "deming slope",
        "deming intercept",
        "pb slope",
        "pb intercept",
        *(f"{s} {n}" for s in SPREADS for n in ("slope", "intercept")),
    ),
    rows=coverage_rows,
    words='"pb" is Passing-Bablok. Where errors are proportional to size, two Deming lines were '
    "fitted to the same samples: one that knows it (proportional), one that takes one error for all "
    "(constant). Deming lines take the true ratio of the errors.",
    design=("participants x pairs", "what", "errors"),
)

if __name__ == "__main__":
    write(PAGE, Path(sys.argv[1]), int(sys.argv[2]))
