"""Coverage of the intervals of the limits of agreement, measured on simulated tables.

``python -m tests.agreement.simulated_limits docs/methods 4000`` writes
coverage_limits.csv and coverage_limits.md: the same seed gives the same figures.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from scipy import stats

from cohortkit.agreement.limit_components import (
    Grouped,
    Total,
    bias_half,
    component_intervals,
    expanded,
    limit_interval,
    one_way,
    summary,
    variance_limits,
)
from cohortkit.agreement.limit_levels import Fingered, Line, line, two_way
from cohortkit.agreement.limits import limit_factors
from cohortkit.agreement.limits_regression import lines_at, regression_factors
from cohortkit.agreement.limits_replicates import constant_truth
from cohortkit.agreement.nested_raters import NestedSums, error_pivot, nested_sums
from cohortkit.agreement.repeatability import clustered_limits
from cohortkit.resampling import percentile_interval
from tests.agreement import simulated
from tests.covered import Page, Row, write

LEVEL = 0.95
Z = float(stats.norm.ppf(0.975))
BIAS, SD = 0.1, 0.2
N_BOOT = 999
NAMES = ("bias", "sd_difference", "lower_limit", "upper_limit")
SLOPE = 0.1


@dataclass(frozen=True)
class Setting:
    """k participants, pairs of each, share of the variance between them, shape of the differences."""

    k: int
    pairs: str  # one | two each | one to four
    between: float
    shape: str = "normal"  # normal | skewed

    @property
    def sizes(self) -> np.ndarray:
        patterns = {"one": [1], "two each": [2], "one to four": [1, 2, 3, 4]}
        return np.resize(np.array(patterns[self.pairs], dtype=float), self.k)


CLUSTERED = (
    Setting(15, "two each", 0.5),
    Setting(15, "one to four", 0.5),
    Setting(30, "one to four", 0.0),
    Setting(30, "one to four", 0.5),
    Setting(30, "one to four", 0.9),
    Setting(60, "one to four", 0.5),
    Setting(100, "one to four", 0.5),
    Setting(200, "one to four", 0.5),
    Setting(60, "one to four", 0.5, "skewed"),
)
REPLICATES = (
    Setting(15, "two each", 0.5),
    Setting(15, "one to four", 0.5),
    Setting(30, "one to four", 0.9),
    Setting(60, "one to four", 0.5),
)
LINES = ((10, "constant"), (30, "constant"), (30, "changing"), (60, "changing"), (200, "changing"))


@dataclass(frozen=True)
class Hands:
    """k participants with fingers of each, scans of each finger, shares of the variance.

    `fingers` and `scans` are taken in turn; shares lie between participants, between
    fingers of one participant, and between scans of one finger.
    """

    k: int
    fingers: tuple[int, ...]
    scans: tuple[int, ...]
    shares: tuple[float, float, float]

    @property
    def codes(self) -> tuple[np.ndarray, np.ndarray]:
        """Participant and finger of every scan."""
        people = np.repeat(np.arange(self.k), np.resize(np.array(self.fingers), self.k))
        repeats = np.resize(np.array(self.scans), len(people))
        return np.repeat(people, repeats), np.repeat(np.arange(len(people)), repeats)

    @property
    def words(self) -> str:
        of_each = " or ".join(str(n) for n in self.fingers)
        scans = " or ".join(str(n) for n in self.scans)
        shares = " / ".join(f"{s:g}" for s in self.shares)
        return f"{self.k} participants x {of_each} fingers x {scans} scans, shares {shares}"

    def values(self, n_sim: int, rng: np.random.Generator) -> np.ndarray:
        """Normal numbers of variance 1 with these shares, (n_sim, scans)."""
        people, finger = self.codes
        effects = (people, finger, np.arange(len(people)))
        return sum(
            math.sqrt(share) * rng.standard_normal((n_sim, code.max() + 1))[:, code]
            for share, code in zip(self.shares, effects, strict=True)
        )


HANDS = (
    Hands(30, (2,), (4,), (0.0, 1.0, 0.0)),
    Hands(30, (2,), (4,), (0.4, 0.4, 0.2)),
    Hands(15, (1, 2, 3), (1, 2, 3), (0.3, 0.5, 0.2)),
    Hands(60, (1, 4), (1, 3), (0.5, 0.3, 0.2)),
)
# Share of the variance of the differences, and of the means, that lies between participants
CLUSTERED_LINES = (
    (Hands(15, (1, 2, 3, 4), (1,), (0.5, 0.5, 0.0)), "constant"),
    (Hands(30, (2,), (1,), (0.5, 0.5, 0.0)), "constant"),
    (Hands(30, (3,), (1,), (0.9, 0.1, 0.0)), "constant"),
    (Hands(30, (2,), (1,), (0.0, 1.0, 0.0)), "constant"),
    (Hands(30, (2,), (3,), (0.3, 0.5, 0.2)), "constant"),
    (Hands(60, (1, 2, 3, 4), (1,), (0.5, 0.5, 0.0)), "constant"),
    (Hands(30, (2,), (1,), (0.5, 0.5, 0.0)), "changing"),
    (Hands(60, (1, 2, 3, 4), (1,), (0.5, 0.5, 0.0)), "changing"),
)
SINGLE = (
    *((n, "normal") for n in (2, 3, 10, 17, 30, 100)),
    (30, "rounded to 0.1 mm"),
    (15, "skewed"),
    (30, "skewed"),
    (100, "skewed"),
)
WITH_MEAN = ((15, 3, 0.25), (30, 3, 1.0), (30, 2, 0.25), (50, 8, 0.25), (30, 4, 0.0))
# participants, raters, variances of raters and of participant x rater over that of the rest;
# fingers of each participant, in turn
WITH_MEAN_FINGERS = (
    *((n, k, 0.25, own, (1, 2, 3, 4)) for n in (15, 40) for k in (3, 5) for own in (0.0, 0.5)),
    (15, 3, 0.25, 4.0, (1, 2, 3, 4)),
    (15, 3, 1.0, 0.5, (1, 2, 3, 4)),
    (40, 5, 0.0, 0.5, (1, 2, 3, 4)),
    (15, 2, 0.25, 0.5, (1, 2, 3, 4)),
    (40, 2, 0.25, 0.5, (1, 2, 3, 4)),
    (5, 3, 0.25, 0.5, (1, 2, 3, 4)),
    (2, 3, 0.25, 0.5, (2, 3)),
    (15, 3, 0.25, 0.5, (1,) * 14 + (12,)),
    (15, 5, 0.0, 2.0, (1,) * 14 + (12,)),
)
REPEATS = (
    (15, "two each", "alike"),
    (30, "one to four", "alike"),
    (60, "one to four", "alike"),
    (15, "one to four", "participants differ"),
    (30, "one to four", "participants differ"),
    (60, "one to four", "participants differ"),
    (200, "one to four", "participants differ"),
)


def covered(low: np.ndarray, high: np.ndarray, truth: float) -> float:
    return float(np.mean((low <= truth) & (truth <= high)))


def groups(setting: Setting, n_sim: int, rng: np.random.Generator) -> Grouped:
    """Differences of mean 0.1 and SD 0.2 mm, in groups; shapes (n_sim, k)."""
    size = setting.sizes
    code = np.repeat(np.arange(setting.k), size.astype(int))

    def noise(shape: tuple[int, ...]) -> np.ndarray:
        if setting.shape == "skewed":
            return (rng.gamma(2.0, 1.0, shape) - 2) / math.sqrt(2)
        return rng.standard_normal(shape)

    person = noise((n_sim, setting.k)) * math.sqrt(setting.between)
    rest = noise((n_sim, len(code))) * math.sqrt(1 - setting.between)
    d = BIAS + SD * (person[:, code] + rest)
    edge = np.flatnonzero(np.diff(code, prepend=-1))
    mean = np.add.reduceat(d, edge, axis=1) / size
    inner = np.add.reduceat((d - mean[:, code]) ** 2, edge, axis=1)
    return Grouped(np.broadcast_to(size, mean.shape), mean, inner)


TRUTHS = (BIAS, SD, BIAS - Z * SD, BIAS + Z * SD)


def components(total: Total) -> dict[str, float]:
    half = bias_half(total, LEVEL)
    low, high = (np.sqrt(np.maximum(v, 0)) for v in variance_limits(total, LEVEL))
    ends = [
        (total.bias - half, total.bias + half),
        (low, high),
        limit_interval(total, -Z, LEVEL),
        limit_interval(total, Z, LEVEL),
    ]
    return {n: covered(*e, t) for n, e, t in zip(NAMES, ends, TRUTHS, strict=True)}


def clustered(setting: Setting, n_sim: int, seed: int) -> dict[str, float]:
    return components(one_way(groups(setting, n_sim, np.random.default_rng(seed))))


def clustered_bootstrap(setting: Setting, n_sim: int, seed: int) -> dict[str, float]:
    rng = np.random.default_rng(seed)
    data = groups(setting, n_sim, rng)
    share = expanded(LEVEL, setting.k)

    def one(i: int) -> np.ndarray:
        at = rng.integers(0, setting.k, (N_BOOT, setting.k))
        drawn = Grouped(data.size[i][at], data.mean[i][at], data.inner[i][at])
        return np.array(percentile_interval(summary(one_way(drawn), Z), share))

    ends = np.array([one(i) for i in range(n_sim)])
    return {name: covered(ends[:, 0, j], ends[:, 1, j], TRUTHS[j]) for j, name in enumerate(NAMES)}


def repeated_reads(
    setting: Setting, n_sim: int, seed: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Two raters, repeats of each with SDs 0.12 and 0.09 mm; `between` sets the rest."""
    rng = np.random.default_rng(seed)
    within = np.array([0.12, 0.09])
    # The share of the variance of a single difference that repeats do not explain.
    rest = SD**2 * setting.between
    within = within * math.sqrt(SD**2 * (1 - setting.between) / (within**2).sum())
    size = np.stack([setting.sizes, setting.sizes[::-1]], axis=-1)
    noise = rng.standard_normal((n_sim, setting.k, 2)) * within / np.sqrt(size)
    mean = noise + 2.0
    mean[..., 0] += BIAS + math.sqrt(rest) * rng.standard_normal((n_sim, setting.k))
    df = size - 1
    draws = rng.chisquare(np.maximum(df, 1), (n_sim, setting.k, 2))
    inner = np.where(df > 0, draws, 0.0) * within**2
    return size, mean, inner


