"""Coverage of the intervals of the limits of agreement, measured on simulated tables.

``python -m tests.agreement.simulated_limits docs/methods 4000`` writes
coverage_limits.csv and coverage_limits.md: the same seed gives the same figures.
"""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from scipy import stats

from cohortkit.agreement.limit_components import (
    Grouped,
    Total,
    bias_half,
    expanded,
    limit_interval,
    one_way,
    summary,
    variance_limits,
)
from cohortkit.agreement.limits_regression import lines_at, regression_factors
from cohortkit.agreement.limits_replicates import constant_truth
from cohortkit.agreement.repeatability import clustered_limits
from cohortkit.resampling import percentile_interval

LEVEL = 0.95
Z = float(stats.norm.ppf(0.975))
BIAS, SD = 0.1, 0.2
N_BOOT = 999
NAMES = ("bias", "sd_difference", "lower_limit", "upper_limit")


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
REPEATS = (
    (15, "two each", "alike"),
    (30, "one to four", "alike"),
    (60, "one to four", "alike"),
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


def replicates(setting: Setting, n_sim: int, seed: int) -> dict[str, float]:
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
    return components(constant_truth(np.broadcast_to(size, mean.shape), mean, inner))


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
    for s in CLUSTERED:
        words = f"{s.k} participants, {s.pairs}, {s.between:g} between, {s.shape}"
        found.append(("limits_clustered components", words, partial(clustered, s)))
        found.append(("limits_clustered bootstrap", words, partial(clustered_bootstrap, s)))
    for s in REPLICATES:
        words = f"{s.k} subjects, reads {s.pairs}, {s.between:g} between"
        found.append(("limits_replicates constant", words, partial(replicates, s)))
    for d in LINES:
        found.append(("limits_regression", f"{d[0]} pairs, {d[1]} spread", partial(lines, d)))
    for r in REPEATS:
        words = f"{r[0]} participants, scans {r[1]}, {r[2]}"
        found.append(("repeatability clustered", words, partial(repeats, r)))
    return found


def coverage_rows(n_sim: int, seed: int = 20_260) -> list[tuple[str, str, str, float, float]]:
    """Function, setting, estimate, coverage and its Monte Carlo error, both in per cent."""
    out = []
    for function, words, measure in cases():
        for name, share in measure(n_sim, seed).items():
            error = 100 * math.sqrt(share * (1 - share) / n_sim)
            out.append((function, words, name, 100 * share, error))
    return out


HEAD = """# Measured coverage of the intervals of limits of agreement

Share of {n:,} simulated tables whose nominal 95 % interval held the truth, in per cent; Monte Carlo error of a true 95 %: {error:.2f} points. Figures between asterisks lie outside 93.5 to 96.5. Bootstrap intervals here use {n_boot} resamples. An empty place: the function has no such figure.

Written by `python -m tests.agreement.simulated_limits docs/methods 4000`; each number with its own Monte Carlo error is in coverage_limits.csv, the designs are in tests/agreement/simulated_limits.py. "between" is the share of the variance of the differences that lies between participants; with repeated reads the share that the repeats do not explain. "one to four" is the number of scans, or reads, in turn. "skewed" is a gamma distribution of shape 2; "participants differ" has log-normal error variances (SD of the logarithm 0.6).

| function | setting | bias | SD | lower limit | upper limit |
|---|---|---|---|---|---|
"""


def write(folder: Path, n_sim: int) -> None:
    """Both files of docs/methods."""
    found = coverage_rows(n_sim)
    with (folder / "coverage_limits.csv").open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["function", "setting", "estimate", "coverage_percent", "monte_carlo_error"])
        out.writerows([*row[:3], f"{row[3]:.2f}", f"{row[4]:.2f}"] for row in found)
    table: dict[tuple[str, str], dict[str, float]] = {}
    for function, words, name, share, _ in found:
        table.setdefault((function, words), {})[name.replace("within_sd", "sd_difference")] = share
    error = 100 * math.sqrt(0.95 * 0.05 / n_sim)
    lines_out = [HEAD.format(n=n_sim, error=error, n_boot=N_BOOT)]
    for (function, words), shares in table.items():
        cells = [_cell(shares.get(name)) for name in NAMES]
        lines_out.append(f"| {function} | {words} | {' | '.join(cells)} |\n")
    (folder / "coverage_limits.md").write_text("".join(lines_out), encoding="utf-8")


def _cell(share: float | None) -> str:
    if share is None:
        return ""
    return f"{share:.1f}" if 93.5 <= share <= 96.5 else f"*{share:.1f}*"


if __name__ == "__main__":
    write(Path(sys.argv[1]), int(sys.argv[2]))
