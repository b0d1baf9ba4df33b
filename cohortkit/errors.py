"""Errors that say what stopped, where, what was found, and what to do next.

Every error a user can cause is a `CohortkitError`. The command line prints its
text without a traceback and leaves with the class's `exit_code`.
"""

from __future__ import annotations

import re
from typing import Self

_TOLD = re.compile(
    r"(?P<what>.+?)\.(?: Where: (?P<where>.+?)\.)?(?: Found: (?P<found>.+?)\.)?"
    r" Next: (?P<next_step>.+)\.",
    re.DOTALL,
)


class CohortkitError(Exception):
    """A problem the user can act on.

    Parameters
    ----------
    what
        One sentence: what could not be done.
    where
        The place: file, line, column, site, argument. May be empty.
    found
        What stood there. May be empty.
    next_step
        What the reader should do now. Never empty.
    """

    exit_code = 1

    def __init__(self, what: str, *, next_step: str, where: str = "", found: str = "") -> None:
        self.what = what
        self.where = where
        self.found = found
        self.next_step = next_step
        super().__init__(self.text())

    def text(self) -> str:
        """The message in reading order, one line."""
        parts = [self.what.rstrip(".") + "."]
        if self.where:
            parts.append(f"Where: {self.where}.")
        if self.found:
            parts.append(f"Found: {self.found}.")
        parts.append(f"Next: {self.next_step.rstrip('.')}.")
        return " ".join(parts)

    @classmethod
    def from_text(cls, text: str) -> Self | None:
        """The error that a `text` tells, as from another process; None if it is told otherwise."""
        told = _TOLD.fullmatch(text)
        return cls(**told.groupdict(default="")) if told else None

    def within(self, place: str) -> Self:
        """The same error with a wider place, such as the site, named in front of its own."""
        where = f"{place}, {self.where}" if self.where else place
        return type(self)(self.what, where=where, found=self.found, next_step=self.next_step)


class ArgumentError(CohortkitError, ValueError):
    """An argument has a value that the function or command does not take."""

    exit_code = 2


class MappingError(CohortkitError):
    """A clinic's mapping file is wrong; nothing was read from the clinic's data."""

    exit_code = 3


class SourceError(CohortkitError):
    """A clinic's file cannot be read as its mapping declares it."""

    exit_code = 4


class PoolingError(CohortkitError):
    """Sites cannot be joined as they stand."""

    exit_code = 6


class IdentifierError(CohortkitError):
    """Something that looks like a person's identifier stands before a release."""

    exit_code = 7


class ReleaseError(CohortkitError):
    """A release cannot be written or opened."""

    exit_code = 8


class IntegrityError(ReleaseError):
    """A release's bytes are not those that its manifest names."""

    exit_code = 9


class TableError(CohortkitError, ValueError):
    """A table given to an estimator lacks a column, or holds values it cannot take."""

    exit_code = 10


class EstimateError(CohortkitError):
    """The data cannot carry the estimate asked for; the message says what can."""

    exit_code = 11


class MissingPackageError(CohortkitError, ImportError):
    """An optional package is needed and not installed."""

    exit_code = 12


class PlanError(CohortkitError):
    """The statistical analysis plan is wrong; nothing was estimated."""

    exit_code = 14
