"""Youden cut point: bootstrap interval over participants, and accuracy freed of optimism."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Unpack

import numpy as np
import pandas as pd
from scipy import special

from cohortkit import checks
from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.resampling import count_failures, percentile_interval, replicate
from cohortkit.thresholds.binomial import effective_size, wilson
from cohortkit.thresholds.curve import Points, roc_points
from cohortkit.thresholds.sample import (
    Classes,
    Options,
    Sample,
    leave_one_site_out,
    open_limits,
    verification_note,
)
from cohortkit.thresholds.selection import draw_sample

_TIE = 1e-12
_CUT = (
    "gap at or above the cut is positive; cut with the largest sensitivity + specificity - 1 "
    "(Youden 1950), midway between the two neighbouring gaps"
)
_BOOTSTRAP = "percentile interval of a smoothed bootstrap over participants"
_APPARENT = "at the cut chosen on these same rows, so too high; no interval"
_CORRECTED = (
    "apparent value minus the bootstrap's mean optimism; Wilson interval around it on the "
    "effective sample size"
)


@dataclass(frozen=True, repr=False)
class YoudenCut(Result):
    """Cut point, its accuracy with and without optimism, and its spread over sites.

    `ties`: above, up_to, cut, sensitivity, specificity of every cut that reaches
    the largest index; the lowest is the one reported. `sites`: site_left_out,
    cut_point (from the other sites), sensitivity and specificity of that cut at
    the site left out, positive, negative (rows there), reason.
    """

    ties: pd.DataFrame = field(default_factory=pd.DataFrame)
    sites: pd.DataFrame = field(default_factory=pd.DataFrame)


def youden_cut(
    data: Any,
    *,
    positive: Classes = ("complete",),
    negative: Classes = ("none", "strain", "partial"),
    circular: str = "leave_out",
    level: float = 0.95,
    missing: str = "stop",
    n_boot: int = 2000,
    seed: int = 0,
    **options: Unpack[Options],
) -> YoudenCut:
    """Gap at which sensitivity and specificity are highest together.

    The cut weighs a missed tear and a false alarm alike, which no clinic does;
    it describes the data and is no recommendation.

    Parameters
    ----------
    data, positive, negative, circular, level, missing
        As in `roc`.
    n_boot, seed
        Number of resamples of participants, and the seed of the random numbers.
    **options
        Column names and units, see `Options`.

    Returns
    -------
    YoudenCut
        `cut_point`; `sensitivity`, `specificity` and `youden_index`, which are what
        to expect of this cut in new participants, and the same three `_apparent`.

    Raises
    ------
    EstimateError
        If a class has fewer than two participants or two rows, all gaps are equal,
        or conditions would be mixed.
    """
    checks.proportion("level", level)
    checks.count("n_boot", n_boot)
    sample = draw_sample(data, (positive, negative), circular, missing, options)
    _require_two(sample)
    points = roc_points(sample.value, sample.positive)
    best = best_cuts(points)
    draws = np.vstack(replicate(_one_resample(sample), n=n_boot, seed=seed))
    failed = count_failures(draws)
    chosen = int(best[0])
    index = float(points.sensitivity[chosen] + points.specificity[chosen] - 1)
    return YoudenCut(
        question=f"Which cut of the gap best tells {sample.contrast}?",
        estimates=_estimates(sample, points, chosen, draws, level),
        cautions=(
            *sample.cautions,
            *verification_note(sample),
            *_cut_notes(points, best, index, (failed, n_boot)),
        ),
        settings={
            "positive": positive,
            "negative": negative,
            "circular": circular,
            "level": level,
            "missing": missing,
            "n_boot": n_boot,
            "seed": seed,
            **options,
            **sample.counts,
            "failed_resamples": failed,
        },
        ties=points.to_frame().iloc[best].reset_index(drop=True),
        sites=_sites(sample),
    )


def best_cuts(points: Points) -> np.ndarray:
    """Positions of all cuts with the largest Youden index, the two trivial ends left out."""
    index = points.sensitivity + points.specificity - 1
    index[[0, -1]] = -np.inf
    return np.flatnonzero(index >= index.max() - _TIE)


def _require_two(sample: Sample) -> None:
    counts = sample.class_participants()
    if min(counts) < 2:
        raise EstimateError(
            "A cut point needs at least two participants in each class",
            found=f"{counts[0]} with positive and {counts[1]} with negative rows",
            next_step="pool more sites, or report the curve alone",
        )


def _one_resample(sample: Sample) -> Callable[[np.random.Generator], np.ndarray]:
    """A task that draws participants, smooths their gaps and chooses a cut.

    It gives the cut and the optimism of its sensitivity and specificity. A plain
    bootstrap of a best cut is too sure of itself, since resampled gaps only take
    the values of the sample; normal noise of each class's own bandwidth repairs
    that (Silverman 1986), and the smoothed sample is then the truth against which
    optimism is measured.
    """
    seen = np.isfinite(sample.value)
    bandwidth = np.where(
        sample.positive,
        _bandwidth(sample.value[sample.positive & seen]),
        _bandwidth(sample.value[~sample.positive & seen]),
    )
    order = np.argsort(sample.cluster, kind="stable")
    groups = np.split(order, np.cumsum(np.bincount(sample.cluster))[:-1])
    value, positive = sample.value, sample.positive

    def task(generator: np.random.Generator) -> np.ndarray:
        drawn = generator.integers(0, len(groups), size=len(groups))
        rows = np.concatenate([groups[g] for g in drawn])
        noisy = value[rows] + bandwidth[rows] * generator.standard_normal(len(rows))
        state = positive[rows]
        if state.all() or not state.any() or noisy.min() == noisy.max():
            return np.full(3, np.nan)
        points = roc_points(noisy, state)
        j = best_cuts(points)[0]
        cut = points.cut[j]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = special.ndtr((value - cut) / bandwidth)
        share = np.where(bandwidth > 0, share, value >= cut)
        return np.array(
            [
                cut,
                points.sensitivity[j] - share[positive].mean(),
                points.specificity[j] - (1 - share[~positive]).mean(),
            ]
        )

    return task


def _bandwidth(value: np.ndarray) -> float:
    """Normal-reference bandwidth: 0.9 min(SD, IQR/1.349) n^(-1/5); 0 below two values."""
    if len(value) < 2:
        return 0.0
    spread = np.std(value, ddof=1)
    quartiles = np.quantile(value, [0.25, 0.75])
    robust = (quartiles[1] - quartiles[0]) / 1.349
    return float(0.9 * (min(spread, robust) if robust > 0 else spread) * len(value) ** -0.2)


def _estimates(
    sample: Sample, points: Points, chosen: int, draws: np.ndarray, level: float
) -> tuple[Estimate, ...]:
    cut = float(points.cut[chosen])
    lower, upper = percentile_interval(draws[:, 0], level)
    optimism = np.nanmean(draws[:, 1:], axis=0)
    hit = sample.value >= cut
    apparent = (float(points.sensitivity[chosen]), float(points.specificity[chosen]))
    sides = (sample.positive, ~sample.positive)
    correct = (hit[sample.positive], ~hit[~sample.positive])
    honest = [float(np.clip(a - o, 0, 1)) for a, o in zip(apparent, optimism, strict=True)]
    limits = [
        wilson(p, effective_size(c, sample.cluster[side], level), level)
        for p, c, side in zip(honest, correct, sides, strict=True)
    ]
    index = sum(honest) - 1
    (low1, high1), (low0, high0) = limits
    index_limits = (
        index - np.hypot(honest[0] - low1, honest[1] - low0),
        index + np.hypot(high1 - honest[0], high0 - honest[1]),
    )
    cut_limits = (cut, min(lower, cut), max(upper, cut))
    return (
        sample.estimate("cut_point", cut_limits, level, f"{_CUT}; {_BOOTSTRAP}", unit=sample.unit),
        sample.estimate("sensitivity", (honest[0], *limits[0]), level, _CORRECTED, sides[0]),
        sample.estimate("specificity", (honest[1], *limits[1]), level, _CORRECTED, sides[1]),
        sample.estimate(
            "youden_index",
            (index, *index_limits),
            level,
            f"{_CORRECTED}s of its two parts combined (Zou & Donner 2008)",
        ),
        sample.estimate(
            "sensitivity_apparent", open_limits(apparent[0]), level, _APPARENT, sides[0]
        ),
        sample.estimate(
            "specificity_apparent", open_limits(apparent[1]), level, _APPARENT, sides[1]
        ),
        sample.estimate("youden_index_apparent", open_limits(sum(apparent) - 1), level, _APPARENT),
    )


def _cut_notes(
    points: Points, best: np.ndarray, index: float, failures: tuple[int, int]
) -> list[Caution]:
    notes = [
        Caution(
            "data_driven_cut",
            "The cut was chosen on these rows. Read it with its interval and its spread over "
            "sites, and test it on other participants before anyone relies on it.",
        )
    ]
    if len(best) > 1:
        notes.append(
            Caution(
                "several_best_cuts",
                f"{len(best)} cuts reach the same index, from {points.cut[best[0]]:g} to "
                f"{points.cut[best[-1]]:g}; the lowest is reported.",
            )
        )
    if index <= 0:
        notes.append(
            Caution("no_better_than_chance", "No cut does better than chance in these rows.")
        )
    if failures[0]:
        notes.append(
            Caution(
                "failed_resamples",
                f"{failures[0]} of {failures[1]} resamples held one class only and gave no cut.",
            )
        )
    return notes


def _sites(sample: Sample) -> pd.DataFrame:
    """The cut without each site in turn, and how it does at that site."""
    rows = []
    for name, rest in leave_one_site_out(sample):
        here = sample.site == name
        state, value = sample.positive[here], sample.value[here]
        cut, reason = np.nan, "only one class is left in the other sites"
        if rest.positive.any() and not rest.positive.all() and len(np.unique(rest.value)) > 1:
            points = roc_points(rest.value, rest.positive)
            cut, reason = float(points.cut[best_cuts(points)[0]]), ""
        hit = value >= cut
        known = not np.isnan(cut)
        sensitivity = float(hit[state].mean()) if known and state.any() else np.nan
        specificity = float((~hit[~state]).mean()) if known and not state.all() else np.nan
        rows.append(
            [name, cut, sensitivity, specificity, int(state.sum()), int((~state).sum()), reason]
        )
    names = ["site_left_out", "cut_point", "sensitivity", "specificity", "positive", "negative"]
    return pd.DataFrame(rows, columns=[*names, "reason"])
