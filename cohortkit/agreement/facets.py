"""Which sources of variance these readings can tell apart, and why not the others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.agreement.reading_kinds import KINDS, averaged_caution, one_kind, stored_count
from cohortkit.agreement.shared_rows import (
    RATERS_SITE,
    WAY_OUT_OF_SITES,
    each_reading_once,
    groups,
    one_site_each,
    stop_at_unseen,
    unseen,
)
from cohortkit.errors import EstimateError, TableError
from cohortkit.estimate import Caution
from cohortkit.mixed import separability
from cohortkit.mixed.design import ROUNDING, build
from cohortkit.mixed.equations import assemble

# Asked in this order, so that of two that cannot be told apart the first stays.
ASKED = ("participant", "finger", "scan", "rater", "subject_rater", "site", "rater_site")
# Taken out of the sums of squares in this order: wide before narrow, objects before raters.
ORDER = ("site", "participant", "finger", "scan", "rater_site", "rater", "subject_rater")
# The order where few scans have two raters: raters are then compared through their patients too,
# and the spread of patients is free of the raters' shifts, which hardly anything else shows.
RATERS_FIRST = ("site", "rater_site", "rater", "participant", "finger", "scan", "subject_rater")
FEW_CONTRASTS = 4
_MOST_WORK = 2e10  # cells times the square of the levels: a quarter of a minute
_EXTRAS = (*KINDS, "below_resolution", "injured")


@dataclass(frozen=True)
class Facets:
    """Readings with their roles, and the factors that can be told apart.

    Parameters
    ----------
    rows
        Columns value and one per role, levels as codes; only rows in use.
    factors
        Roles that become random factors, in the order of `ORDER` or `RATERS_FIRST`.
    left_out
        One row per role that does not: component, reason.
    repeats
        Whether a rater read some scan more than once.
    plain, new_site
        Whether agreement with raters of the same site (or of no named site), and
        with a rater of a new site, can be told from these rows.
    no_new_site
        Why not a rater of a new site; empty if `new_site`.
    contrasts
        Degrees of freedom between raters within scans: raters less groups of raters
        that share no scan.
    raters_compared, rater_sites
        Number of raters, and of sites they work at.
    raters
        Name of each rater code.
    counts
        n_participants, n_fingers, n_readings.
    stored
        How many of the rows are readings of stored clips.
    cautions
        About the rows.
    """

    rows: pd.DataFrame
    factors: tuple[str, ...]
    left_out: pd.DataFrame
    repeats: bool
    plain: bool
    new_site: bool
    no_new_site: str
    contrasts: int
    raters_compared: int
    rater_sites: int
    raters: tuple[str, ...]
    counts: dict[str, int | None]
    stored: int
    cautions: tuple[Caution, ...]

    @property
    def one_scan(self) -> bool:
        """Whether all readings are of one scan: then a rater's shift holds scan x rater too."""
        return bool(self.rows["scan"].nunique() == 1)

    @property
    def site_of_rater_known(self) -> bool:
        """Whether the rows say, or their raters' scans show, where each rater works."""
        reasons = self.left_out.set_index("component")["reason"]
        if "no such column" not in reasons.get("rater_site", ""):
            return True
        return not self.rows.groupby("rater")["site"].nunique().gt(1).any()

    @property
    def random(self) -> list[list[str]]:
        """The factors as `cohortkit.mixed.fit` takes them."""
        return [[role] for role in self.factors]


def facets(data: Any, columns: dict[str, str | None], missing: str, scale: str) -> Facets:
    """Lay readings out by role, and find the factors that can be told apart.

    Parameters
    ----------
    data
        One row per reading.
    columns
        Role to column: value, participant, finger, scan, rater, site, rater_site;
        None where the table has no such column.
    missing
        ``"stop"`` or ``"drop"``.
    scale
        ``"log"`` takes logarithms of the values.

    Raises
    ------
    TableError
        Absent columns, missing values, values not above zero on the log scale.
    EstimateError
        No reading is repeated by the same or another rater; raters in groups
        that share no scan, with no site named; means of several readings among
        single ones; a rater who works at several sites, a scan made at several; the
        same reading twice.
    """
    frame = checks.as_frame(data)
    rows = checks.columns(frame, columns)
    rows["value"] = checks.numeric(rows, "value")
    extras = pd.DataFrame(
        {n: frame[n].reset_index(drop=True) for n in _EXTRAS if list(frame.columns).count(n) == 1},
        index=rows.index,
    )
    seen = rows.join(extras[extras.columns.intersection(["below_resolution"])])
    stop_at_unseen(seen, missing)
    gaps = rows.isna().any(axis=1)
    kept, dropped = checks.without_missing(rows, missing)
    extras = extras[~gaps].reset_index(drop=True)
    one_kind(extras)
    _each_reading_once(frame, columns)
    if scale == "log":
        kept["value"] = _logarithms(kept["value"])
    _spread(kept["value"])
    _one_site_each(kept)
    coded, raters = _coded(kept)
    repeats = bool(coded.duplicated(["scan", "subject_rater"]).any())
    crossed = bool((coded.groupby("scan")["rater"].nunique() > 1).any())
    if not repeats and not crossed:
        raise EstimateError(
            "No scan was read twice, so there is no error of measurement to see",
            found=f"{len(coded)} readings of {coded['scan'].nunique()} scans",
            next_step="add second readings, by the same or by another rater",
        )
    kept_roles, left_out = _told_apart(coded, columns, crossed=crossed)
    contrasts = int(coded["rater"].nunique()) - _groups(coded)
    factors = _ordered(coded, kept_roles, contrasts)
    if not factors:
        raise EstimateError(
            "All that these rows show is how far readings of one scan lie apart",
            found=f"{len(coded)} readings; scans: {coded['scan'].nunique()}, raters: "
            f"{coded['rater'].nunique()}",
            next_step="add scans of other fingers, without which an ICC does not exist"
            + ("; repeatability gives the error of one rater who read again" if repeats else ""),
        )
    plain, new_site, why = _scopes(coded, factors)
    return Facets(
        rows=coded[["value", *ORDER]],
        factors=factors,
        left_out=left_out,
        repeats=repeats,
        plain=plain,
        new_site=new_site,
        no_new_site=why,
        contrasts=contrasts,
        raters_compared=int(coded["rater"].nunique()),
        rater_sites=int(coded["rater_site"].nunique()),
        raters=raters,
        counts=_counts(coded, columns),
        stored=stored_count(extras),
        cautions=(*_count_cautions(dropped, unseen(seen)), *_row_cautions(extras)),
    )


