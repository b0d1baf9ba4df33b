"""Variance components against R's lme4, on the same simulated tables in the same run.

Run: ``OMP_NUM_THREADS=1 python tests/benchmarks/mixed_against_lme4.py``
(needs Rscript with lme4). Prints seconds, ratios, and how far the answers differ.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from cohortkit import mixed

SCRIPT = Path(__file__).with_suffix(".R")
MODEL = {
    "value": "value",
    "random": [["subject"], ["rater"]],
    "participant": None,
    "unit": "1",
}


def sparse_ratings() -> pd.DataFrame:
    """73,421 ratings of 2,972 subjects by 1,128 raters, assigned sparsely."""
    rng = np.random.default_rng(1)
    subjects, raters, n = 2972, 1128, 73421
    subject = rng.integers(0, subjects, n)
    weight = rng.gamma(2.0, 1.0, raters)
    rater = rng.choice(raters, n, p=weight / weight.sum())
    value = (
        3.2
        + rng.normal(0, 0.33, subjects)[subject]
        + rng.normal(0, 0.52, raters)[rater]
        + rng.normal(0, 1.17, n)
    )
    return pd.DataFrame({"subject": subject, "rater": rater, "value": value})


def crossed_ratings(missing: float) -> pd.DataFrame:
    """200 subjects x 8 raters, with a share of the cells missing."""
    rng = np.random.default_rng(2)
    subject, rater = (a.ravel() for a in np.meshgrid(range(200), range(8), indexing="ij"))
    value = rng.normal(0, 1, 200)[subject] + rng.normal(0, 0.3, 8)[rater] + rng.normal(0, 0.5, 1600)
    table = pd.DataFrame({"subject": subject, "rater": rater, "value": value})
    return table[rng.random(1600) >= missing].reset_index(drop=True)


def lme4(table: pd.DataFrame, n_boot: int) -> list[float]:
    """Seconds with and without its final check, seconds a refit, components, log likelihood."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "ratings.csv"
        table.to_csv(file, index=False)
        command = ["Rscript", str(SCRIPT), str(file), str(n_boot)]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
    return [float(x) for x in done.stdout.replace("NA", "nan").split()]


def seconds(call: Callable[[], object], repeats: int) -> float:
    """Shortest of several runs."""
    taken = []
    for _ in range(repeats):
        begin = time.perf_counter()
        call()
        taken.append(time.perf_counter() - begin)
    return min(taken)


def main() -> None:
    """Print the comparison."""
    say = sys.stdout.write
    for name, table, n_boot in (
        ("73,421 ratings, 2,972 x 1,128", sparse_ratings(), 0),
        ("200 x 8, balanced", crossed_ratings(0.0), 100),
        ("200 x 8, 20 % missing", crossed_ratings(0.2), 100),
    ):
        plain, bare, refit, *answer = lme4(table, n_boot)
        result = mixed.fit(table, **MODEL)
        own = seconds(lambda t=table: mixed.fit(t, **MODEL), 3)
        theirs = dict(zip(("var_subject", "var_rater", "var_residual"), answer, strict=False))
        worst = max(abs(result[k].value / v - 1) for k, v in theirs.items())
        say(
            f"{name}\n  fit: {own:.3f} s; lme4 {plain:.2f} s (without its final check {bare:.2f} s)"
        )
        say(f"; ratio {plain / own:.0f} ({bare / own:.0f})\n")
        say(f"  largest relative difference of a component {worst:.1e}, ")
        say(f"log likelihood {result.log_likelihood - answer[3]:+.1e}\n")
        if n_boot:
            boot = mixed.Bootstrap(n_boot=999)
            own = seconds(lambda t=table, b=boot: mixed.fit(t, intervals=b, **MODEL), 1)
            say(f"  999 bootstrap refits: {own:.2f} s; lme4 {999 * refit:.0f} s")
            say(f" (from {n_boot}); ratio {999 * refit / own:.0f}\n")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    say(f"peak memory of this process {peak:.0f} MB\n")


if __name__ == "__main__":
    main()
