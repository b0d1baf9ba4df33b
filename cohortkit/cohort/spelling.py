"""The written table by which a cell's text is brought to one spelling before it is read.

Spaces of all kinds at the ends go, invisible marks go, digits and signs of East Asian width
and the typographic minus become the plain ones. Nothing else is changed, and the text as it
came is kept beside.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import get_close_matches

_SPACES = "\u00a0\u2002\u2003\u2007\u2008\u2009\u200a\u202f\u3000"
_INVISIBLE = "\u00ad\u200b\u200c\u200d\u200e\u200f\u2060\ufeff"
_PLAIN = {"\u2212": "-", "\uff0d": "-", "\u2010": "-", "\u2011": "-", "\uff0b": "+"} | {
    "\uff0e": ".",
    "\uff0c": ",",
}
SPELLING = str.maketrans(
    dict.fromkeys(_SPACES, " ")
    | dict.fromkeys(_INVISIBLE, "")
    | _PLAIN
    | {chr(0xFF10 + n): str(n) for n in range(10)}
)
"""Character to the plain character it stands for."""

_MONTH = (
    r"(?:jan|jän|gen|ene|feb|fév|fev|fèv|mar|mär|mrz|apr|avr|abr|mai|may|mag|jun|juin|giu|jul|juil|"
    r"lug|aug|aoû|ago|sep|set|oct|okt|ott|nov|dec|dez|déc|dic)[a-zäéûè]*\.?"
)
_WITH_MONTH = rf"\d{{1,2}}[-. /]{{1,2}}{_MONTH}(?:[-. /]\d{{2,4}})?|{_MONTH}[-. /]\d{{2,4}}"
_CLOCK = r"(?:[ T]\d{1,2}:\d{2}(?::\d{2})?)?"
_CALENDAR = r"(?:19|20)\d\d[-./]\d{1,2}[-./]\d{1,2}|\d{1,2}[-./]\d{1,2}[-./](?:19|20)\d\d"
_DATE = re.compile(rf"(?:{_CALENDAR}|{_WITH_MONTH}){_CLOCK}", re.IGNORECASE)
_SHORT_DATE = re.compile(rf"\d{{1,2}}[-./]\s?\d{{1,2}}[-./](?:\s?\d{{2}})?{_CLOCK}")


def normal(text: str) -> str:
    """The text in plain spelling, without space at its ends."""
    if text.isascii():
        return text.strip()
    return text.translate(SPELLING).strip()


def nearest(name: str, known: Iterable[str]) -> str:
    """A hint at the known name that is spelled most alike; empty if none is."""
    close = get_close_matches(name, list(known), n=1, cutoff=0.6)
    return f"; did you mean '{close[0]}'?" if close else ""


def looks_like_date(text: str, *, short: bool = False) -> bool:
    """Whether a text is a date as spreadsheets write them when they rewrite a label.

    With `short`, dates without a full year count too; codes of a clinic may look like those.
    """
    return bool(_DATE.fullmatch(text)) or (short and bool(_SHORT_DATE.fullmatch(text)))