def replicates(setting: Setting, n_sim: int, seed: int) -> dict[str, float]:
    size, mean, inner = repeated_reads(setting, n_sim, seed)
    return components(constant_truth(np.broadcast_to(size, mean.shape), mean, inner))


def hands(design: Hands, n_sim: int, seed: int) -> tuple[Fingered, np.ndarray]:
    """Differences of a design by participant, (n_sim, k), and one by one."""
    d = BIAS + SD * design.values(n_sim, np.random.default_rng(seed))
    people, finger = design.codes
    owner = people[np.flatnonzero(np.diff(finger, prepend=-1))]
    first, edge = (
        np.flatnonzero(np.diff(owner, prepend=-1)),
        np.flatnonzero(np.diff(finger, prepend=-1)),
    )
    number = np.bincount(finger).astype(float)
    size = np.bincount(people).astype(float)
    own = np.add.reduceat(d, edge, axis=1) / number
    mean = np.add.reduceat(own * number, first, axis=1) / size
    among = np.add.reduceat(number * (own - mean[:, owner]) ** 2, first, axis=1)
    whole = np.add.reduceat((d - own[:, finger]) ** 2, edge, axis=1)
    inner = np.add.reduceat(whole, first, axis=1)
    counts = (size, np.bincount(owner).astype(float), np.bincount(owner, number**2))
    size, fingers, squares = (np.broadcast_to(c, mean.shape) for c in counts)
    return Fingered(size, mean, fingers, squares, among, inner), d


