"""One shape for every result: named estimates with unit, interval and every n."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, fields
from typing import Any

import pandas as pd

from cohortkit import display
from cohortkit.errors import ArgumentError


@dataclass(frozen=True)
class Estimate:
    """One number with its unit, its interval and what it rests on.

    Parameters
    ----------
    name
        Snake-case name of the quantity, such as ``icc_a1`` or ``sem_agreement``.
    value, lower, upper
        Point estimate and limits, in `unit`. NaN says that the figure does not
        exist (a median not reached); an infinite limit says that it is open.
    level
        Coverage of the interval, such as 0.95. NaN if there is no interval.
    unit
        UCUM code: ``mm``, ``1`` for a pure number, ``d``, ``%``. Never empty.
    method
        How value and interval were computed, in words and with the source.
    group
        Which part of the data, as ``pulley=A4; load=loaded``. Empty for all.
    n_participants, n_fingers, n_readings, n_episodes
        What the estimate rests on. None says that the level does not exist in
        the table given (never that it was not counted).

    Raises
    ------
    ArgumentError
        If the unit is empty, the level is outside (0, 1), or the limits are in
        the wrong order.
    """

    name: str
    value: float
    lower: float
    upper: float
    level: float
    unit: str
    method: str
    group: str = ""
    n_participants: int | None = None
    n_fingers: int | None = None
    n_readings: int | None = None
    n_episodes: int | None = None

    def __post_init__(self) -> None:
        for name in ("value", "lower", "upper", "level"):  # plain numbers, not numpy's
            number = getattr(self, name)
            object.__setattr__(self, name, number.item() if hasattr(number, "item") else number)
        if not self.unit:
            raise ArgumentError(
                "An estimate was built without a unit",
                where=f"estimate '{self.name}'",
                next_step="give its UCUM code, '1' for a pure number",
            )
        if not (math.isnan(self.level) or 0 < self.level < 1):
            raise ArgumentError(
                "The coverage of an interval lies between 0 and 1",
                where=f"estimate '{self.name}'",
                found=str(self.level),
                next_step="give a fraction such as 0.95",
            )
        if self.lower > self.upper:
            raise ArgumentError(
                "The lower limit of an interval lies above its upper limit",
                where=f"estimate '{self.name}'",
                found=f"{self.lower} > {self.upper}",
                next_step="report this as a fault of the estimator",
            )

    def __str__(self) -> str:
        return display.estimate_line(asdict(self))


@dataclass(frozen=True)
class Caution:
    """A warning that changes how a number may be used, and travels with it.

    `code` is a snake-case name that tests and docs can point to; `message` is
    the sentence that figures and reports print.
    """

    code: str
    message: str


@dataclass(frozen=True, repr=False)
class Result:
    """Base of every result: estimates, cautions and supporting tables.

    Estimators return a subclass that adds what the picture needs (a curve, an
    at-risk table). `question` names the estimand; `estimates` are in reading
    order; `settings` holds what is needed to run the same call again.
    """

    question: str
    estimates: tuple[Estimate, ...]
    cautions: tuple[Caution, ...] = ()
    settings: dict[str, Any] = field(default_factory=dict)

    def __iter__(self) -> Iterator[Estimate]:
        return iter(self.estimates)

    def __getitem__(self, name: str) -> Estimate:
        """The estimate called `name`, or ``name@group`` if groups share names."""
        wanted, _, group = name.partition("@")
        hits = [e for e in self.estimates if e.name == wanted and (not group or e.group == group)]
        if len(hits) == 1:
            return hits[0]
        known = ", ".join(e.name + (f"@{e.group}" if e.group else "") for e in self.estimates)
        raise ArgumentError(
            "No single estimate has that name" if hits else "No estimate has that name",
            where=f"result '{self.question}'",
            found=f"'{name}'; there are {known or 'none'}",
            next_step="use one of the names listed, with '@group' where a name repeats",
        )

    def to_frame(self) -> pd.DataFrame:
        """Tidy rows, one per estimate; rows of any two results can be stacked."""
        names = [f.name for f in fields(Estimate)]
        rows = [[getattr(e, n) for n in names] for e in self.estimates]
        frame = pd.DataFrame(rows, columns=names)
        for column in (f"n_{level}" for level in display.LEVELS):
            frame[column] = frame[column].astype("Int64")
        return frame

    def to_dict(self) -> dict[str, Any]:
        """Plain, JSON-ready parts at full precision."""
        return {
            "question": self.question,
            "estimates": [asdict(e) for e in self.estimates],
            "cautions": [asdict(c) for c in self.cautions],
            "settings": dict(self.settings),
        }

    def __repr__(self) -> str:
        return display.result_text(self.to_dict())

    def _repr_html_(self) -> str:
        return display.result_html(self.to_dict())
