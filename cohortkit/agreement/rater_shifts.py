"""How raters differ on the same subjects: shifts, shrunken shifts, and drift over an order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse, stats


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
        """Limits of each by t."""
        half = stats.t.ppf((1 + level) / 2, self.df) * np.sqrt(np.diag(self.covariance))
        return self.value - half, self.value + half


def groups(subject: np.ndarray, rater: np.ndarray) -> np.ndarray:
    """Group of each row: raters in one group share subjects, directly or through others."""
    n, k = int(subject.max()) + 1, int(rater.max()) + 1
    links = sparse.coo_matrix((np.ones(len(subject)), (subject, n + rater)), shape=(n + k, n + k))
    label = sparse.csgraph.connected_components(links, directed=False)[1]
    return np.asarray(label[subject])


def shifts(
    value: np.ndarray, subject: np.ndarray, rater: np.ndarray, cluster: np.ndarray
) -> Shifts:
    """Mean shift of each rater of one group, with the subjects' own levels taken out.

    Least squares of values on subjects and raters; the shifts of a group sum to 0.
    The covariance is clustered by participant (sandwich, times k / (k - 1)).
    """
    codes, at = np.unique(rater, return_inverse=True)
    columns = _within(np.eye(len(codes))[at], subject)
    found, covariance = _fit(columns, _within(value[:, None], subject)[:, 0], cluster)
    df = len(np.unique(cluster)) - 1
    return Shifts(codes, found, covariance, df, np.full(len(codes), len(codes) > 1))


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
    dummies = np.eye(len(codes))[at]
    slopes = dummies * (order - order.mean())[:, None]
    columns = _within(np.hstack([dummies, slopes]), subject)
    known = np.array([_own(columns, len(codes) + j) for j in range(len(codes))])
    found, covariance = _fit(columns, _within(value[:, None], subject)[:, 0], cluster)
    part = slice(len(codes), None)
    df = len(np.unique(cluster)) - 1
    return Shifts(codes, found[part], covariance[part, part], df, known)


def shrunken(found: Shifts, level: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Empirical Bayes shifts, their limits, and the SD of raters.

    Shifts sum to 0, so their prior is normal with variance tau^2 about their mean;
    tau^2 = max(0, (sum b^2 - trace V) / (G - 1)) over G raters. Limits add the
    uncertainty of tau^2 as Morris (1983) does, with 2 / (G - 3); below four raters
    there are none.
    """
    count = len(found.value)
    centring = np.eye(count) - 1 / count
    spare = float((found.value**2).sum() - np.trace(found.covariance))
    tau2 = max(0.0, spare / (count - 1))
    prior = tau2 * centring
    gain = prior @ np.linalg.pinv(prior + found.covariance)
    value = gain @ found.value
    if count < 4:
        none = np.full(count, np.nan)
        return value, none, none, tau2**0.5
    posterior = np.diag(prior - gain @ prior)
    lost = (found.value - value) ** 2
    spread = np.sqrt(np.maximum(posterior, 0) + 2 / (count - 3) * lost)
    half = stats.t.ppf((1 + level) / 2, found.df) * spread
    return value, value - half, value + half, tau2**0.5


def _within(columns: np.ndarray, subject: np.ndarray) -> np.ndarray:
    """Columns less their mean over each subject."""
    codes = np.unique(subject, return_inverse=True)[1]
    size = np.bincount(codes)
    means = np.stack([np.bincount(codes, c) / size for c in columns.T], axis=1)
    return columns - means[codes]


def _fit(
    columns: np.ndarray, value: np.ndarray, cluster: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    inverse = np.linalg.pinv(columns.T @ columns)
    found = inverse @ (columns.T @ value)
    residual = value - columns @ found
    codes = np.unique(cluster, return_inverse=True)[1]
    k = int(codes.max()) + 1
    sums = np.zeros((k, columns.shape[1]))
    np.add.at(sums, codes, columns * residual[:, None])
    covariance = inverse @ (sums.T @ sums) @ inverse * (k / max(k - 1, 1))
    return found, covariance


def _own(columns: np.ndarray, j: int) -> bool:
    """Whether column j holds something that no mixture of the others holds."""
    target, others = columns[:, j], np.delete(columns, j, axis=1)
    size = float(target @ target)
    if size < 1e-12:
        return False
    rest = target - others @ np.linalg.lstsq(others, target, rcond=None)[0]
    return float(rest @ rest) > 1e-8 * size