def fingers_components(design: Hands, n_sim: int, seed: int) -> dict[str, float]:
    return components(two_way(hands(design, n_sim, seed)[0]))


def resampled(draw: Callable[[int, np.ndarray], np.ndarray], k: int, n_sim: int, seed: int):
    """Coverage of the bootstrap; `draw` gives the four numbers of table i for resamples (b, k)."""
    rng, share = np.random.default_rng(seed + 1), expanded(LEVEL, k)
    ends = np.array(
        [percentile_interval(draw(i, rng.integers(0, k, (N_BOOT, k))), share) for i in range(n_sim)]
    )
    return {name: covered(ends[:, 0, j], ends[:, 1, j], TRUTHS[j]) for j, name in enumerate(NAMES)}


def fingers_bootstrap(design: Hands, n_sim: int, seed: int) -> dict[str, float]:
    parts, _ = hands(design, n_sim, seed)
    columns = [getattr(parts, name) for name in Fingered.__dataclass_fields__]

    def draw(i: int, at: np.ndarray) -> np.ndarray:
        return summary(two_way(Fingered(*(c[i][at] for c in columns))), Z)

    return resampled(draw, design.k, n_sim, seed)


def replicates_bootstrap(setting: Setting, n_sim: int, seed: int) -> dict[str, float]:
    size, mean, inner = repeated_reads(setting, n_sim, seed)

    def draw(i: int, at: np.ndarray) -> np.ndarray:
        return summary(constant_truth(size[at], mean[i][at], inner[i][at]), Z)

    return resampled(draw, setting.k, n_sim, seed)


