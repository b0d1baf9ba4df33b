"""What every planned size shares: the search for the smallest number, and the result."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import pandas as pd
from scipy import stats

from cohortkit import checks
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.estimate import Caution, Estimate, Result

MOST = 5000


@dataclass(frozen=True, repr=False, eq=False)
class PlannedSize(Result):
    """Participants needed, and the interval width expected for other numbers of them.

    The estimates are ``participants`` and ``width``, the width expected with them; if it
    was simulated also ``width_error``, its Monte Carlo standard error. `curve` has the
    columns participants and width.
    """

    curve: pd.DataFrame = field(default_factory=pd.DataFrame)


@dataclass(frozen=True)
class Hand:
    """Fingers of each participant, and the correlation of two of them."""

    fingers: int
    correlation: float

    @property
    def inflation(self) -> float:
        """Variance of a mean over fingers, relative to as many independent ones (Kish 1965)."""
        return 1 + (self.fingers - 1) * self.correlation

    def settings(self) -> dict[str, float | int | None]:
        """What is needed to ask again."""
        known = self.correlation if self.fingers > 1 else None
        return {"fingers": self.fingers, "correlation": known}


def hand(fingers: int, correlation: float | None) -> Hand:
    """Check the two; the correlation is needed, and looked at, with several fingers only.

    Raises
    ------
    ArgumentError
        Not a whole number, or a correlation outside 0 to 1 or not given.
    """
    count = checks.count("fingers", fingers)
    if count == 1:
        return Hand(1, 0.0)
    if correlation is None or not 0 <= correlation <= 1:
        raise ArgumentError(
            "With several fingers of a participant, argument 'correlation' says how alike two of "
            "them are, from 0 to 1",
            found=repr(correlation),
            next_step="give what an earlier study showed; 1 is the most careful plan",
        )
    return Hand(count, float(correlation))


def normal_quantile(level: float) -> float:
    """Of a two-sided interval, 1.96 for 95 %."""
    return float(stats.norm.ppf((1 + checks.proportion("level", level)) / 2))


def above_zero(name: str, value: float) -> None:
    """Stop unless `value` is a finite number above zero."""
    if not value > 0 or math.isinf(value):
        raise ArgumentError(
            f"Argument '{name}' is a number above zero",
            found=repr(value),
            next_step="give it in the unit of the values",
        )


def smallest(width_at: Callable[[int], float], width: float, start: int) -> int:
    """The smallest n whose width is at most the wanted one, by doubling and halving.

    Raises
    ------
    EstimateError
        If 5,000 participants do not reach it.
    """
    low, high = start - 1, max(start, 8)
    while width_at(high) > width:
        low, high = high, 2 * high
        if low >= MOST:
            raise EstimateError(
                f"{MOST} participants are not enough for an interval of that width",
                found=f"width {width_at(MOST):.3g} with {MOST} participants",
                next_step="plan more raters, where raters' shifts count as error; or take a wider "
                "interval",
            )
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if width_at(middle) <= width else (middle, high)
    return high


@dataclass(frozen=True)
class Answer:
    """What was planned, in words and unit, and how its width is found.

    `error` is the Monte Carlo standard error of the width with `n` participants, NaN if
    nothing was simulated; `notes` are cautions of this plan alone.
    """

    what: str
    n: int
    width_at: Callable[[int], float]
    unit: str
    way: str
    fingers: int = 1
    error: float = math.nan
    notes: tuple[Caution, ...] = ()

    def result(self, settings: dict[str, Any]) -> PlannedSize:
        """Estimates, cautions and the curve."""
        n = self.n
        build = partial(Estimate, lower=math.nan, upper=math.nan, level=math.nan)
        sizes = sorted({max(3, round(n * share)) for share in (0.5, 0.75, 1, 1.5, 2, 3)} | {n})
        estimates = [
            build("participants", float(n), unit="{participants}", method=self.way),
            build("width", self.width_at(n), unit=self.unit, method=f"expected; {self.way}"),
        ]
        if not math.isnan(self.error):
            words = "Monte Carlo standard error of the width, at most"
            estimates.append(build("width_error", self.error, unit=self.unit, method=words))
        return PlannedSize(
            question=f"How many participants for an interval of {self.what}?",
            estimates=tuple(estimates),
            cautions=self._cautions(),
            settings=settings,
            curve=pd.DataFrame({"participants": sizes, "width": [self.width_at(s) for s in sizes]}),
        )

    def _cautions(self) -> tuple[Caution, ...]:
        few = Caution(
            "small_plan",
            f"{self.n} participants: formulas for large samples and normal values are rough here; "
            "at least 30 are advised (rule of thumb of Koo & Li 2016).",
        )
        of_each = "one finger" if self.fingers == 1 else f"{self.fingers} fingers"
        assumed = Caution(
            "planned_values_assumed",
            f"The number holds for the values planned, {of_each} of each participant, and no "
            "reading lost.",
        )
        return (*((few,) if self.n < 30 else ()), assumed, *self.notes)
