"""Two-way analysis of variance of a complete subject-by-rater table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class SumsOfSquares:
    """Sums of squares of one (n, k) table, or arrays of them for many tables.

    `subjects`, `raters` and `error` add up to the total about the grand mean.
    """

    n: int
    k: int
    subjects: np.ndarray
    raters: np.ndarray
    error: np.ndarray

    @property
    def df(self) -> tuple[int, int, int]:
        """Degrees of freedom of subjects, raters and error."""
        return self.n - 1, self.k - 1, (self.n - 1) * (self.k - 1)

    @property
    def msr(self) -> np.ndarray:
        """Mean square of subjects (rows)."""
        return self.subjects / self.df[0]

    @property
    def msc(self) -> np.ndarray:
        """Mean square of raters (columns)."""
        return self.raters / self.df[1]

    @property
    def mse(self) -> np.ndarray:
        """Residual mean square."""
        return self.error / self.df[2]

    @property
    def msw(self) -> np.ndarray:
        """Mean square within subjects: raters and residual together."""
        return (self.raters + self.error) / (self.df[1] + self.df[2])


def sums_of_squares(values: np.ndarray) -> SumsOfSquares:
    """Split the spread of a complete table into subjects, raters and error.

    Parameters
    ----------
    values
        Shape (..., n, k): n subjects read by k raters, no NaN. Leading axes are
        separate tables.

    Returns
    -------
    SumsOfSquares
        Each sum from its own deviations, never by subtraction, after the first
        value was taken off, so that an offset of 1e10 costs nothing that the
        data still hold. A sum no larger than the representation error of the
        values is 0.
    """
    n, k = values.shape[-2:]
    centred = values - values[..., :1, :1]
    centred = centred - centred.mean(axis=(-2, -1), keepdims=True)
    rows = centred.mean(axis=-1, keepdims=True)
    columns = centred.mean(axis=-2, keepdims=True)
    residual = centred - rows - columns
    dust = n * k * (4 * np.finfo(float).eps * np.abs(values).max(axis=(-2, -1))) ** 2
    parts = (
        k * (rows**2).sum(axis=(-2, -1)),
        n * (columns**2).sum(axis=(-2, -1)),
        (residual**2).sum(axis=(-2, -1)),
    )
    return SumsOfSquares(n, k, *(np.where(part <= dust, 0.0, part) for part in parts))


def forms(ss: SumsOfSquares) -> dict[str, np.ndarray]:
    """The six ICC forms from the mean squares (McGraw & Wong 1996, table 4).

    NaN where a form does not exist: no spread at all, or a denominator that
    is not positive.
    """
    n, k, msr, msc, mse, msw = ss.n, ss.k, ss.msr, ss.msc, ss.mse, ss.msw
    return {
        "icc_1_1": _ratio(msr - msw, msr + (k - 1) * msw),
        "icc_a_1": _ratio(msr - mse, msr + (k - 1) * mse + k * (msc - mse) / n),
        "icc_c_1": _ratio(msr - mse, msr + (k - 1) * mse),
        "icc_1_k": _ratio(msr - msw, msr),
        "icc_a_k": _ratio(msr - mse, msr + (msc - mse) / n),
        "icc_c_k": _ratio(msr - mse, msr),
    }


def errors_of_measurement(ss: SumsOfSquares) -> dict[str, np.ndarray]:
    """Standard errors of measurement, in the unit of the values.

    Agreement counts the spread between raters as error, consistency does not;
    `sem_oneway` is the within-subject SD. A negative rater variance counts as 0.
    """
    rater_variance = np.maximum((ss.msc - ss.mse) / ss.n, 0.0)
    return {
        "sem_oneway": np.sqrt(ss.msw),
        "sem_agreement": np.sqrt(rater_variance + ss.mse),
        "sem_consistency": np.sqrt(ss.mse),
    }


def _ratio(above: np.ndarray, below: np.ndarray) -> np.ndarray:
    defined = below > 0
    return np.where(defined, above / np.where(defined, below, 1.0), np.nan)