def paired_repeats(setting: Setting, n_sim: int, seed: int) -> Grouped:
    """Repeats whose true value changes: pairs of reads that share it, by subject."""
    rng = np.random.default_rng(seed)
    size = setting.sizes.astype(int)
    code = np.repeat(np.arange(setting.k), size)
    own = math.sqrt(setting.between) * SD * rng.standard_normal((n_sim, setting.k))
    errors = math.sqrt((1 - setting.between) / 2) * SD * rng.standard_normal((2, n_sim, len(code)))
    truth = 2 + 0.3 * rng.standard_normal((n_sim, len(code)))
    d = (truth + BIAS + own[:, code] + errors[0]) - (truth + errors[1])
    edge = np.flatnonzero(np.diff(code, prepend=-1))
    mean = np.add.reduceat(d, edge, axis=1) / size
    inner = np.add.reduceat((d - mean[:, code]) ** 2, edge, axis=1)
    return Grouped(np.broadcast_to(size.astype(float), mean.shape), mean, inner)


def varying(setting: Setting, n_sim: int, seed: int) -> dict[str, float]:
    return components(one_way(paired_repeats(setting, n_sim, seed)))


def varying_bootstrap(setting: Setting, n_sim: int, seed: int) -> dict[str, float]:
    parts = paired_repeats(setting, n_sim, seed)

    def draw(i: int, at: np.ndarray) -> np.ndarray:
        drawn = Grouped(parts.size[i][at], parts.mean[i][at], parts.inner[i][at])
        return summary(one_way(drawn), Z)

    return resampled(draw, setting.k, n_sim, seed)


def clustered_lines(case: tuple[Hands, str], n_sim: int, seed: int) -> dict[str, float]:
    """Slope, and bias, SD and limits at 2 mm, of differences 0.1 mm there with slope 0.1."""
    design, spread = case
    rng = np.random.default_rng(seed)
    people, finger = design.codes
    alike = Hands(design.k, design.fingers, design.scans, (0.7, 0.3, 0.0))
    mean = np.clip(2.5 + 0.8 * alike.values(n_sim, rng), 0.3, None)
    sd = SD * mean / 2 if spread == "changing" else SD
    d = BIAS + SLOPE * (mean - 2) + sd * design.values(n_sim, rng)
    at = np.array([2.0])
    truths = {**dict(zip(NAMES, TRUTHS, strict=True)), "slope": SLOPE}
    hits = {name: 0 for name in truths if spread == "constant" or name != "sd_difference"}
    rows_of = [np.flatnonzero(people == i) for i in range(design.k)]
    for i in range(n_sim):
        if spread == "constant":
            found = line(mean[i], d[i], people, finger)
            ends = line_ends(found, at)
        else:
            rows = [
                np.concatenate([rows_of[p] for p in rng.integers(0, design.k, design.k)])
                for _ in range(N_BOOT)
            ]
            draws = np.array([drawn_line(mean[i][r], d[i][r], at) for r in rows])
            low, high = percentile_interval(draws, expanded(LEVEL, design.k))
            names = ("slope", "bias", "lower_limit", "upper_limit")
            ends = {name: (low[j], high[j]) for j, name in enumerate(names)}
        for name in hits:
            hits[name] += ends[name][0] <= truths[name] <= ends[name][1]
    return {name: count / n_sim for name, count in hits.items()}


