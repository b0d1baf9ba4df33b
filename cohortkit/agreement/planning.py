"""How many participants does the next reliability study need?"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit import checks
from cohortkit.agreement import forms
from cohortkit.agreement.forms import Plan
from cohortkit.agreement.limits import limit_factors
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.resampling import percentile_interval

MOST = 5000
_FIGURES = {
    "icc_agreement": ("icc", "agreement"),
    "icc_consistency": ("icc", "consistency"),
    "icc_intra": ("icc", "intra"),
    "sem_inter": ("sem", "agreement"),
    "sem_consistency": ("sem", "consistency"),
    "sem_intra": ("sem", "intra"),
}
_PARTS = ("participant", "rater", "subject_rater", "residual")


@dataclass(frozen=True, repr=False, eq=False)
class PlannedSize(Result):
    """Participants needed, and the interval width expected for other numbers of them.

    The estimates are ``participants`` and ``width``, the width expected with them.
    `curve` has the columns participants and width.
    """

    curve: pd.DataFrame = field(default_factory=pd.DataFrame)


def participants_for_icc(
    icc: float, width: float, *, raters: int = 2, level: float = 0.95
) -> PlannedSize:
    """Participants for an interval of ICC(C,1) or ICC(1,1) of a wanted width.

    n = 8 z^2 (1 - r)^2 (1 + (k - 1) r)^2 / (k (k - 1) w^2) + 1, and 5 r more for two
    raters and r of at least 0.7 (Bonett 2002). One finger and one scan each, every
    rater reads once. Not for ICC(A,1), whose width the number of raters decides: for
    that see `participants_for_reliability`.

    Parameters
    ----------
    icc
        Planned value, strictly between 0 and 1.
    width
        Upper less lower limit that is wanted.
    raters
        Readings of each participant.
    level
        Coverage of the interval.

    Raises
    ------
    ArgumentError
        Values outside their range.
    """
    r, w = checks.proportion("icc", icc), checks.proportion("width", width)
    k, z = checks.count("raters", raters, 2), _z(level)

    def needed(wanted: float) -> float:
        n = 8 * (z * (1 - r) * (1 + (k - 1) * r) / wanted) ** 2 / (k * (k - 1)) + 1
        return n + (5 * r if k == 2 and r >= 0.7 else 0.0)

    n = max(math.ceil(needed(w) - 1e-9), 2)

    def width_at(size: int) -> float:
        extra = 1 + (5 * r if k == 2 and r >= 0.7 else 0.0)
        base = 8 * (z * (1 - r) * (1 + (k - 1) * r)) ** 2 / (k * (k - 1))
        return math.sqrt(base / (size - extra)) if size > extra else math.nan

    settings = {"icc": icc, "width": width, "raters": k, "level": level}
    return _planned("ICC(C,1)", n, width_at, "1", "closed form (Bonett 2002)", settings)


def participants_for_limits(
    sd: float,
    width: float,
    *,
    level: float = 0.95,
    coverage: float = 0.95,
    assurance: float = 0.5,
    unit: str = "mm",
) -> PlannedSize:
    """Pairs (one per participant) for the interval of a limit of agreement.

    The exact interval of one limit (Carkeet 2015) has width S (b_n - a_n), S the SD of
    the differences and a_n, b_n from the non-central t. The smallest n is given for
    which this is at most `width` with probability `assurance`, S^2 being a chi-square.

    Parameters
    ----------
    sd
        Planned SD of the differences, in `unit`.
    width
        Width of the interval of a limit that is wanted, in `unit`.
    level, coverage
        As in `limits_of_agreement`.
    assurance
        0.5 plans for the median width.
    unit
        UCUM unit of `sd` and `width`.

    Raises
    ------
    ArgumentError
        Values outside their range.
    EstimateError
        If more than 5,000 pairs are needed.
    """
    _above_zero("sd", sd)
    _above_zero("width", width)
    checks.proportion("level", level)
    checks.proportion("assurance", assurance)
    z = float(stats.norm.ppf((1 + checks.proportion("coverage", coverage)) / 2))

    def width_at(n: int) -> float:
        low, high = limit_factors(n, z, level)
        spread = sd * math.sqrt(stats.chi2.ppf(assurance, n - 1) / (n - 1))
        return float(spread * (high - low))

    n = _smallest(width_at, width, start=2)
    settings: dict[str, Any] = {"sd": sd, "width": width, "level": level, "coverage": coverage}
    settings |= {"assurance": assurance, "unit": unit}
    way = f"exact interval of one limit (Carkeet 2015), assurance {assurance:g}"
    return _planned("limits of agreement", n, width_at, unit, way, settings)


def participants_for_kappa(
    kappa: float, prevalence: Sequence[float], width: float, *, level: float = 0.95
) -> PlannedSize:
    """Participants for an interval of Cohen's kappa of two raters, of a wanted width.

    n = 4 z^2 V / w^2, with V the large-sample variance of kappa times n (Fleiss, Cohen
    & Everitt 1969) for two raters who use the categories equally often: both choose i
    with probability p_i^2 + kappa p_i (1 - p_i). With two categories V is that of
    Donner & Eliasziw 1992.

    Parameters
    ----------
    kappa
        Planned value, from 0 to below 1.
    prevalence
        Share of each category; they add up to 1.
    width
        Upper less lower limit that is wanted.
    level
        Coverage of the interval.

    Raises
    ------
    ArgumentError
        Values outside their range, or shares that do not add up to 1.
    """
    if not 0 <= kappa < 1:
        raise ArgumentError(
            "Argument 'kappa' lies from 0 to below 1",
            found=repr(kappa),
            next_step="give the kappa that you expect",
        )
    shares = np.asarray(list(prevalence), dtype=float)
    if len(shares) < 2 or (shares <= 0).any() or abs(shares.sum() - 1) > 1e-9:
        raise ArgumentError(
            "Argument 'prevalence' holds the share of each category, and they add up to 1",
            found=repr(list(prevalence)),
            next_step="write for example prevalence=[0.7, 0.3]",
        )
    z, variance = _z(level), kappa_variance(kappa, shares)
    n = max(math.ceil(4 * z**2 * variance / checks.proportion("width", width) ** 2 - 1e-9), 2)
    settings = {"kappa": kappa, "prevalence": shares.tolist(), "width": width, "level": level}
    return _planned(
        "Cohen's kappa",
        n,
        lambda size: 2 * z * math.sqrt(variance / size),
        "1",
        "large-sample variance (Fleiss, Cohen & Everitt 1969)",
        settings,
    )


def kappa_variance(kappa: float, shares: np.ndarray) -> float:
    """Large-sample variance of Cohen's kappa times the number of subjects."""
    joint = (1 - kappa) * np.outer(shares, shares) + kappa * np.diag(shares)
    chance = float((shares**2).sum())
    same = np.diag(joint) @ (1 - 2 * shares * (1 - kappa)) ** 2
    either = (shares[:, None] + shares[None, :]) ** 2
    apart = (1 - kappa) ** 2 * float((joint * either).sum() - np.diag(joint * either).sum())
    return float((same + apart - (kappa - chance * (1 - kappa)) ** 2) / (1 - chance) ** 2)


