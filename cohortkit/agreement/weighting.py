"""Weights that say how much two categories agree."""

from __future__ import annotations

import numpy as np

from cohortkit import checks

WEIGHTS = ("unweighted", "linear", "quadratic")
SOURCES = {
    "unweighted": "only equal categories agree",
    "linear": "linear weights (Cicchetti & Allison 1971)",
    "quadratic": "quadratic weights (Fleiss & Cohen 1973)",
}


def agreement_weights(kind: str, n_categories: int) -> np.ndarray:
    """Weights of shape (q, q): 1 on the diagonal, 0 for the two ends.

    Linear: 1 - |i - j| / (q - 1). Quadratic: 1 - (i - j)^2 / (q - 1)^2. i and j are
    places in the order of the categories, not their values.
    """
    checks.one_of("weights", kind, WEIGHTS)
    place = np.arange(n_categories)
    apart = np.abs(place[:, None] - place) / max(1, n_categories - 1)
    if kind == "unweighted":
        return (apart == 0).astype(float)
    return 1 - apart if kind == "linear" else 1 - apart**2