def drawn_line(mean: np.ndarray, difference: np.ndarray, at: np.ndarray) -> np.ndarray:
    coefficients, found = lines_at(mean, difference, at, Z, changing=True)
    return np.concatenate([coefficients[:1], found[:, 0]])


def line_ends(found: Line | None, at: np.ndarray) -> dict[str, tuple[float, float]]:
    if found is None:
        raise ValueError("the designs have all degrees of freedom that a line needs")
    total = found.at(at)
    slope = found.at(np.ones(1), slope_only=True)
    half = bias_half(slope, LEVEL)
    one = replace(total, bias=total.bias[0], bias_variance=total.bias_variance[0])
    ends = dict(zip(NAMES, component_intervals(one, Z, LEVEL), strict=True))
    return ends | {"slope": (float((slope.bias - half)[0]), float((slope.bias + half)[0]))}


def single(design: tuple[int, str], n_sim: int, seed: int) -> dict[str, float]:
    """n independent differences; the truth of a limit is that of the population's mean and SD."""
    n, shape = design
    rng = np.random.default_rng(seed)
    if shape == "skewed":
        d = BIAS + SD * (rng.gamma(2.0, 1.0, (n_sim, n)) - 2) / math.sqrt(2)
    else:
        d = BIAS + SD * rng.standard_normal((n_sim, n))
    if shape.startswith("rounded"):
        d = np.round(d, 1)
    centre, spread = d.mean(axis=1), d.std(axis=1, ddof=1)
    half = stats.t.ppf(0.975, n - 1) / math.sqrt(n)
    squares = [(n - 1) / stats.chi2.ppf(p, n - 1) for p in (0.975, 0.025)]
    factors = {
        "bias": ((-half, half), BIAS),
        "lower_limit": (limit_factors(n, -Z, LEVEL), BIAS - Z * SD),
        "upper_limit": (limit_factors(n, Z, LEVEL), BIAS + Z * SD),
    }
    found = {
        name: covered(centre + low * spread, centre + high * spread, truth)
        for name, ((low, high), truth) in factors.items()
    }
    low, high = (spread * math.sqrt(s) for s in squares)
    return found | {"sd_difference": covered(low, high, SD)}


def with_mean(design: tuple[int, int, float], n_sim: int, seed: int) -> dict[str, float]:
    """n subjects by k raters, variance of raters over that of the error: SD of the deviations."""
    n, k, raters = design
    found = simulated.Design(n, k, 1.0, raters, 1.0)
    held = simulated.measure(found, n_sim, seed)["sem_agreement"]
    # The limits are -+ z times the SD of the deviations, which is a multiple of the SEM.
    return {"sd_difference": held, "lower_limit": held, "upper_limit": held}