def participants_for_reliability(
    components: Mapping[str, float],
    width: float,
    *,
    figure: str = "icc_agreement",
    raters: int = 3,
    reads: int = 2,
    level: float = 0.95,
    n_sim: int = 200,
    seed: int = 20260101,
    unit: str = "mm",
) -> PlannedSize:
    """Participants for the generalised interval of any figure of `reliability`, simulated.

    For each number of participants `n_sim` tables of the crossed design are drawn,
    and the median width of their generalised intervals is taken.

    Parameters
    ----------
    components
        Planned variances: participant, rater, subject_rater, residual; absent ones
        are zero.
    width
        Upper less lower limit that is wanted, in the unit of the figure.
    figure
        One of icc_agreement, icc_consistency, icc_intra, sem_inter,
        sem_consistency, sem_intra.
    raters, reads
        Every rater reads every scan that often; `reads` of at least 2 splits the
        residual from subject x rater.
    level
        Coverage of the interval.
    n_sim, seed
        Simulated tables and their seed.
    unit
        UCUM unit of the values, for a width of an SEM.

    Raises
    ------
    ArgumentError
        Values outside their range.
    EstimateError
        If 5,000 participants do not reach the width: more raters are needed.
    """
    checks.one_of("figure", figure, tuple(_FIGURES))
    _above_zero("width", width)
    unknown = sorted(set(components) - set(_PARTS))
    if unknown or not components.get("residual") or min(components.values()) < 0:
        raise ArgumentError(
            "Argument 'components' holds variances by name, the residual above zero",
            found=repr(dict(components)),
            next_step="use " + ", ".join(_PARTS),
        )
    least = 1 if figure.endswith(("agreement", "inter", "consistency")) else 2
    design = _Crossed(
        {name: float(components.get(name, 0.0)) for name in _PARTS},
        checks.count("raters", raters, 2),
        checks.count("reads", reads, least),
        checks.proportion("level", level),
        checks.count("n_sim", n_sim, 20),
        checks.count("seed", seed, minimum=0),
    )

    def width_at(n: int) -> float:
        return design.median_width(n, figure)

    settings = {"components": dict(components), "width": width, "figure": figure}
    settings |= {"raters": raters, "reads": reads, "level": level, "n_sim": n_sim, "seed": seed}
    n = _smallest(width_at, width, start=3)
    way = f"median of {n_sim} simulated generalised intervals, seed {seed}"
    return _planned(figure, n, width_at, "1" if figure.startswith("icc") else unit, way, settings)


