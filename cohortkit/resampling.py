"""Repetition with seeds: bootstrap over participants, leave-one-out, any replicate.

Arrays in, arrays out. Every replicate draws from its own child of one seed, so
the answer is the same bit for bit with any number of workers.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from typing import Any

import joblib
import numpy as np

from cohortkit import checks
from cohortkit.errors import ArgumentError, EstimateError

Statistic = Callable[[np.ndarray], "np.ndarray | float"]
Seed = int | np.random.SeedSequence

_FAILURES = (EstimateError, ArithmeticError, np.linalg.LinAlgError)
_TOLERATED_FAILURES = 0.1


def replicate(
    task: Callable[[np.random.Generator], Any], *, n: int, seed: Seed, workers: int | None = 1
) -> list[Any]:
    """Run `task` n times, each with its own random generator.

    Parameters
    ----------
    task
        Takes a generator, gives anything.
    n
        Number of replicates.
    seed
        Whole number or SeedSequence. Replicate i draws from the child with
        spawn key i, as ``SeedSequence.spawn`` would give it.
    workers
        Processes. None leaves it to joblib's active configuration, so that
        ``joblib.parallel_config(backend="dask")`` moves the work to a cluster.

    Returns
    -------
    list
        One entry per replicate, in order.
    """
    checks.count("n", n)
    root = _root(seed)
    blocks = _blocks(n, workers)
    done = joblib.Parallel(n_jobs=workers)(
        joblib.delayed(_run_block)(task, root, block) for block in blocks
    )
    return [item for part in done for item in part]


def participant_bootstrap(
    clusters: Sequence[Any] | np.ndarray,
    statistic: Statistic,
    *,
    n_boot: int,
    seed: Seed,
    workers: int | None = 1,
) -> np.ndarray:
    """Draw whole participants with replacement and compute a statistic each time.

    Parameters
    ----------
    clusters
        Participant of every row, shape (n,). Rows of one participant are drawn
        together, as often as the participant is drawn.
    statistic
        Takes the row positions of one resample, shape (m,), and gives a number
        or p numbers. It must not draw random numbers of its own.
    n_boot
        Number of resamples.
    seed, workers
        As in `replicate`.

    Returns
    -------
    numpy.ndarray
        Shape (n_boot, p). A resample in which the statistic could not be
        computed is a row of NaN: count them with `count_failures` and say so.

    Raises
    ------
    EstimateError
        If there are fewer than two participants, or no resample succeeded.

    Notes
    -----
    Percentile limits from few participants are too narrow. For agreement
    between raters do not use this at all: the raters are a sample too, and
    resampling subjects alone leaves their spread out.
    """
    groups = _rows_by_cluster(clusters)
    _require_two(groups)

    def one(generator: np.random.Generator) -> np.ndarray | None:
        drawn = generator.integers(0, len(groups), size=len(groups))
        return _attempt(statistic, np.concatenate([groups[g] for g in drawn]))

    return _stack(replicate(one, n=n_boot, seed=seed, workers=workers))


def leave_one_out(
    clusters: Sequence[Any] | np.ndarray, statistic: Statistic, *, workers: int | None = 1
) -> np.ndarray:
    """Compute a statistic with each cluster left out in turn.

    Returns
    -------
    numpy.ndarray
        Shape (number of clusters, p), clusters in sorted order; NaN rows where
        the statistic could not be computed.

    Raises
    ------
    EstimateError
        If there are fewer than two clusters, or no run succeeded.
    """
    groups = _rows_by_cluster(clusters)
    _require_two(groups)
    everything = np.sort(np.concatenate(groups))
    done = joblib.Parallel(n_jobs=workers)(
        joblib.delayed(_attempt)(statistic, np.setdiff1d(everything, out, assume_unique=True))
        for out in groups
    )
    return _stack(list(done))


def count_failures(draws: np.ndarray) -> int:
    """Number of replicates (rows) that hold a NaN."""
    table = np.asarray(draws, dtype=float)
    return int(np.isnan(table.reshape(len(table), -1)).any(axis=1).sum())


def percentile_interval(draws: np.ndarray, level: float) -> tuple[Any, Any]:
    """Equal-tailed percentile limits of bootstrap draws.

    Parameters
    ----------
    draws
        Shape (n_boot,) or (n_boot, p). Infinite draws are ordered like any
        other (a median that is not reached); NaN draws are left out.
    level
        Coverage, such as 0.95.

    Returns
    -------
    tuple
        Lower and upper limits, numbers for one-dimensional draws, else arrays
        of shape (p,). They are order statistics of the draws, the
        ``(B + 1) * alpha / 2``-th from either end, rounded outwards; nothing is
        interpolated. A column in which more than a tenth of the draws failed
        has NaN limits, since the percentiles of the survivors would flatter.

    Raises
    ------
    ArgumentError
        If there are too few draws for the level.
    """
    checks.proportion("level", level)
    table = np.asarray(draws, dtype=float)
    needed = math.ceil(2 / (1 - level) - 1 - 1e-9)
    if len(table) < needed:
        raise ArgumentError(
            f"A {100 * level:g} % percentile interval needs at least {needed} draws",
            found=f"{len(table)} draws",
            next_step="raise n_boot; 2000 is usual",
        )
    columns = table.reshape(len(table), -1)
    limits = np.array([_limits(column, level, needed) for column in columns.T])
    if table.ndim == 1:
        return float(limits[0, 0]), float(limits[0, 1])
    return limits[:, 0], limits[:, 1]


def _limits(column: np.ndarray, level: float, needed: int) -> tuple[float, float]:
    kept = np.sort(column[~np.isnan(column)])
    if len(kept) < max(needed, (1 - _TOLERATED_FAILURES) * len(column)):
        return math.nan, math.nan
    rank = math.floor((len(kept) + 1) * (1 - level) / 2 + 1e-9)
    return kept[rank - 1], kept[-rank]


def _root(seed: Seed) -> np.random.SeedSequence:
    if isinstance(seed, np.random.SeedSequence):
        return seed
    return np.random.SeedSequence(checks.count("seed", seed, minimum=0))


def _blocks(n: int, workers: int | None) -> list[range]:
    parts = 1 if workers == 1 else min(n, 4 * joblib.effective_n_jobs(workers))
    edges = np.linspace(0, n, parts + 1).astype(int)
    return [range(a, b) for a, b in itertools.pairwise(edges)]


def _run_block(
    task: Callable[[np.random.Generator], Any], root: np.random.SeedSequence, block: range
) -> list[Any]:
    return [task(np.random.default_rng(_child(root, i))) for i in block]


def _child(root: np.random.SeedSequence, i: int) -> np.random.SeedSequence:
    """Child i without counting on the root, whose own counter `spawn` would move."""
    return np.random.SeedSequence(
        root.entropy, spawn_key=(*root.spawn_key, i), pool_size=root.pool_size
    )


def _rows_by_cluster(clusters: Sequence[Any] | np.ndarray) -> list[np.ndarray]:
    codes = np.unique(np.asarray(clusters), return_inverse=True)[1].ravel()
    order = np.argsort(codes, kind="stable")
    return np.split(order, np.cumsum(np.bincount(codes))[:-1]) if len(codes) else []


def _require_two(groups: list[np.ndarray]) -> None:
    if len(groups) < 2:
        raise EstimateError(
            "Resampling needs at least two participants",
            found=str(len(groups)),
            next_step="name the column of participants, or report the value without an interval",
        )


def _attempt(statistic: Statistic, rows: np.ndarray) -> np.ndarray | None:
    try:
        return np.atleast_1d(np.asarray(statistic(rows), dtype=float))
    except _FAILURES:
        return None


def _stack(results: list[np.ndarray | None]) -> np.ndarray:
    shapes = [r.shape for r in results if r is not None]
    if not shapes:
        raise EstimateError(
            "The statistic could be computed in no resample",
            found=f"{len(results)} failures",
            next_step="check that it can be computed on the whole table",
        )
    failed = np.full(shapes[0], np.nan)
    return np.vstack([failed if r is None else r for r in results])