def without(found: Facets, role: str, reason: str) -> Facets:
    """The same rows with one factor fewer, for the reason given.

    Raises
    ------
    EstimateError
        If it was the only one.
    """
    factors = tuple(name for name in found.factors if name != role)
    if not factors:
        raise EstimateError(
            "These rows cannot be divided up",
            found=reason,
            next_step="ask for intervals='bootstrap', or add readings",
        )
    plain, new_site, why = _scopes(found.rows, factors)
    lost = pd.DataFrame({"component": [role], "reason": [reason]})
    return replace(
        found,
        factors=factors,
        left_out=pd.concat([found.left_out, lost], ignore_index=True),
        plain=plain,
        new_site=new_site,
        no_new_site=why,
    )


def counted(frame: pd.DataFrame, columns: dict[str, str | None]) -> dict[str, int | None]:
    """n_participants, n_fingers and n_readings of the complete rows."""
    rows = checks.columns(frame, columns)
    return _counts(_coded(rows.dropna().reset_index(drop=True))[0], columns)


def _spread(values: pd.Series) -> None:
    """Refuse readings that are all equal, but for rounding of numbers of their size."""
    held = values.to_numpy()
    if len(held) and np.ptp(held) <= ROUNDING * np.abs(held).max():
        raise EstimateError(
            "All readings have the same value, so there is no spread to divide up: every ICC is "
            "undefined (0 / 0), and the error of measurement shows as zero",
            found=f"readings of {held[0]:g}: {len(held)}",
            next_step="check that this is the column of readings, and that it holds all the "
            "decimals that were read; readings of fingers that differ are needed",
        )


def _logarithms(values: pd.Series) -> pd.Series:
    if (values <= 0).any():
        raise TableError(
            "A logarithm needs values above zero",
            found=f"{int((values <= 0).sum())} values at or below zero",
            next_step="use scale='natural', or leave those rows out",
        )
    return pd.Series(np.log(values.to_numpy()), index=values.index)


def _each_reading_once(frame: pd.DataFrame, columns: dict[str, str | None]) -> None:
    named = [str(columns[r]) for r in ("scan", "finger", "participant") if columns.get(r)]
    each_reading_once(frame, named[0], columns["rater"], str(columns["value"]), within=named[1:])


def _one_site_each(kept: pd.DataFrame) -> None:
    """Refuse a rater who works at several sites, and a scan that was made at several."""
    one_site_each(
        kept, "rater", "rater_site", RATERS_SITE, WAY_OUT_OF_SITES.format(option="rater_site")
    )
    one_site_each(
        kept, "scan", "site", "A scan is made at one site",
        "correct the site of those readings, or give scans of different sites codes of their own",
        within=("participant", "finger"),
    )  # fmt: skip


