"""How many participants does the next study of a measurement need?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, TypedDict, Unpack

import numpy as np
from scipy import stats

from cohortkit import checks
from cohortkit.agreement.limit_components import Total, limit_interval
from cohortkit.agreement.limits import limit_factors
from cohortkit.agreement.planned import (
    Answer,
    Hand,
    PlannedSize,
    above_zero,
    hand,
    normal_quantile,
    smallest,
)
from cohortkit.agreement.planned_tables import FIGURES, PARTS, Layout, Tables
from cohortkit.agreement.shared_rows import filled
from cohortkit.errors import ArgumentError

_GRID = 200  # evenly spaced probabilities of each of two chi-squares


class PlanOptions(TypedDict, total=False):
    """Arguments that `participants_for_reliability` takes by keyword.

    Attributes
    ----------
    level
        Coverage of the interval.
    n_sim, seed
        Simulated tables and their seed.
    unit
        UCUM unit of the values, for a width of an SEM.
    """

    level: float
    n_sim: int
    seed: int
    unit: str


_DEFAULTS: dict[str, Any] = {"level": 0.95, "n_sim": 200, "seed": 20260101, "unit": "mm"}


def participants_for_icc(
    icc: float,
    width: float,
    *,
    raters: int = 2,
    level: float = 0.95,
    fingers: int = 1,
    correlation: float | None = None,
    n_sim: int = 200,
    seed: int = 20260101,
) -> PlannedSize:
    """Participants for an interval of ICC(C,1) or ICC(1,1) of a wanted width.

    One finger each: n = 8 z^2 (1 - r)^2 (1 + (k - 1) r)^2 / (k (k - 1) w^2) + 1, and 5 r
    more for two raters and r of at least 0.7 (Bonett 2002). Several: `n_sim` tables are
    drawn for each number of participants, and the median width of ``icc_consistency`` of
    `reliability` is taken. One scan of each finger, every rater reads once. Not for
    ICC(A,1), whose width the number of raters decides: for that see
    `participants_for_reliability`.

    Parameters
    ----------
    icc
        Planned value, strictly between 0 and 1: of telling fingers apart, whosever.
    width
        Upper less lower limit that is wanted.
    raters
        Readings of each finger.
    level
        Coverage of the interval.
    fingers, correlation
        Fingers of each participant, and the correlation of the true values of two of them:
        the share of the variance between fingers that lies between participants.
    n_sim, seed
        Simulated tables and their seed, with several fingers.

    Raises
    ------
    ArgumentError
        Values outside their range.
    EstimateError
        If more than 5,000 participants are needed (several fingers).
    """
    r, w = checks.proportion("icc", icc), checks.proportion("width", width)
    k, z = checks.count("raters", raters, 2), normal_quantile(level)
    each = hand(fingers, correlation)
    settings = {"icc": icc, "width": width, "raters": k, "level": level, **each.settings()}
    if each.fingers > 1:
        parts = {"participant": r * each.correlation, "finger": r * (1 - each.correlation)}
        tables = _tables(
            {**parts, "residual": 1 - r}, Layout(k, 1, each.fingers), (level, n_sim, seed)
        )
        settings |= {"n_sim": n_sim, "seed": seed}
        return _simulated(tables, "icc_consistency", w, "1").result(settings)

    def needed(wanted: float) -> float:
        n = 8 * (z * (1 - r) * (1 + (k - 1) * r) / wanted) ** 2 / (k * (k - 1)) + 1
        return n + (5 * r if k == 2 and r >= 0.7 else 0.0)

    n = max(math.ceil(needed(w) - 1e-9), 2)

    def width_at(size: int) -> float:
        extra = 1 + (5 * r if k == 2 and r >= 0.7 else 0.0)
        base = 8 * (z * (1 - r) * (1 + (k - 1) * r)) ** 2 / (k * (k - 1))
        return math.sqrt(base / (size - extra)) if size > extra else math.nan

    way = "closed form (Bonett 2002)"
    return Answer("ICC(C,1)", n, width_at, "1", way).result(settings)


def participants_for_limits(
    sd: float,
    width: float,
    *,
    level: float = 0.95,
    coverage: float = 0.95,
    assurance: float = 0.5,
    unit: str = "mm",
    fingers: int = 1,
    correlation: float | None = None,
) -> PlannedSize:
    """Participants for the interval of a limit of agreement of two raters.

    One pair each: the exact interval of one limit (Carkeet 2015) has width S (b_n - a_n),
    S the SD of the differences and a_n, b_n from the non-central t. Several: the interval
    of `limits_clustered` from variance components (Zou 2013), whose two mean squares are
    chi-squares. The smallest n is given for which the width is at most `width` with
    probability `assurance`.

    Parameters
    ----------
    sd
        Planned SD of the differences on a single finger, in `unit`.
    width
        Width of the interval of a limit that is wanted, in `unit`.
    level, coverage
        As in `limits_of_agreement`.
    assurance
        0.5 plans for the median width.
    unit
        UCUM unit of `sd` and `width`.
    fingers, correlation
        Fingers of each participant, and the correlation of the differences on two of them:
        the share of their variance that lies between participants.

    Raises
    ------
    ArgumentError
        Values outside their range.
    EstimateError
        If more than 5,000 participants are needed.
    """
    above_zero("sd", sd)
    above_zero("width", width)
    checks.proportion("level", level)
    checks.proportion("assurance", assurance)
    z = float(stats.norm.ppf((1 + checks.proportion("coverage", coverage)) / 2))
    each = hand(fingers, correlation)

    def width_at(n: int) -> float:
        if each.fingers > 1:
            return sd * float(np.quantile(clustered_widths(n, each, z, level), assurance))
        low, high = limit_factors(n, z, level)
        spread = sd * math.sqrt(stats.chi2.ppf(assurance, n - 1) / (n - 1))
        return float(spread * (high - low))

    n = smallest(width_at, width, start=2)
    settings: dict[str, Any] = {"sd": sd, "width": width, "level": level, "coverage": coverage}
    settings |= {"assurance": assurance, "unit": unit, **each.settings()}
    way = "exact interval of one limit (Carkeet 2015)"
    if each.fingers > 1:
        way = "interval of one limit from variance components (Zou 2013), by quadrature"
    way = f"{way}, assurance {assurance:g}"
    return Answer("limits of agreement", n, width_at, unit, way, each.fingers).result(settings)


def clustered_widths(n: int, each: Hand, z: float, level: float) -> np.ndarray:
    """Widths of the interval of a limit if the SD is 1, all equally likely.

    Mean squares between and within n participants take evenly spaced quantiles of their
    chi-squares, each with each.
    """
    m, grid = each.fingers, (np.arange(_GRID) + 0.5) / _GRID
    inner_df = n * (m - 1)
    between = each.inflation * stats.chi2.ppf(grid, n - 1) / (n - 1)
    within = (1 - each.correlation) * stats.chi2.ppf(grid, inner_df) / inner_df
    squares = np.stack(np.meshgrid(between, within), axis=-1).reshape(-1, 2)
    own = (squares[:, 0] - squares[:, 1]) / m
    total = Total(
        bias=0.0,
        bias_variance=squares[:, 0] / (n * m),
        bias_df=n - 1,
        weights=np.array([1 / m, 1 - 1 / m]),
        squares=squares,
        df=np.array([n - 1, inner_df]),
        between=own,
        within=squares[:, 1],
    )
    low, high = limit_interval(total, z, level)
    return np.asarray(high - low)


def participants_for_reliability(
    components: Mapping[str, float],
    width: float,
    *,
    figure: str = "icc_agreement",
    raters: int = 3,
    reads: int = 2,
    fingers: int = 1,
    sites: int = 1,
    **options: Unpack[PlanOptions],
) -> PlannedSize:
    """Participants for the generalised interval of any figure of `reliability`, simulated.

    For each number of participants `n_sim` tables of the crossed design are drawn,
    and the median width of their generalised intervals is taken.

    Parameters
    ----------
    components
        Planned variances: participant, finger (within participants), rater_site, rater
        (within a site), subject_rater, residual; absent ones are zero.
    width
        Upper less lower limit that is wanted, in the unit of the figure.
    figure
        One of icc_agreement, icc_consistency, icc_intra, sem_inter, sem_consistency,
        sem_intra; with several sites also icc_agreement_new_site, sem_inter_new_site.
    raters, reads
        Every rater reads every scan that often; `reads` of at least 2 splits the
        residual from subject x rater.
    fingers
        Fingers of each participant, one scan of each.
    sites
        Sites that the raters come from, as many from each, at least two. All read the
        same scans (stored clips).
    **options
        level, n_sim, seed, unit: see `PlanOptions`.

    Raises
    ------
    ArgumentError
        Values outside their range.
    EstimateError
        If 5,000 participants do not reach the width: more raters are needed.
    """
    spec = filled(_DEFAULTS, options, "This plan does")
    checks.one_of("figure", figure, tuple(FIGURES))
    above_zero("width", width)
    least = 2 if figure.endswith("intra") else 1
    layout = Layout(
        checks.count("raters", raters, 2),
        checks.count("reads", reads, least),
        checks.count("fingers", fingers),
        checks.count("sites", sites),
    )
    planned = _variances(components, layout)
    _sites(layout, figure)
    tables = _tables(planned, layout, (spec["level"], spec["n_sim"], spec["seed"]))
    settings = {"components": dict(components), "width": width, "figure": figure}
    settings |= {"raters": raters, "reads": reads, "fingers": fingers, "sites": sites}
    settings |= {name: spec[name] for name in ("level", "n_sim", "seed")}
    unit = "1" if figure.startswith("icc") else spec["unit"]
    return _simulated(tables, figure, width, unit).result(settings)


def _variances(components: Mapping[str, float], layout: Layout) -> dict[str, float]:
    """The variances of all parts, if they can be planned with this layout."""
    needs = {"finger": layout.fingers, "rater_site": layout.sites}
    known = [name for name in PARTS if needs.get(name, 2) > 1]
    unknown = sorted(set(components) - set(known))
    if unknown or not components.get("residual") or min(components.values()) < 0:
        raise ArgumentError(
            "Argument 'components' holds variances by name, the residual above zero",
            found=repr(dict(components)),
            next_step="use "
            + ", ".join(known)
            + "; finger with fingers=2 or more, rater_site with sites=2 or more",
        )
    return {name: float(components.get(name, 0.0)) for name in PARTS}


def _sites(layout: Layout, figure: str) -> None:
    if figure.endswith("new_site") and layout.sites < 2:
        raise ArgumentError(
            "A figure for a rater of a new site needs raters of at least two sites",
            found=f"sites={layout.sites}, figure={figure!r}",
            next_step="plan raters of several sites, all reading the same stored clips",
        )
    if layout.sites > 1 and (layout.raters % layout.sites or layout.raters < 2 * layout.sites):
        raise ArgumentError(
            "Argument 'raters' holds as many raters from each site, at least two",
            found=f"{layout.raters} raters, {layout.sites} sites",
            next_step=f"plan for example raters={2 * layout.sites}",
        )


def _tables(variances: Mapping[str, float], layout: Layout, how: tuple[float, int, int]) -> Tables:
    level, n_sim, seed = how
    return Tables(
        {name: float(variances.get(name, 0.0)) for name in PARTS},
        layout,
        checks.proportion("level", level),
        checks.count("n_sim", n_sim, 20),
        checks.count("seed", seed, minimum=0),
    )


def _simulated(tables: Tables, figure: str, width: float, unit: str) -> Answer:
    def width_at(n: int) -> float:
        return tables.median_width(n, figure)

    n = smallest(width_at, width, start=3)
    way = f"median of {tables.n_sim} simulated generalised intervals, seed {tables.seed}"
    error = tables.median_error(n, figure)
    return Answer(figure, n, width_at, unit, way, tables.layout.fingers, error)
