"""Dates in one declared format; no guessing, no locale, no two-digit years."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

from cohortkit.cohort.sheets import DATE

_DIGITS = {"d": "{1,2}", "m": "{1,2}", "Y": "{4}", "H": "{1,2}", "M": "{1,2}", "S": "{1,2}"}
_ISO = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})(?: [0-9]{2}:[0-9]{2}(?::[0-9.]+)?)?")
_SERIAL = re.compile(r"[0-9]{5}(?:[.,][0-9]+)?")
_YEARS = range(1900, 2101)


def unsupported(date_format: str) -> str:
    """Why a date format is not taken; empty if it is."""
    used = re.findall(r"%(.)", date_format, flags=re.DOTALL)
    other = [f"%{c}" for c in used if c not in _DIGITS]
    if other or date_format.endswith("%"):
        return f"{', '.join(other) or '%'} is not known; known are %d %m %Y %H %M %S"
    twice = sorted({f"%{c}" for c in used if used.count(c) > 1})
    if twice:
        return f"{', '.join(twice)} stands there twice"
    absent = [f"%{c}" for c in "dmY" if c not in used]
    return f"{', '.join(absent)} is missing" if absent else ""


def _pattern(date_format: str) -> re.Pattern[str]:
    parts = re.split(r"(%.)", date_format)
    text = ""
    for at, part in enumerate(parts):
        if not part.startswith("%"):
            text += re.escape(part)
            continue
        after_other = at > 1 and parts[at - 1] == ""
        before_other = at + 2 < len(parts) and parts[at + 1] == ""
        touching = after_other or before_other
        digits = "{2}" if touching and part != "%Y" else _DIGITS[part[1]]
        text += f"(?P<{part[1]}>[0-9]{digits})"
    return re.compile(text)


@dataclass(frozen=True)
class DateRead:
    """Day number (proleptic ordinal), or the code of what is wrong.

    `fits` says whether the text also, or only, makes a date with day and month
    exchanged.
    """

    ordinal: int | None
    code: str = ""
    fits_exchanged: bool = False


def _date(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


class DateReader:
    """Reads texts in one format; in sheets, true date cells and ISO text besides."""

    def __init__(self, date_format: str, *, from_sheet: bool) -> None:
        self.date_format = date_format
        self._from_sheet = from_sheet
        self._pattern = _pattern(date_format)

    def read(self, text: str, kind: str = "") -> DateRead:
        """One cell, in plain spelling and not missing."""
        iso = _ISO.fullmatch(text) if kind == DATE or self._from_sheet else None
        found = self._pattern.fullmatch(text)
        if iso:
            year, month, day = int(iso[1]), int(iso[2]), int(iso[3])
        elif found:
            year, month, day = int(found["Y"]), int(found["m"]), int(found["d"])
            clock = found.groupdict()
            if not self._clock_exists(clock):
                return DateRead(None, "date_not_in_format")
        elif self._from_sheet and _SERIAL.fullmatch(text):
            return DateRead(None, "date_as_serial_number")
        else:
            return DateRead(None, "date_not_in_format")
        date = _date(year, month, day)
        exchanged = not iso and _date(year, day, month) is not None
        if date is None:
            return DateRead(None, "date_not_in_format", exchanged)
        if year not in _YEARS:
            return DateRead(None, "date_out_of_range")
        return DateRead(date.toordinal(), "", exchanged and day != month)

    @staticmethod
    def _clock_exists(clock: dict[str, str]) -> bool:
        limits = {"H": 24, "M": 60, "S": 60}
        return all(int(clock[c]) < limit for c, limit in limits.items() if c in clock)
