"""The error in per cent of the mean, with an interval that knows the mean is an estimate too."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortkit.agreement.forms import Floats
from cohortkit.estimate import Caution

FLOOR = 0.5  # share of the residual part below which no drawn variance of the mean goes


def mean_draws(rows: pd.DataFrame, draws: pd.DataFrame, seed: int) -> Floats:
    """Draws of the mean of all values, one for each draw of the variances.

    Parameters
    ----------
    rows
        Column value and one of codes per factor, a row per reading.
    draws
        One column of variances per factor, and ``residual``; entries may be negative.
    seed
        Of the normal numbers.

    Returns
    -------
    numpy.ndarray
        Mean seen plus root of its sampling variance times a normal number, shape (m,).
        The variance is sum_k v_k sum_l (n_kl / N)^2 + v_residual / N, n_kl readings of
        level l of factor k, and no less than half of its residual part.
    """
    count = len(rows)
    own = draws["residual"].to_numpy() / count
    variance = own.copy()
    for name in draws.columns.drop("residual"):
        share = np.bincount(rows[name].to_numpy()) / count
        variance += draws[name].to_numpy() * float(share @ share)
    normal = np.random.default_rng(np.random.SeedSequence(seed)).standard_normal(len(draws))
    spread = np.sqrt(np.maximum(variance, FLOOR * own))
    return np.asarray(rows["value"].mean() + spread * normal)


def per_cent(error: Floats, mean: Floats | float) -> Floats:
    """100 error / mean; infinite where the mean drawn is not above zero."""
    error, mean = np.broadcast_arrays(np.asarray(error, dtype=float), mean)
    out = np.full(error.shape, np.inf)
    return np.divide(100 * error, mean, out=out, where=mean > 0)


def no_ratio(values: pd.Series) -> list[Caution]:
    """Why there is no error in per cent of the mean, if there is none."""
    count = int((values <= 0).sum())
    if not count:
        return []
    return [
        Caution(
            "cv_left_out",
            f"No error in per cent of the mean (cv_intra, cv_inter): {count} of {len(values)} "
            "values are zero or below, and a ratio needs a scale that starts at zero.",
        )
    ]


def open_ratio(limits: list[float]) -> list[Caution]:
    """A caution if an upper limit is open, since the mean may be zero as far as is known."""
    if not np.isinf(limits).any():
        return []
    return [
        Caution(
            "cv_open",
            "The upper limit of an error in per cent of the mean is open: so few sites or raters "
            "leave the mean too uncertain.",
        )
    ]
