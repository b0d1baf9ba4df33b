"""One outcome type, one way in: when an event happened, known only between two days."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from cohortkit.errors import TableError


@dataclass(frozen=True)
class Outcome:
    """Times known to lie in (left, right], in days; n of each.

    `left` is the last day on which the event was known not to have happened, `right`
    the first on which it was known to have. Infinite `right`: not yet, when last
    seen on day `left`. Equal: the day itself is known. `left` 0: no earlier than day 0.

    Takes neither dates nor an event flag: see `Outcome.seen` for the flag.

    Raises
    ------
    TableError
        If a value is missing, `left` is negative or infinite, or `left` lies after
        `right`. Names how many rows and the first.
    """

    left: np.ndarray
    right: np.ndarray

    def __post_init__(self) -> None:
        wrong = (
            (np.isnan(self.left) | np.isnan(self.right), "a day is missing"),
            (np.isinf(self.left), "the day last known without the event is infinite"),
            (self.left < 0, "a day lies before day 0"),
            (self.left > self.right, "the left day lies after the right day"),
        )
        for bad, words in wrong:
            if bad.any():
                first = int(np.flatnonzero(bad)[0])
                raise TableError(
                    f"An outcome is an interval of days (left, right], but {words}",
                    where=f"row {first} (counted from 0)",
                    found=f"{int(bad.sum())} rows, the first with left {self.left[first]:g} and "
                    f"right {self.right[first]:g}",
                    next_step="correct those days; not yet returned is written as right = inf",
                )

    @classmethod
    def from_columns(cls, left: ArrayLike, right: ArrayLike) -> Outcome:
        """Build from two columns of days, after every check."""
        return cls(np.asarray(left, dtype=float), np.asarray(right, dtype=float))

    @property
    def exact(self) -> np.ndarray:
        """(n,) rows whose day is known."""
        return self.left == self.right

    @property
    def ended(self) -> np.ndarray:
        """(n,) rows in which the event had not been seen when follow-up ended."""
        return np.isinf(self.right)

    def seen(self) -> tuple[np.ndarray, np.ndarray]:
        """Day of the visit that found the event (else the last day), and whether one did.

        The event happened before that visit, so times made this way are too late.
        """
        return np.where(self.ended, self.left, self.right), ~self.ended
