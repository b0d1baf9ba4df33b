"""From variance components to reliability and error of measurement, for any plan of reading.

Everything takes arrays, so that the estimate and all draws of its interval go through
the same lines. Components that a model left out count as zero. Draws of single components
may be negative; only what was put together from them is cut off at zero.

Errors of measurement rise from "the same rater again" to "any rater of a new site", since
each adds a variance to the one before. Draws with a negative component break that order, and
quantiles of such draws could give two figures limits that contradict each other. `limits_of`
takes the order up again for the limits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
CHANGE = 1.959963984540054 * math.sqrt(2)  # normal quantile for 95 % of differences of two reads
RISING = ("intra", "consistency", "agreement", "new_site")  # each adds error to the one before
OBJECTS = ("participant", "finger", "scan")
FLOOR = 0.5  # share of the residual part below which no draw of an error goes


@dataclass(frozen=True)
class Plan:
    """How a value is read: the mean of k raters with m readings of one scan each.

    `occasion` is ``"same_scan"`` (scans are what is told apart) or ``"new_scan"``
    (a finger is scanned anew each time, and its scans' spread is error).
    """

    k: int = 1
    m: int = 1
    occasion: str = "same_scan"


def split(parts: Mapping[str, Floats | float], occasion: str) -> tuple[dict[str, Floats], Floats]:
    """Components as arrays, absent ones zero; and the variance that is to be told apart.

    Sites are not part of it: reliability is about telling apart fingers of one site.
    """
    names = ("participant", "finger", "scan", "rater_site", "rater", "subject_rater", "residual")
    v = {name: np.asarray(parts.get(name, 0.0), dtype=float) for name in names}
    objects = v["participant"] + v["finger"]
    return v, objects + (v["scan"] if occasion == "same_scan" else 0.0)


def told_apart(occasion: str) -> tuple[str, ...]:
    """Components whose variance is what a reading is to tell apart."""
    return OBJECTS if occasion == "same_scan" else OBJECTS[:2]


def error_variance(parts: Mapping[str, Floats | float], kind: str, plan: Plan) -> Floats:
    """Error variance of a value read by a plan.

    Parameters
    ----------
    parts
        Component name to variance.
    kind
        ``"intra"``: one rater again; ``"consistency"``: raters' own shifts left out;
        ``"agreement"``: any raters of a site; ``"new_site"``: any raters of a new site.
    plan
        k raters, m readings each. Intra takes m readings of one rater.
    """
    v, _ = split(parts, plan.occasion)
    occasion = v["scan"] if plan.occasion == "new_scan" else np.zeros_like(v["scan"])
    if kind == "intra":
        own = v["residual"] / plan.m
        error = occasion + own
    else:
        own = v["residual"] / (plan.k * plan.m)
        error = occasion + v["subject_rater"] / plan.k + own
    if kind in ("agreement", "new_site"):
        error = error + v["rater"] / plan.k
    if kind == "new_site":
        error = error + v["rater_site"]
    # The true error is at least its residual part. A floor at that part of a draw would lift the
    # lower limit beyond the truth where nothing else adds to it; half of it does not.
    return np.maximum(error, FLOOR * own)


def reliability_of(parts: Mapping[str, Floats | float], kind: str, plan: Plan) -> Floats:
    """Share of what is told apart in the variance of a value read by a plan.

    For ``"intra"`` the one rater's own shifts are part of what is told apart. NaN where
    there is no component to be told apart: then it is not zero but unknown.
    """
    v, objects = split(parts, plan.occasion)
    if not any(name in parts for name in told_apart(plan.occasion)):
        return np.full(np.shape(v["residual"]), np.nan)
    if kind == "intra":
        objects = objects + v["rater"] + v["subject_rater"] + v["rater_site"]
    objects = np.maximum(objects, 0.0)
    total = objects + error_variance(parts, kind, plan)
    return np.where(total > 0, objects / np.where(total > 0, total, 1.0), np.nan)


Limits = tuple[float, float]


def limits_of(
    quantiles: Callable[[str, Plan], Limits], kinds: Iterable[str], plan: Plan, *, rising: bool
) -> dict[str, Limits]:
    """Limits of one figure for several kinds of error, in order over plans and over kinds.

    A mean of more readings has no larger error. Draws with a negative component break that
    too, where something else does not average out. So neither limit of an error lies above
    that of a plan with fewer raters or fewer readings by each (of a reliability below it);
    the plan of one reading keeps its limits. Then `in_order`.

    Parameters
    ----------
    quantiles
        Kind and plan to the quantiles of the draws.
    kinds, plan, rising
        See `in_order`.
    """
    smaller = [
        Plan(k, m, plan.occasion) for k in range(1, plan.k + 1) for m in range(1, plan.m + 1)
    ]
    best = np.fmin if rising else np.fmax
    limits: dict[str, Limits] = {}
    for kind in kinds:
        low, high = (float(x) for x in quantiles(kind, plan))
        if not math.isnan(low):
            each = np.array([quantiles(kind, one) for one in smaller])
            low, high = (float(x) for x in best.reduce(each, axis=0))
        limits[kind] = (low, high)
    return in_order(limits, plan, rising=rising)


def in_order(limits: Mapping[str, Limits], plan: Plan, *, rising: bool) -> dict[str, Limits]:
    """Limits of one figure for several kinds of error, none against the order of the kinds.

    The kind with the least error keeps its limits: its variance is known best. From there on,
    neither limit of an error lies below that of the kind before it, and neither limit of a
    reliability above it. What a limit says of the smaller error, it says of the larger too, so
    the upper limits of errors can only move outwards; what raising the lower ones costs was
    measured (docs/methods/coverage_reliability.md). Cutting every draw of a component at zero
    would give the same order, but lower limits that lie too high (it covered 91 % instead of
    95 % where neither raters nor scan x rater varied).

    Parameters
    ----------
    limits
        Kind to lower and upper limit; kinds that the design cannot tell are absent.
    plan
        With several raters, ``"intra"`` is about another plan, and stands by itself.
    rising
        True for errors, False for reliabilities.
    """
    told = [k for k in RISING if k in limits and (plan.k == 1 or k != "intra")]
    out = dict(limits)
    further = max if rising else min
    for before, after in pairwise(told):
        both = zip(out[before], out[after], strict=True)
        low, high = (b if math.isnan(a) or math.isnan(b) else further(a, b) for a, b in both)
        out[after] = (low, high)
    return out


def holding(limits: Limits, value: float) -> Limits:
    """The limits, moved outwards to the estimate where it lies beyond them.

    Estimate and draws weigh unbalanced rows differently, so that with few rows one may lie
    outside the other. Moving a limit outwards costs no coverage.
    """
    low, high = limits
    if math.isnan(low) or math.isnan(high) or math.isnan(value):
        return limits
    return min(low, value), max(high, value)
