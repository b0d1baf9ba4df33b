"""The bootstrap over participants as a ratio to a plain numpy loop on the same data.

Run: ``python tests/benchmarks/bootstrap_against_loop.py``
"""

from __future__ import annotations

import time

import numpy as np

from cohortkit.resampling import participant_bootstrap

N_BOOT = 2000


def plain_loop(cluster: np.ndarray, value: np.ndarray, seed: int) -> np.ndarray:
    """What one would write by hand: draw people, gather their rows, take the median."""
    rng = np.random.default_rng(seed)
    people = np.unique(cluster)
    rows = [np.flatnonzero(cluster == person) for person in people]
    draws = np.empty(N_BOOT)
    for i in range(N_BOOT):
        drawn = rng.integers(0, len(people), len(people))
        draws[i] = np.median(value[np.concatenate([rows[d] for d in drawn])])
    return draws


def main() -> None:
    rng = np.random.default_rng(3)
    cluster = np.repeat(np.arange(500), rng.integers(1, 5, 500))
    value = rng.normal(size=len(cluster)) + rng.normal(size=500)[cluster]
    start = time.perf_counter()
    by_hand = plain_loop(cluster, value, 1)
    took_loop = time.perf_counter() - start
    start = time.perf_counter()
    ours = participant_bootstrap(
        cluster, lambda rows: float(np.median(value[rows])), n_boot=N_BOOT, seed=1
    )
    took_ours = time.perf_counter() - start
    print(f"plain loop            {took_loop:6.2f} s, SE {by_hand.std(ddof=1):.4f}")
    print(f"participant_bootstrap {took_ours:6.2f} s, SE {ours.std(ddof=1):.4f}")
    print(f"ratio                 {took_ours / took_loop:6.2f}")


if __name__ == "__main__":
    main()