def with_mean_fingers(
    design: tuple[int, int, float, float, tuple[int, ...]], n_sim: int, seed: int
) -> dict[str, float]:
    """Participants with several fingers, all read by k raters: SD of the deviations, shifts."""
    n, k, raters, own, fingers = design
    rng = np.random.default_rng(seed)
    size = np.resize(np.array(fingers, dtype=float), n)
    code = np.repeat(np.arange(n), size.astype(int))
    shift = math.sqrt(raters) * rng.standard_normal((n_sim, 1, k))
    values = 2 + rng.standard_normal((n_sim, len(code), 1)) + shift
    values += math.sqrt(own) * rng.standard_normal((n_sim, n, k))[:, code]
    values += rng.standard_normal((n_sim, len(code), k))
    sums = nested_sums(values, size)
    chance = np.concatenate(
        [
            error_pivot(part)(np.full(len(part.raters), raters + own + 1))
            for part in in_slices(sums, n_sim)
        ]
    )
    tail = (1 - LEVEL) / 2
    held = float(np.mean((chance > tail) & (chance < 1 - tail)))
    mean = (values - values.mean(axis=2, keepdims=True)).mean(axis=1)[:, 0]
    half = stats.t.ppf((1 + LEVEL) / 2, (n - 1) * (k - 1)) * sums.rater_error()
    truth = (shift - shift.mean(axis=2, keepdims=True))[:, 0, 0]
    return {
        "bias": float(np.mean(np.abs(mean - truth) <= half)),
        "sd_difference": held,
        "lower_limit": held,
        "upper_limit": held,
    }


def in_slices(sums: NestedSums, n_sim: int, size: int = 250) -> list[NestedSums]:
    """The same tables in slices, to bound memory."""
    names = ("raters", "participants", "fingers")
    return [
        replace(sums, **{name: getattr(sums, name)[i : i + size] for name in names})
        for i in range(0, n_sim, size)
    ]


def lines(design: tuple[int, str], n_sim: int, seed: int) -> dict[str, float]:
    """Bias and limits at a mean of 2 mm; difference 0.1 mm there, slope 0.1."""
    n, spread = design
    rng = np.random.default_rng(seed)
    mean = rng.uniform(1, 4, (n_sim, n))
    sd = 0.1 * mean if spread == "changing" else np.full_like(mean, 0.2)
    d = 0.1 + 0.1 * (mean - 2) + sd * rng.standard_normal((n_sim, n))
    at = np.array([2.0])
    coefficients, found = lines_at(mean, d, at, Z, changing=spread == "changing")
    truths = (0.1, 0.1 - Z * 0.2, 0.1 + Z * 0.2)
    names = ("bias", "lower_limit", "upper_limit")
    if spread == "constant":
        fit, s = found[:, 0, 0], coefficients[:, 3]
        centre = mean.mean(axis=1)
        h = np.sqrt(1 / n + (2 - centre) ** 2 / ((mean - centre[:, None]) ** 2).sum(axis=1))
        t = stats.t.ppf(0.975, n - 2)
        ends = [(fit - t * h * s, fit + t * h * s)]
        for side in (-1, 1):
            f = regression_factors(n, h, side * Z, LEVEL)
            ends.append((fit + f[:, 0] * s, fit + f[:, 1] * s))
    else:
        share = expanded(LEVEL, n)

        def one(i: int) -> np.ndarray:
            rows = rng.integers(0, n, (N_BOOT, n))
            draws = lines_at(mean[i][rows], d[i][rows], at, Z, changing=True)[1][:, :, 0]
            return np.array(percentile_interval(draws, share))

        both = np.array([one(i) for i in range(n_sim)])
        ends = [(both[:, 0, j], both[:, 1, j]) for j in range(3)]
    return {name: covered(*e, t) for name, e, t in zip(names, ends, truths, strict=True)}


def repeats(design: tuple[int, str, str], n_sim: int, seed: int) -> dict[str, float]:
    """Two reads of each scan; SD 0.2 mm, or log-normal over participants with that mean square."""
    k, pattern, kind = design
    rng = np.random.default_rng(seed)
    df = Setting(k, pattern, 0.0).sizes
    scale = np.ones((n_sim, k))
    if kind != "alike":
        scale = np.exp(0.6 * rng.standard_normal((n_sim, k)) - 0.18)
    inner = 0.04 * scale * rng.chisquare(df, (n_sim, k))
    low, high = clustered_limits(inner, np.broadcast_to(df, inner.shape), LEVEL)
    return {"within_sd": covered(low, high, 0.2)}


Case = tuple[str, str, Callable[[int, int], dict[str, float]]]


