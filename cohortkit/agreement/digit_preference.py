"""Do readings pile up on some last digits? A test that allows for the shape of the values."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre
from scipy import linalg, stats
from scipy.special import xlogy

from cohortkit.display import counted
from cohortkit.errors import EstimateError

DIGITS = 10
FEWEST = 50
_NARROWEST = 8
_ROUNDS = 60
_NULL = 1e-10  # length of a direction, beside the longest, that counts as none
_PENALTY = 4.0  # between Akaike's 2 and Schwarz's log n; the test then holds its level


@dataclass(frozen=True)
class DigitTest:
    """Score test of last digits, or of a set of places, against a smooth distribution.

    `observed` and `expected` are counts by last digit, shape (10,).
    """

    chi_square: float
    df: int
    p_value: float
    design_effect: float
    observed: np.ndarray
    expected: np.ndarray


def digit_test(
    steps: np.ndarray, cluster: np.ndarray, stratum: np.ndarray | None = None
) -> DigitTest:
    """Are the ten last digits as frequent as a smooth distribution makes them?

    Parameters
    ----------
    steps
        Values in whole steps of writing, such as tenths of a mm, shape (n,).
    cluster
        Participant codes, shape (n,).
    stratum
        Kinds of values, such as pulley and load, shape (n,). Each has a smooth
        distribution of its own; those of fewer than 50 readings share one. None: one for
        all. Values of kinds that lie far apart and are not told apart raise false alarms.

    Returns
    -------
    DigitTest
        With as many degrees of freedom as digits can be told apart, at most 9.

    Raises
    ------
    EstimateError
        Fewer than 50 readings, or values within fewer than eight steps.

    Notes
    -----
    Equal frequencies are the wrong comparison: gaps span few millimetres, so that digits
    differ by the shape of the distribution alone. Counts by step are Poisson with a
    log-polynomial mean; the score of ten indicators of the last digit, made independent
    of the polynomial, gives the chi-square (Rao 1948). It is divided by the mean design
    effect of participants where that is above 1 (Rao & Scott 1981).
    """
    parts = _parts(steps, stratum)
    return _score(parts, steps, cluster, lambda grid: np.eye(DIGITS)[grid % DIGITS])


def place_test(
    steps: np.ndarray, cluster: np.ndarray, every: int, stratum: np.ndarray | None = None
) -> DigitTest:
    """Are multiples of `every` steps as frequent as a smooth distribution makes them?

    As `digit_test`, with one degree of freedom.
    """
    parts = _parts(steps, stratum)
    return _score(parts, steps, cluster, lambda grid: (grid % every == 0)[:, None].astype(float))


def _parts(steps: np.ndarray, stratum: np.ndarray | None) -> np.ndarray:
    """Codes of the strata, small ones joined."""
    _enough(steps)
    if stratum is None:
        return np.zeros(len(steps), dtype=int)
    codes = np.unique(stratum, return_inverse=True)[1]
    size = np.bincount(codes)
    wide = [np.ptp(steps[codes == c]) >= _NARROWEST - 1 for c in range(len(size))]
    large = (size >= FEWEST) & np.array(wide)
    if not large.any():
        return np.zeros(len(steps), dtype=int)
    rest = ~large[codes]
    if rest.sum() < FEWEST or np.ptp(steps[rest]) < _NARROWEST - 1:
        joined = int(np.flatnonzero(large)[np.argmin(size[large])])
    else:
        joined = len(size)
    return np.where(large[codes], codes, joined)


def _enough(steps: np.ndarray) -> None:
    if len(steps) < FEWEST:
        raise EstimateError(
            f"Fewer than {FEWEST} readings say nothing about last digits",
            found=counted(len(steps), "reading"),
            next_step="wait for more, or pool the raters of a site",
        )


@dataclass(frozen=True)
class Smooth:
    """Steps from the smallest to the largest value, counts, their smooth mean and its basis."""

    grid: np.ndarray
    count: np.ndarray
    mean: np.ndarray
    basis: np.ndarray


def smooth(steps: np.ndarray) -> Smooth:
    """Log-polynomial fit to the counts of n values by step, on the log scale of the values.

    The degree is chosen from 3 (2 for four values) to 14 by a penalised likelihood: enough for two humps, too
    little for ten digits. The grid starts at the smallest value, so that a limit of
    resolution below it does no harm.
    """
    _enough(steps)
    low, high = int(steps.min()), int(steps.max())
    width = high - low + 1
    if width < _NARROWEST:
        raise EstimateError(
            f"Values within fewer than {_NARROWEST} steps have no shape to compare digits with",
            found=f"{counted(len(np.unique(steps)), 'different value')} within {width} steps",
            next_step="look at them: they may be written in steps wider than said",
        )
    grid = np.arange(low, high + 1)
    count = np.bincount(steps - low, minlength=width).astype(float)
    place = np.log(grid) if low > 0 else grid.astype(float)
    place = 2 * (place - place[0]) / (place[-1] - place[0]) - 1
    most = max(2, min(14, 3 + math.ceil(width / 5), len(np.unique(steps)) - 2))
    basis = legendre.legvander(place, most)
    best, fitted = math.inf, (basis, count)
    for degree in range(min(3, most), most + 1):
        part = basis[:, : degree + 1]
        mean = _poisson(part, count)
        criterion = _PENALTY * degree - 2 * float(xlogy(count, mean).sum() - mean.sum())
        if criterion < best:
            best, fitted = criterion, (part, mean)
    return Smooth(grid, count, fitted[1], fitted[0])


def _poisson(basis: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Fitted means of a log-linear Poisson model, by Newton steps halved where needed."""
    beta = np.zeros(basis.shape[1])
    beta[0] = math.log(count.mean())
    best = _likelihood(basis, count, beta)
    ridge = 1e-9 * np.eye(basis.shape[1])
    for _ in range(_ROUNDS):
        mean = np.exp(basis @ beta)
        information = basis.T @ (mean[:, None] * basis) + ridge
        move = linalg.solve(information, basis.T @ (count - mean), assume_a="pos")
        size = 1.0
        while size > 1e-6 and _likelihood(basis, count, beta + size * move) < best:
            size /= 2
        if size <= 1e-6:
            break
        beta = beta + size * move
        now = _likelihood(basis, count, beta)
        if now - best < 1e-10 * abs(now):
            break
        best = now
    return np.exp(np.clip(basis @ beta, -700, 50))


