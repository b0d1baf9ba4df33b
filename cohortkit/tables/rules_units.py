"""Rules that catch gaps whose unit was taken for another: cm for mm, or mm for cm.

A gap in cm is a tenth of itself in mm, and the two barely overlap. Mean gaps
published in cm are 0.14 (A2 at rest), 0.30 (A2 loaded) and 0.51 (A2 loaded,
complete rupture) (Klauser et al. 1999). In mm, an intact loaded A2 measures a
median of 0.95 (Iruretagoiena et al. 2023), a completely torn loaded A4 a mean of
2.9 and A2 of 4.4 (Schneeberger et al. 2016). Each limit below lies between the
two scales, at about their geometric middle. A3 is another quantity and is not
judged. What cannot be told apart: a clinic that sends nothing but ruptures, in cm
and without their status, since 0.5 may then be a rupture in cm or a thin gap in mm.

Gaps in mm that are read as cm are ten times too large. Published means of completely
torn pulleys under load run to 5.1 mm (the largest that of Klauser et al. 1999, A2); an
A4 rupture at rest measures about 3.1 mm (common practice, no source). Intact gaps are
0.8 to 2.0 mm loaded and about 0.5 to 1.4 mm at rest (working ranges of the field, from
memory), so ten times as much is 8 to 20 and 5 to 14.
The limits for tenfold gaps lie between, high enough for a clinic that sends nothing
but ruptures. Cells above the range of the column count here, though each is refused
by itself; otherwise only the small gaps of such a clinic would be left to judge.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortkit.tables.verdicts import (
    Flags,
    Tables,
    Verdict,
    beside,
    equal,
    get,
    known,
    numbers,
    said,
    site_of_scans,
    verdict,
)

_REST_MM = 0.2
_LOADED_MM = 0.45
_LOADED_TORN_MM = 1.0
_TENFOLD_REST_MM = 4.5
_TENFOLD_LOADED_MM = 7.0
_TENFOLD = (_TENFOLD_LOADED_MM, _TENFOLD_REST_MM)
FEWEST = 3
_FEW = 5


def _torn(tables: Tables, frame: pd.DataFrame) -> Flags:
    """True where the reading's pulley is completely torn in the scan's episode."""
    tears = get(tables, "tears")
    complete = tears[equal(tears["status"], "complete")]
    episode = beside(frame, "scan_id", get(tables, "scans"), "episode_id")["episode_id"]
    wanted = pd.MultiIndex.from_arrays([episode.astype(object), frame["pulley"].astype(object)])
    held = pd.MultiIndex.from_arrays(
        [complete["episode_id"].astype(object), complete["pulley"].astype(object)]
    )
    return np.asarray(wanted.isin(held)) & episode.notna().to_numpy(dtype=bool)


def _limits(tables: Tables, frame: pd.DataFrame) -> NDArray[np.float64]:
    """Per reading, the gap in mm below which it looks like cm; NaN where none is known."""
    loaded = np.where(_torn(tables, frame), _LOADED_TORN_MM, _LOADED_MM)
    limits = np.where(equal(frame["load"], "loaded"), loaded, _REST_MM)
    bone = equal(frame["pulley"], "A2", "A4") & known(frame, "load", "gap_mm")
    return np.where(bone, limits, np.nan)


def _mostly(odd: pd.Series) -> bool:
    """More than half of the readings; of three or four, all."""
    if len(odd) < _FEW:
        return len(odd) >= FEWEST and bool(odd.all())
    return bool(odd.mean() > 0.5)


def unit_signs(tables: Tables) -> pd.DataFrame:
    """Per reading: site, rater, pulley, load, gap (mm), and what it says of its unit.

    `judged` is true for gaps of A2 and A4 above 0 whose load and site are known;
    0 says nothing of its unit. `small` looks like cm, `large` like ten times too much.
    """
    frame = get(tables, "readings")
    limits = _limits(tables, frame)
    gap = numbers(frame["gap_mm"])
    signs = pd.DataFrame(
        {
            "site": beside(frame, "scan_id", site_of_scans(tables), "site_id")["site_id"],
            "rater": frame["rater_id"],
            "pulley": frame["pulley"],
            "load": frame["load"],
            "gap": gap,
            "small": gap < limits,
            "large": gap > np.where(equal(frame["load"], "loaded"), *_TENFOLD),
        }
    )
    signs["judged"] = ~np.isnan(limits) & known(signs, "site") & (gap > 0)
    return signs


def _suspect_groups(signs: pd.DataFrame) -> tuple[Flags, Flags]:
    """Rows that stand in a group large enough to be judged, and in one that looks like cm.

    Groups are the loaded readings of a site, those of one pulley at a site, and
    all readings at rest of a site that has no loaded ones.
    """
    loaded = signs[signs["judged"] & equal(signs["load"], "loaded")]
    rest = signs[signs["judged"] & equal(signs["load"], "rest")]
    judged, suspect = np.zeros((2, len(signs)), dtype=bool)
    site_of = signs["site"].astype(object)
    for site in site_of.dropna().unique():
        here = (site_of == site).fillna(False).to_numpy(dtype=bool)
        mine = loaded[here[loaded.index]]
        mine = mine if len(mine) else rest[here[rest.index]]
        judged |= here & (len(mine) >= FEWEST)
        if _mostly(mine["small"]):
            suspect |= here
            continue
        for _, group in mine.groupby("pulley"):
            if _mostly(group["small"]):
                suspect[group.index] = True
    return judged & known(signs, "gap"), suspect & known(signs, "gap")


def clinic_gap_not_in_cm(tables: Tables) -> list[Verdict]:
    """The gaps of a clinic are not a tenth of what gaps in mm are.

    Judged on the loaded A2 and A4 readings of a site, together and per pulley; on
    its readings at rest if it has no others; from three readings on. With five or
    more, the middle one decides (it lies below its limit); with fewer, all must.
    Broken are all gaps of the clinic, or the loaded ones of the pulley concerned.
    """
    signs = unit_signs(tables)
    judged, suspect = _suspect_groups(signs)
    message = said(
        signs, "gap {:g} at site {}, most of whose gaps are too small to be in mm", "gap", "site"
    )
    return [verdict("readings", judged, suspect, ("gap_mm",), message)]


def _tenfold_groups(signs: pd.DataFrame) -> tuple[Flags, Flags]:
    """Rows of a site that has a group large enough to be judged, and those that look tenfold.

    Groups are the readings of a site at one load, and those of one pulley among
    them; each may come from a column of its own, with a unit of its own.
    """
    judged, suspect = np.zeros((2, len(signs)), dtype=bool)
    site_of, load_of = signs["site"].astype(object), signs["load"].astype(object)
    can = signs["judged"].to_numpy(dtype=bool)
    for site in site_of.dropna().unique():
        here = (site_of == site).to_numpy(dtype=bool)
        verdicts = []
        for load in ("loaded", "rest"):
            rows = here & (load_of == load).to_numpy(dtype=bool)
            mine = signs[rows & can]
            if len(mine) < FEWEST:
                continue
            verdicts.append(_mostly(mine["large"]))
            suspect |= rows & verdicts[-1]
            for _, group in mine.groupby("pulley"):
                suspect[group.index] |= _mostly(group["large"])
        judged |= here & bool(verdicts)
        suspect |= here & bool(verdicts) & all(verdicts)
    return judged & known(signs, "gap"), suspect & known(signs, "gap")


def clinic_gap_not_tenfold(tables: Tables) -> list[Verdict]:
    """The gaps of a clinic are not ten times what gaps in mm are.

    Judged on the A2 and A4 readings of a site, loaded and at rest apart, together
    and per pulley; from three readings on. With five or more, the middle one
    decides (it lies above its limit); with fewer, all must. Broken are the gaps of
    that load or pulley, and all gaps of the clinic if both loads (or the only one
    that can be judged) look tenfold. A gap above the range of the column counts.
    """
    signs = unit_signs(tables)
    judged, suspect = _tenfold_groups(signs)
    message = said(
        signs, "gap {:g} at site {}, most of whose gaps are too large to be in mm", "gap", "site"
    )
    return [verdict("readings", judged, suspect, ("gap_mm",), message)]
