"""What changes how a reliability may be used."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit.agreement.facets import Facets, few_contrasts
from cohortkit.agreement.forms import told_apart
from cohortkit.agreement.limit_checks import normality
from cohortkit.agreement.reading_kinds import scanning_caution
from cohortkit.agreement.rounding import rounding_caution
from cohortkit.estimate import Caution

_FEW_RATERS = 20
_FEW_LEVELS = 5
_SEEN = 50  # participants from which skewness of an exponential is found in 9 of 10 tables


def design_cautions(found: Facets, settings: dict[str, Any]) -> list[Caution]:
    """What this design cannot say.

    With ``occasion="new_scan"`` the spread between scans counts as error, and with it the
    error of scanning; so stored clips need no caution then.
    """
    names = set(found.factors)
    reasons = found.left_out.set_index("component")["reason"]
    tied = [n for n in reasons.index if "no such column" not in reasons[n]]
    raters, participants = found.raters_compared, found.counts["n_participants"] or 0
    no_repeat = "rater" in names and "subject_rater" not in names and not found.one_scan
    objects = told_apart(settings["occasion"])
    checked = {
        "component_left_out": (
            bool(tied),
            "Not in the model, because these rows cannot tell it from the others: "
            f"{', '.join(tied)}. Another component holds its variance, if there is any.",
        ),
        "few_rater_contrasts": (
            "rater" in names and few_contrasts(found.contrasts, raters),
            f"Only {found.contrasts} of {raters - 1} comparisons between raters are made within "
            "scans; the others go through the raters' patients, who are taken to differ by chance. "
            "Intervals of designs like this covered 95 to 97 % instead of 95 %.",
        ),
        "no_object_variance": (
            not names & set(objects),
            "These rows show no variance between what is to be told apart (left out: "
            f"{', '.join(n for n in objects if n in tied)}), so every ICC is undefined. The errors "
            "of reading are not touched by that.",
        ),
        "no_repeated_reading": (
            no_repeat,
            "No rater read a scan twice often enough: the residual holds the raters' different "
            "judgement of single scans too, and there is no intra-rater figure.",
        ),
        "scan_in_residual": (
            "scan" in tied and "one row per level" in reasons["scan"],
            "Each scan was read once: the residual holds the spread between scans of one finger.",
        ),
        "no_new_site": (
            "rater" in names and not found.new_site and found.rater_sites > 1,
            f"Nothing is said about a rater of a new site: {found.no_new_site}.",
        ),
        "raters_of_one_site_unseen": (
            found.new_site and not found.plain,
            "Each rater comes from a site of its own: the rater variance holds what raters of a "
            "site have in common, so agreement is about raters of different sites.",
        ),
        "few_participants": (
            participants < 30,
            f"{participants} participants: at least 30 are advised (rule of thumb of Koo & Li "
            "2016).",
        ),
    }
    if settings["intervals"] == "bootstrap":
        checked |= _bootstrap_cautions(found)
    notes = [Caution(code, text) for code, (holds, text) in checked.items() if holds]
    anew = settings["occasion"] == "new_scan"
    return notes if anew else [*scanning_caution(found.stored, len(found.rows)), *notes]


def beyond_draws(names: list[str]) -> list[Caution]:
    """A caution if estimates lay beyond the limits that their draws gave."""
    if not names:
        return []
    return [
        Caution(
            "estimate_at_limit",
            f"Estimates beyond the limits of their draws: {', '.join(names)}. Their limits were "
            "moved outwards to them. Rows this few or this unbalanced weigh differently in the "
            "estimate and in the draws; trust neither end far.",
        )
    ]


def all_draws_equal(names: list[str]) -> list[Caution]:
    """A caution if estimates have no interval because their draws are all the same."""
    if not names:
        return []
    return [
        Caution(
            "no_interval",
            f"No interval: {', '.join(names)}. Every draw lies at the edge, as where readings of "
            "one scan differ more than scans do, or raters less than chance lets them. That is a "
            "sign of chance or of a mistake in the rows, not a proof that the value is exact.",
        )
    ]


def _bootstrap_cautions(found: Facets) -> dict[str, tuple[bool, str]]:
    raters = found.raters_compared
    return {
        "bootstrap_few_raters": (
            "rater" in found.factors and raters < _FEW_RATERS,
            f"{raters} raters: bootstrap intervals are less exact than generalised ones. With 2 to "
            "16 raters they covered 92 to 98 % instead of 95 %, the within-rater error 90 % where "
            "3 raters had read three quarters of the cells, the error in per cent up to 100 %.",
        ),
    }


def width_cautions(found: Facets, parts: dict[str, float], *, ratio: bool) -> list[Caution]:
    """Intervals that are wider than they say, so measured.

    `parts` are the estimated variances, `ratio` says whether there is an error in per cent
    of the mean.
    """
    rows, few = found.rows, []
    for name in ("site", "rater_site", "rater"):
        if name in found.factors and rows[name].nunique() < _FEW_LEVELS:
            few.append(f"{name} {rows[name].nunique()}")
    cells = len(rows[["scan", "rater"]].drop_duplicates())
    empty = cells < rows["scan"].nunique() * rows["rater"].nunique()
    own = parts.get("subject_rater", 0.0) + parts["residual"]
    checked = {
        "wide_cv": (
            ratio and bool(few),
            "The mean that cv_intra and cv_inter are divided by rests on few levels "
            f"({', '.join(few)}), and their intervals are wider than they say: they covered "
            "95 to nearly 100 % instead of 95 % with 2 to 4 levels.",
        ),
        "wide_consistency": (
            empty and 0 < own <= _at_most(parts.get("rater", 0.0), rows["rater"].nunique()),
            "Raters may differ by more than readings of one rater do, and not every rater read "
            "every scan: intervals that leave raters' shifts out (consistency, intra) are wider than "
            "they say; the ICC covered 97 % instead of 95 % with 3 raters and 20 % of readings "
            "lost.",
        ),
    }
    return [Caution(code, text) for code, (holds, text) in checked.items() if holds]


def _at_most(variance: float, levels: int) -> float:
    """Upper 97.5 % limit of a variance that is seen in that many levels without error."""
    freedom = levels - 1
    return variance * freedom / float(stats.chi2.ppf(0.025, freedom)) if freedom else 0.0


def spread_cautions(rows: pd.DataFrame, residual: float, *, log: bool) -> list[Caution]:
    """Does the error grow with the size? Is it lost in rounding? Are participants normal?"""
    found = _size_caution(rows, log=log)
    if not log:
        found += rounding_caution(rows["value"].to_numpy(), residual)
    return found + _shape_caution(rows.groupby("participant")["value"].mean().to_numpy())


def _shape_caution(means: np.ndarray) -> list[Caution]:
    """Are participants normal, and are they enough to tell?"""
    cost = (
        "they covered 75 to 87 % instead of 95 % where participants were skewed as an "
        "exponential. The errors in the unit of the values held."
    )
    if normality(means)[1] < 0.01:
        message = (
            "The participants' means are far from normal (Shapiro-Wilk p < 0.01). The ICC "
            f"intervals rest on normal participants: {cost}"
        )
        return [Caution("participants_not_normal", message)]
    if len(means) >= _SEEN or np.ptp(means) == 0:
        return []
    message = (
        f"{len(means)} participants are too few to see whether they are skewed (Shapiro-Wilk finds "
        "it in a third of tables of 15 skewed as an exponential, in three quarters of 30). The ICC "
        f"intervals rest on normal participants: {cost}"
    )
    return [Caution("normality_unseen", message)]


def _size_caution(rows: pd.DataFrame, *, log: bool) -> list[Caution]:
    """Spearman's correlation of the SD of a scan's readings with their mean."""
    scans = rows.groupby("scan")["value"].agg(["mean", "std", "size"])
    scans = scans[scans["size"] > 1]
    if len(scans) < 10 or min(scans["std"].nunique(), scans["mean"].nunique()) < 2:
        return []
    trend = stats.spearmanr(scans["mean"], scans["std"])
    rho, p = float(trend.statistic), float(trend.pvalue)
    seen = f"Spearman {rho:.2f}, p = {p:.2g}"
    if p < 0.05 and rho > 0 and not log:
        return [
            Caution(
                "spread_grows_with_size",
                f"Readings of one scan differ more where the value is larger ({seen}): one error in "
                "the unit of the values is too large for small and too small for large ones. Take "
                'the log scale (scale="log"), which gives errors in proportion to the value, or '
                "groups of sizes apart.",
            )
        ]
    if p < 0.05 and rho < 0 and log:
        return [
            Caution(
                "log_spread_falls_with_size",
                f"On the log scale readings differ less where the value is larger ({seen}): the "
                "natural scale may fit better.",
            )
        ]
    return []