def _likelihood(basis: np.ndarray, count: np.ndarray, beta: np.ndarray) -> float:
    line = np.clip(basis @ beta, -700, 50)
    return float(count @ line - np.exp(line).sum())


def _score(
    parts: np.ndarray,
    steps: np.ndarray,
    cluster: np.ndarray,
    indicate: Callable[[np.ndarray], np.ndarray],
) -> DigitTest:
    """Scores and their variances, summed over the strata."""
    width = indicate(np.arange(1)).shape[1]
    score, variance = np.zeros(width), np.zeros((width, width))
    each = np.zeros((len(steps), width))
    observed, expected = np.zeros(DIGITS), np.zeros(DIGITS)
    for part in np.unique(parts):
        rows = parts == part
        fit = smooth(steps[rows])
        indicators = indicate(fit.grid)
        root_mean = np.sqrt(fit.mean)[:, None]
        link = np.linalg.lstsq(root_mean * fit.basis, root_mean * indicators, rcond=_NULL)[0]
        efficient = indicators - fit.basis @ link
        score += efficient.T @ (fit.count - fit.mean)
        variance += efficient.T @ (fit.mean[:, None] * efficient)
        own = efficient[steps[rows] - fit.grid[0]]
        each[rows] = own - own.mean(axis=0)
        digit = fit.grid % DIGITS
        observed += np.bincount(digit, fit.count, minlength=DIGITS)
        expected += np.bincount(digit, fit.mean, minlength=DIGITS)
    values, vectors = np.linalg.eigh(variance)
    kept = values > 1e-8 * values.max()
    root = vectors[:, kept] / np.sqrt(values[kept])
    df = int(kept.sum())
    effect = _design_effect(each @ root, cluster)
    chi_square = float(((score @ root) ** 2).sum()) / effect
    p_value = float(stats.chi2.sf(chi_square, df))
    return DigitTest(chi_square, df, p_value, effect, observed, expected)


def _design_effect(scores: np.ndarray, cluster: np.ndarray) -> float:
    """Mean over the df of the clustered variance of the standardised score, at least 1."""
    codes = np.unique(cluster, return_inverse=True)[1]
    k = int(codes.max()) + 1
    if k == len(codes) or k < 2:
        return 1.0
    sums = np.zeros((k, scores.shape[1]))
    np.add.at(sums, codes, scores)
    return max(1.0, k / (k - 1) * float((sums**2).sum()) / scores.shape[1])
