"""Rules that compare a gap, or a rater's gaps, with the other gaps of their clinic.

A clinic whose gaps are in one wrong unit is recognised by itself (`rules_units`). Here
the clinic's own gaps in mm are the measure, of the same pulley and load state. A gap
is set apart from them by a factor of more than four, between one and ten and far
beyond the scatter of intact pulleys (loaded 0.8 to 2.0 mm, working range of the field,
from memory).

A tear opens the gap several times over, so only uninjured fingers can be said to be
tenfold. What cannot be told: one half of a rater's persons in cm, the other in mm;
there, each gap is suspected by itself.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortkit.tables.rules_units import FEWEST, unit_signs
from cohortkit.tables.verdicts import (
    Flags,
    Tables,
    Verdict,
    beside,
    get,
    known,
    numbers,
    said,
    verdict,
)

_SEPARATION = 4.0
_FEWEST_OF_RATER = 10


def _kind(signs: pd.DataFrame) -> list[pd.Series]:
    """Keys of the readings that are compared: site, pulley, load state."""
    return [signs[key].astype(object) for key in ("site", "pulley", "load")]


def _peers(
    signs: pd.DataFrame, fit: Flags, fewest: int
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Median gap (mm) of the fit readings of each reading's kind, and whether there are enough."""
    peers = signs["gap"].where(fit).groupby(_kind(signs), dropna=False, sort=False)
    return numbers(peers.transform("median")), numbers(peers.transform("count")) >= fewest


def reading_not_in_cm(tables: Tables) -> list[Verdict]:
    """No single gap is a tenth of what its clinic's other gaps are.

    Broken is a gap of A2 or A4 that lies below its limit and below a quarter of
    the median of the other gaps of the same site, pulley and load state that lie
    above theirs. Not judged with fewer than three such gaps, nor a gap of 0.
    """
    signs = unit_signs(tables)
    can, small = signs["judged"].to_numpy(dtype=bool), signs["small"].to_numpy(dtype=bool)
    usual, enough = _peers(signs, can & ~small, FEWEST)
    broken = small & (numbers(signs["gap"]) * _SEPARATION < usual)
    told = signs.assign(usual=usual)
    message = said(told, "gap {:g} where most are near {:.3g}: perhaps in cm", "gap", "usual")
    return [verdict("readings", can & enough, broken, ("gap_mm",), message)]


def reading_not_tenfold(tables: Tables) -> list[Verdict]:
    """No single gap of an uninjured finger is ten times what its clinic's others are.

    Broken is a gap of A2 or A4 above four times the median of the gaps of uninjured
    fingers of the same site, pulley and load state; gaps that look like cm are left
    out of the median. Not judged are scans of an episode, and kinds with fewer than
    three gaps beside the one judged.
    """
    signs = unit_signs(tables)
    episode = beside(get(tables, "readings"), "scan_id", get(tables, "scans"), "episode_id")
    can = signs["judged"].to_numpy(dtype=bool) & ~known(episode, "episode_id")
    usual, enough = _peers(signs, can & ~signs["small"].to_numpy(dtype=bool), FEWEST + 1)
    broken = numbers(signs["gap"]) > _SEPARATION * usual
    told = signs.assign(usual=usual)
    message = said(
        told, "gap {:g} where most are near {:.3g}: perhaps ten times too large", "gap", "usual"
    )
    return [verdict("readings", can & enough, broken, ("gap_mm",), message)]


def _usual_of_others(signs: pd.DataFrame) -> NDArray[np.float64]:
    """Per reading, the median gap (mm) of the site's other raters, pulley and load alike.

    Gaps that look like cm are left out. NaN where the others have fewer than ten.
    """
    usual = np.full(len(signs), np.nan)
    rater = pd.factorize(signs["rater"].astype(object))[0]
    can = signs["judged"].to_numpy(dtype=bool) & (rater >= 0)
    fit, gap = can & ~signs["small"].to_numpy(dtype=bool), numbers(signs["gap"])
    kind = signs[can].groupby(_kind(signs[can]), sort=False).ngroup().to_numpy()
    for rows in (np.flatnonzero(can)[kind == number] for number in np.unique(kind)):
        for one in np.unique(rater[rows]):
            others = rows[(rater[rows] != one) & fit[rows]]
            if len(others) >= _FEWEST_OF_RATER:
                usual[rows[rater[rows] == one]] = np.median(gap[others])
    return usual


def _share(low: pd.Series, keys: list[pd.Series]) -> NDArray[np.float64]:
    """Share of low gaps in each reading's group; NaN where fewer than ten can be compared."""
    groups = low.groupby(keys, dropna=False, sort=False)
    enough = numbers(groups.transform("count")) >= _FEWEST_OF_RATER
    return np.where(enough, numbers(groups.transform("mean")), np.nan)


def rater_gap_not_in_cm(tables: Tables) -> list[Verdict]:
    """The gaps of a rater are not a tenth of what the clinic's other raters read.

    A gap of A2 or A4 is low if it lies below its limit and below a quarter of the
    median of the other raters of its site, pulley and load state (gaps above their
    limit, ten at least). Broken are a rater's gaps of a pulley and load state if more
    than half are low, and where fewer than ten can be compared, all of the rater's
    gaps at the site if more than half of those are. Not judged if fewer than ten of
    the rater's gaps at the site can be compared.
    """
    signs = unit_signs(tables)
    usual = _usual_of_others(signs)
    below = signs["small"].to_numpy(dtype=bool) & (numbers(signs["gap"]) * _SEPARATION < usual)
    low = pd.Series(np.where(np.isnan(usual), np.nan, below))
    rater = signs["rater"].astype(object)
    overall = _share(low, [signs["site"].astype(object), rater])
    of_kind = _share(low, [*_kind(signs), rater])
    share = np.where(np.isnan(of_kind), overall, of_kind)
    judged = ~np.isnan(share) & known(signs, "gap", "rater", "site")
    message = said(
        signs,
        "gap {:g}: the gaps of rater {} at site {} look like cm beside those of other raters",
        *("gap", "rater", "site"),
    )
    return [verdict("readings", judged, share > 0.5, ("gap_mm", "rater_id"), message)]