@dataclass(frozen=True)
class _Crossed:
    """A complete table: n participants by k raters with m readings each."""

    v: dict[str, float]
    k: int
    m: int
    level: float
    n_sim: int
    seed: int
    n_draws: int = 999

    def median_width(self, n: int, figure: str) -> float:
        """Median width of the generalised interval with n participants."""
        rng = np.random.default_rng(self.seed)
        k, m, v = self.k, self.m, self.v
        df = np.array([n - 1, k - 1, (n - 1) * (k - 1), n * k * (m - 1)])
        cell = m * v["subject_rater"] + v["residual"]
        expected = np.array(
            [k * m * v["participant"] + cell, n * m * v["rater"] + cell, cell, v["residual"]]
        )
        sums = expected[:, None] * np.array([_chi(rng, d, 1, self.n_sim)[0] for d in df])
        draws = np.array([_chi(rng, d, self.n_sim, self.n_draws) for d in df])
        mean_squares = sums[:, :, None] / draws
        own = mean_squares[3] if m > 1 else mean_squares[2]
        parts = {
            "residual": own,
            "subject_rater": (mean_squares[2] - own) / m,
            "rater": (mean_squares[1] - mean_squares[2]) / (n * m),
            "participant": (mean_squares[0] - mean_squares[2]) / (k * m),
        }
        what, kind = _FIGURES[figure]
        drawn = (
            forms.reliability_of(parts, kind, Plan())
            if what == "icc"
            else np.sqrt(forms.error_variance(parts, kind, Plan()))
        )
        low, high = percentile_interval(drawn.T, self.level)
        return float(np.median(high - low))


def _chi(rng: np.random.Generator, df: int, rows: int, size: int) -> np.ndarray:
    """Rows of chi-squares at evenly spaced probabilities, each in its own random order.

    The orders are the same for every df, so that widths fall smoothly with the
    participants.
    """
    even = stats.chi2.ppf((np.arange(size) + 0.5) / size, df) if df else np.ones(size)
    return rng.permuted(np.tile(even, (rows, 1)), axis=1)


def _z(level: float) -> float:
    return float(stats.norm.ppf((1 + checks.proportion("level", level)) / 2))


def _above_zero(name: str, value: float) -> None:
    if not value > 0 or math.isinf(value):
        raise ArgumentError(
            f"Argument '{name}' is a number above zero",
            found=repr(value),
            next_step="give it in the unit of the values",
        )


def _smallest(width_at: Callable[[int], float], width: float, start: int) -> int:
    """The smallest n whose width is at most the wanted one, by doubling and halving."""
    low, high = start - 1, max(start, 8)
    while width_at(high) > width:
        low, high = high, 2 * high
        if low >= MOST:
            raise EstimateError(
                f"{MOST} participants are not enough for an interval of that width",
                found=f"width {width_at(MOST):.3g} with {MOST} participants",
                next_step="plan more raters, where raters' shifts count as error; or take a wider "
                "interval",
            )
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if width_at(middle) <= width else (middle, high)
    return high


def _planned(
    what: str,
    n: int,
    width_at: Callable[[int], float],
    unit: str,
    way: str,
    settings: dict[str, Any],
) -> PlannedSize:
    sizes = sorted({max(3, round(n * share)) for share in (0.5, 0.75, 1, 1.5, 2, 3)} | {n})
    none: dict[str, Any] = {"lower": math.nan, "upper": math.nan, "level": math.nan}
    few = [
        Caution(
            "small_plan",
            f"{n} participants: formulas for large samples and normal values are rough here; at "
            "least 30 are advised (rule of thumb of Koo & Li 2016).",
        )
    ]
    return PlannedSize(
        question=f"How many participants for an interval of {what}?",
        estimates=(
            Estimate("participants", float(n), unit="{participants}", method=way, **none),
            Estimate("width", width_at(n), unit=unit, method=f"expected; {way}", **none),
        ),
        cautions=(
            *(few if n < 30 else []),
            Caution(
                "planned_values_assumed",
                "The number holds for the values planned, one finger of each participant, and no "
                "reading lost.",
            ),
        ),
        settings=settings,
        curve=pd.DataFrame({"participants": sizes, "width": [width_at(s) for s in sizes]}),
    )
