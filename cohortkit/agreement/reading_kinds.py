"""What kind of readings a table holds: live or of stored clips, single or means of several.

Both are columns of the format, used where the table has them. Every estimator of agreement
asks here, so that a mix is met in the same way everywhere.
"""

from __future__ import annotations

import pandas as pd

from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution
from cohortkit.mixed.averaged import averaged_caution, one_kind

__all__ = [
    "KINDS",
    "averaged_caution",
    "both_modes",
    "one_kind",
    "scanning_caution",
    "stored_count",
]

KINDS = ("reads_averaged", "read_mode")
_SCANNING = "the error of scanning (where the probe is put, how the finger is held and loaded)"
_NEXT = "For that, let the raters scan the fingers anew and use those live readings."


def both_modes(rows: pd.DataFrame) -> bool:
    """Whether live readings and readings of stored clips are mixed.

    Raises
    ------
    EstimateError
        If they are, and some rows do not say which they are.
    """
    if "read_mode" not in rows or not {"live", "stored"} <= set(rows["read_mode"].dropna()):
        return False
    other = int((~rows["read_mode"].isin(["live", "stored"])).sum())
    if not other:
        return True
    raise EstimateError(
        "Live and stored readings are mixed, and some rows are neither",
        where="column 'read_mode'",
        found=f"rows without 'live' or 'stored': {other} of {len(rows)}",
        next_step="fill the column, or keep the rows of one mode",
    )


def stored_count(rows: pd.DataFrame) -> int:
    """Number of rows that are readings of stored clips; 0 if the table does not say."""
    return int(rows["read_mode"].eq("stored").sum()) if "read_mode" in rows else 0


def scanning_caution(n_stored: int, n: int) -> list[Caution]:
    """A caution if readings of stored clips are among the n: nobody scanned between them.

    Two readings of one stored clip differ in the reading alone. A finger that comes back for
    a second visit is scanned anew, so that a change must be told from a larger error.
    """
    if not n_stored:
        return []
    if n_stored == n:
        text = (
            f"All readings are of stored clips, so {_SCANNING} is missing from them. Agreement "
            "looks too good, and errors, smallest changes and limits too small, to judge a change "
            f"between two visits. {_NEXT}"
        )
        return [Caution("scanning_error_missing", text)]
    text = (
        f"{n_stored} of {n} readings are of stored clips, so {_SCANNING} is missing from them. "
        "What rests on them, above all the difference between raters, looks too small to judge a "
        f"change between two visits. {_NEXT}"
    )
    return [Caution("scanning_error_partly_missing", text)]
