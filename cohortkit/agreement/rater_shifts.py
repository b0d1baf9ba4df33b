"""How raters differ on the same subjects: shifts, shrunken shifts, and drift over an order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from cohortkit.agreement.rounding import grain

_NULL = 1e-9  # length of a direction, beside the longest, that counts as none


@dataclass(frozen=True)
class Shifts:
    """One number per rater of a group, with its clustered covariance.

    `df` is the number of participants less one; `rater` holds codes. `known` marks the
    raters whose number can be told from the others'.
    """

    rater: np.ndarray
    value: np.ndarray
    covariance: np.ndarray
    df: int
    known: np.ndarray

    def limits(self, level: float) -> tuple[np.ndarray, np.ndarray]:
        """Limits of each by t; none where all readings lie on the fitted values."""
        variance = np.diag(self.covariance)
        error = np.sqrt(np.where(variance > 0, variance, np.nan))
        half = stats.t.ppf((1 + level) / 2, self.df) * error
        return self.value - half, self.value + half


def shifts(
    value: np.ndarray, subject: np.ndarray, rater: np.ndarray, cluster: np.ndarray
) -> Shifts:
    """Mean shift of each rater of one group, with the subjects' own levels taken out.

    Least squares of values on subjects and raters; the shifts of a group sum to 0.
    The covariance is clustered by participant (sandwich, times k / (k - 1)).
    """
    codes, at = np.unique(rater, return_inverse=True)
    basis = _contrasts(len(codes))
    columns = _within(basis[at], subject)
    found, covariance = _fit(columns, value, subject, cluster)
    df = len(np.unique(cluster)) - 1
    known = np.full(len(codes), len(codes) > 1)
    return Shifts(codes, basis @ found, basis @ covariance @ basis.T, df, known)


def drift(
    value: np.ndarray,
    subject: np.ndarray,
    rater: np.ndarray,
    order: np.ndarray,
    cluster: np.ndarray,
) -> Shifts:
    """Slope of each rater's readings on their order, subjects and raters taken out.

    A slope is known only if that rater's order varies within subjects in a way of its
    own: if all raters read the subjects in the same order, their slopes cannot be told
    from the subjects.
    """
    codes, at = np.unique(rater, return_inverse=True)
    slopes = np.eye(len(codes))[at] * (order - order.mean())[:, None]
    columns = _within(np.hstack([_contrasts(len(codes))[at], slopes]), subject)
    first = len(codes) - 1
    known = np.array([_own(columns, first + j) for j in range(len(codes))])
    found, covariance = _fit(columns, value, subject, cluster)
    part = slice(first, None)
    df = len(np.unique(cluster)) - 1
    return Shifts(codes, found[part], covariance[part, part], df, known)


def shrunken(found: Shifts, level: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Empirical Bayes shifts, their limits, and the SD of raters.

    Shifts sum to 0, so their prior is normal with variance tau^2 about their mean;
    tau^2 = max(0, (sum b^2 - trace V) / (G - 1)) over G raters. Limits add the
    uncertainty of tau^2 as Morris (1983) does, with 2 / (G - 3); below four raters
    there are none, nor where the shifts themselves have none.
    """
    count = len(found.value)
    basis = _contrasts(count)
    error = basis.T @ found.covariance @ basis
    spare = float((found.value**2).sum() - np.trace(error))
    tau2 = max(0.0, spare / (count - 1)) if count > 1 else 0.0
    prior = tau2 * np.eye(count - 1)
    gain = tau2 * np.linalg.inv(prior + error) if tau2 > 0 else prior
    value = basis @ gain @ basis.T @ found.value
    if count < 4 or not found.covariance.any():
        none = np.full(count, np.nan)
        return value, none, none, tau2**0.5
    posterior = np.diag(basis @ (prior - tau2 * gain) @ basis.T)
    lost = (found.value - value) ** 2
    spread = np.sqrt(np.maximum(posterior, 0) + 2 / (count - 3) * lost)
    half = stats.t.ppf((1 + level) / 2, found.df) * spread
    return value, value - half, value + half, tau2**0.5


def _within(columns: np.ndarray, subject: np.ndarray) -> np.ndarray:
    """Columns less their mean over each subject."""
    codes, size = np.unique(subject, return_inverse=True, return_counts=True)[1:]
    sums = np.zeros((len(size), columns.shape[1]))
    np.add.at(sums, codes, columns)
    return columns - (sums / size[:, None])[codes]


def _contrasts(count: int) -> np.ndarray:
    """Orthonormal columns that sum to 0 (Helmert), shape (count, count - 1)."""
    row, column = np.arange(count)[:, None], np.arange(1, count)
    step = np.where(row < column, 1.0, np.where(row == column, -1.0 * column, 0.0))
    return step / np.sqrt(column * (column + 1.0))


def _fit(
    columns: np.ndarray, value: np.ndarray, subject: np.ndarray, cluster: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Least squares of least norm within subjects, and its clustered covariance.

    Columns are scaled to one length, and directions shorter than `_NULL` of the longest
    are taken out: what is left of a column that the others explain is rounding. So is
    what arithmetic leaves of a coefficient or of all residuals: they are 0 then.
    """
    smallest = grain(value)
    length = np.sqrt((columns**2).sum(axis=0))
    length = np.where(length > 0, length, 1.0)
    left, size, right = np.linalg.svd(columns / length, full_matrices=False)
    kept = size > _NULL * size.max(initial=0.0)
    back = (right[kept] / size[kept, None]).T / length[:, None]
    scores = left[:, kept]
    within = _within(value[:, None], subject)[:, 0]
    seen = scores.T @ within
    residual = within - scores @ seen
    if np.ptp(residual) <= smallest:
        residual = np.zeros_like(residual)
    codes = np.unique(cluster, return_inverse=True)[1]
    k = int(codes.max()) + 1
    sums = np.zeros((k, int(kept.sum())))
    np.add.at(sums, codes, scores * residual[:, None])
    spread, found = back @ sums.T, back @ seen
    found = np.where(np.abs(found) * np.ptp(columns, axis=0) <= smallest, 0.0, found)
    return found, spread @ spread.T * (k / max(k - 1, 1))


def _own(columns: np.ndarray, j: int) -> bool:
    """Whether column j holds something that no mixture of the others holds."""
    target, others = columns[:, j], np.delete(columns, j, axis=1)
    size = float(target @ target)
    if size < 1e-12:
        return False
    rest = target - others @ np.linalg.lstsq(others, target, rcond=None)[0]
    return float(rest @ rest) > 1e-8 * size