def _coded(kept: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Codes of every role, and the name of each rater code; a role without a column has the levels of the one it lies in.

    Fingers lie in participants and scans in fingers, so ids need only be unique there.
    """
    out = pd.DataFrame({"value": kept["value"]})
    within: list[str] = []
    for role in ("participant", "finger", "scan"):
        within += [role] if role in kept else []
        out[role] = _group(kept, within)
    raters: tuple[str, ...] = ()
    out["rater"] = np.intp(0)
    if "rater" in kept:  # names from the same call as codes, so that each keeps its own
        codes, found = pd.factorize(kept["rater"], sort=True)
        out["rater"], raters = codes.astype(np.intp), tuple(map(str, found))
    out["subject_rater"] = _group(out, ["scan", "rater"])
    for role in ("site", "rater_site"):
        out[role] = _group(kept, [role] if role in kept else [])
    return out, raters


def _group(frame: pd.DataFrame, names: Sequence[str]) -> np.ndarray:
    if not names:
        return np.zeros(len(frame), dtype=np.intp)
    return frame.groupby(list(names), sort=True).ngroup().to_numpy().astype(np.intp)


def _told_apart(
    coded: pd.DataFrame, columns: dict[str, str | None], *, crossed: bool
) -> tuple[tuple[str, ...], pd.DataFrame]:
    """Add one role after another; a role that cannot be told from those before is left out."""
    kept: list[str] = []
    lost: list[tuple[str, str]] = []
    for role in ASKED:
        if role != "subject_rater" and columns.get(role) is None:
            lost.append((role, "the table names no such column"))
            continue
        if role in ("rater", "subject_rater", "rater_site") and not crossed:
            lost.append((role, "no scan was read by two raters, so raters cannot be compared"))
            continue
        try:
            _check(coded, [*kept, role])
        except EstimateError as error:
            lost.append((role, f"{error.what}: {error.found}"))
        else:
            kept.append(role)
    if "rater" in kept and "site" not in kept:
        _stop_at_groups(coded)
    return tuple(kept), pd.DataFrame(lost, columns=["component", "reason"])


def few_contrasts(contrasts: int, raters: int) -> bool:
    """Whether hardly any comparison between raters is made within scans."""
    return contrasts < min(FEW_CONTRASTS, raters - 1)


def _ordered(coded: pd.DataFrame, kept: Sequence[str], contrasts: int) -> tuple[str, ...]:
    """The factors in the order in which their sums of squares are taken."""
    levels = sum(int(coded[role].nunique()) for role in ("participant", "finger", "scan"))
    work = len(coded[["scan", "rater"]].drop_duplicates()) * float(levels) ** 2
    first = few_contrasts(contrasts, int(coded["rater"].nunique())) and work <= _MOST_WORK
    return tuple(role for role in (RATERS_FIRST if first else ORDER) if role in kept)


def _check(coded: pd.DataFrame, roles: Sequence[str]) -> None:
    design = build(coded, value="value", random=[[role] for role in roles], fixed=())
    separability.check_levels(design)
    separability.check_products(design, separability.inner_products(assemble(design)))


def _groups(coded: pd.DataFrame) -> int:
    """Number of groups of raters that share no scan."""
    return int(groups(coded["scan"].to_numpy(), coded["rater"].to_numpy()).max()) + 1


def _stop_at_groups(coded: pd.DataFrame) -> None:
    count = _groups(coded)
    if count > 1:
        raise EstimateError(
            "The raters form groups that share no scan, so a difference between raters cannot be "
            "told from one between the groups",
            found=f"{coded['rater'].nunique()} raters in {count} groups",
            next_step="name the columns of sites (site and rater_site) to ask about agreement "
            "within a site, or keep the rows of one group",
        )


def _scopes(coded: pd.DataFrame, factors: Sequence[str]) -> tuple[bool, bool, str]:
    """Is agreement within a site, and with a rater of a new site, there to be seen?"""
    if "rater" not in factors:
        return False, False, "raters cannot be compared"
    sites = coded["rater_site"].nunique()
    if sites < 2:
        return True, False, "raters of one site only, or no column names the site of a rater"
    across = coded.groupby("scan")["rater_site"].nunique().gt(1).any()
    if not across:
        return (
            True,
            False,
            (
                "no scan was read by raters of two sites, so what raters of a site have in common "
                "cannot be told from the site's fingers; let raters of several sites read the same "
                "stored clips"
            ),
        )
    if "rater_site" in factors:
        return True, True, ""
    alone = coded.groupby("rater_site")["rater"].nunique().max() == 1
    if alone:  # each rater stands for a site: the rater variance holds both
        return False, True, ""
    return True, False, "the variance between sites of raters cannot be told from the others"


def _counts(coded: pd.DataFrame, columns: dict[str, str | None]) -> dict[str, int | None]:
    has_finger = columns.get("finger") is not None
    object_of = next(r for r in ("participant", "finger", "scan") if columns.get(r) or r == "scan")
    return {
        "n_participants": int(coded[object_of].nunique()),
        "n_fingers": int(coded["finger"].nunique()) if has_finger else None,
        "n_readings": len(coded),
    }


def _count_cautions(dropped: int, hidden: int) -> list[Caution]:
    found = []
    if dropped:
        found.append(
            Caution(
                "left_out",
                f"Readings with a missing value, left out: {dropped}. If what was measured decides "
                "what is missing, the result is biased.",
            )
        )
    if hidden:
        found.append(
            Caution(
                "below_resolution",
                f"Readings below resolution among those left out: {hidden}. The result is about "
                "visible gaps only.",
            )
        )
    return found


def _row_cautions(extras: pd.DataFrame) -> list[Caution]:
    found = averaged_caution(extras)
    if "injured" in extras and extras["injured"].nunique() > 1:
        found.append(
            Caution(
                "injured_and_intact_mixed",
                "Injured and uninjured fingers are mixed: their different gaps raise an ICC "
                "without lowering the error in mm. Report them apart.",
            )
        )
    return found