def cases() -> list[Case]:
    """Function, setting in words, and what measures it from n_sim and seed."""
    found: list[Case] = []
    for n, shape in SINGLE:
        words = f"{n} pairs, {shape}"
        found.append(("limits_of_agreement", words, partial(single, (n, shape))))
    for s in CLUSTERED:
        words = f"{s.k} participants, {s.pairs}, {s.between:g} between, {s.shape}"
        found.append(("limits_clustered components", words, partial(clustered, s)))
        found.append(("limits_clustered bootstrap", words, partial(clustered_bootstrap, s)))
    for h in HANDS:
        found.append(("limits_clustered components", h.words, partial(fingers_components, h)))
        found.append(("limits_clustered bootstrap", h.words, partial(fingers_bootstrap, h)))
    for s in REPLICATES:
        words = f"{s.k} subjects, reads {s.pairs}, {s.between:g} between"
        found.append(("limits_replicates constant", words, partial(replicates, s)))
        found.append(
            ("limits_replicates constant bootstrap", words, partial(replicates_bootstrap, s))
        )
        found.append(("limits_replicates varying", words, partial(varying, s)))
        found.append(("limits_replicates varying bootstrap", words, partial(varying_bootstrap, s)))
    for d in LINES:
        found.append(("limits_regression", f"{d[0]} pairs, {d[1]} spread", partial(lines, d)))
    for c in CLUSTERED_LINES:
        words = f"{c[0].words}, {c[1]} spread"
        found.append(("limits_regression", words, partial(clustered_lines, c)))
    for m in WITH_MEAN:
        words = f"{m[0]} subjects, {m[1]} raters, raters / error {m[2]:g}"
        found.append(("limits_with_mean", words, partial(with_mean, m)))
    for f in WITH_MEAN_FINGERS:
        each = {(1, 2, 3, 4): "1 to 4", (2, 3): "2 and 3"}.get(f[4], "1, the last 12")
        words = f"{f[0]} participants, fingers {each}, {f[1]} raters, {f[2]:g} / {f[3]:g} / 1"
        found.append(("limits_with_mean", words, partial(with_mean_fingers, f)))
    for r in REPEATS:
        words = f"{r[0]} participants, scans {r[1]}, {r[2]}"
        found.append(("repeatability clustered", words, partial(repeats, r)))
    return found


SLOW = 1000  # tables of a setting whose resamples are made one by one


def runs(words: str, n_sim: int) -> int:
    """Simulated tables of a setting."""
    return min(n_sim, SLOW) if "fingers" in words and "changing" in words else n_sim


def measured(case: Case, n_sim: int, seed: int) -> list[Row]:
    function, words, measure = case
    count = runs(words, n_sim)
    shares = measure(count, seed)
    names = {"within_sd": "sd_difference"}
    return [Row(f"{function} | {words}", names.get(n, n), x, count) for n, x in shares.items()]


def coverage_rows(n_sim: int, seed: int = 20_260) -> list[Row]:
    """Coverage of every setting and figure."""
    return [row for case in cases() for row in measured(case, n_sim, seed)]


PAGE = Page(
    name="limits",
    title="limits of agreement",
    module="tests.agreement.simulated_limits",
    columns=(*NAMES, "slope"),
    rows=coverage_rows,
    words=f'Bootstrap intervals here use {N_BOOT} resamples. "between" is the share of the '
    "variance of the differences that lies between participants; with repeated reads the share "
    'that the repeats do not explain; "shares" are those between participants, between fingers '
    'of one participant and between scans of one finger. "one to four" is the number of scans, '
    'or reads, in turn. "skewed" is a gamma distribution of shape 2; "participants differ" has '
    "log-normal error variances (SD of the logarithm 0.6). The SD of `repeatability` is the "
    "within-subject SD, that of `limits_regression` the SD about the line, that of "
    "`limits_with_mean` the SD of the deviations; its variances are those of raters, "
    "participant x rater and the rest, its bias the mean deviation of these raters.",
)

if __name__ == "__main__":
    write(PAGE, Path(sys.argv[1]), int(sys.argv[2]))
