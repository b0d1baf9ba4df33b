"""Rules on several readings of one scan."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortkit.tables.verdicts import (
    Tables,
    Verdict,
    beside,
    differ,
    equal,
    get,
    known,
    numbers,
    said,
    site_of_scans,
    verdict,
)

_SERIES = ["scan_id", "rater_id", "pulley", "caliper_site", "read_mode"]


def read_no_consecutive(tables: Tables) -> list[Verdict]:
    """Repeats are numbered 1, 2, 3, ... without hole or double.

    A series is one scan, rater, pulley, caliper site, load state and mode. All
    rows of a series with another numbering are broken.
    """
    frame = get(tables, "readings")
    judged = known(frame, "scan_id", "rater_id", "pulley", "load", "read_mode", "read_no")
    series = frame.groupby([*_SERIES, "load"], dropna=False, sort=False)["read_no"]
    sizes = numbers(series.transform("size"))
    distinct = numbers(series.transform("nunique"))
    largest, smallest = numbers(series.transform("max")), numbers(series.transform("min"))
    broken = (smallest != 1) | (largest != sizes) | (distinct != sizes)
    message = said(frame, "read_no {} belongs to a series that is not 1, 2, 3, ...", "read_no")
    return [verdict("readings", judged, broken, ("read_no",), message)]


def _rest_partner(frame: pd.DataFrame, lowest: NDArray[np.float64]) -> pd.Series:
    """Smallest gap at rest that belongs to each row's series and number; NaN if none."""
    series = frame.groupby([*_SERIES, "read_no"], dropna=False, sort=False).ngroup()
    rest = pd.Series(np.where(equal(frame["load"], "rest"), lowest, np.nan))
    return rest.groupby(series.to_numpy()).transform("min")


def loaded_gap_not_below_rest(tables: Tables) -> list[Verdict]:
    """A gap against resistance is not smaller than the same gap at rest.

    Compared within one scan, rater, pulley, caliper site, mode and number. A gap
    below resolution stands for anything from 0 to its limit, and breaks the rule
    only if every such value does.
    """
    frame = get(tables, "readings")
    gap, limit = numbers(frame["gap_mm"]), numbers(frame["resolution_mm"])
    hidden = equal(frame["below_resolution"], True)
    rest = _rest_partner(frame, np.where(hidden, 0.0, gap))
    largest = np.where(hidden, limit, gap)
    loaded = equal(frame["load"], "loaded")
    comparable = rest.notna().to_numpy() & ~np.isnan(largest)
    judged = known(frame, "load") & (~loaded | comparable)
    told = pd.DataFrame({"largest": largest, "rest": rest.to_numpy()})
    message = said(told, "the loaded gap of {} mm is below {} mm at rest", "largest", "rest")
    broken = loaded & (largest < rest.to_numpy())
    return [verdict("readings", judged, broken, ("gap_mm", "load"), message)]


def rater_at_own_site(tables: Tables) -> list[Verdict]:
    """A rater who reads live belongs to the site of the participant.

    Stored images may be read anywhere, so they are kept.
    """
    frame = get(tables, "readings")
    home = beside(frame, "rater_id", get(tables, "raters"), "site_id")["site_id"]
    here = beside(frame, "scan_id", site_of_scans(tables), "site_id")["site_id"]
    stored = equal(frame["read_mode"], "stored")
    told = pd.DataFrame({"home": home, "here": here})
    judged = stored | (known(told, "home", "here") & known(frame, "read_mode"))
    message = said(told, "a rater of site {} read live at site {}", "home", "here")
    broken = ~stored & differ(home, here)
    return [verdict("readings", judged, broken, ("rater_id", "scan_id"), message)]
