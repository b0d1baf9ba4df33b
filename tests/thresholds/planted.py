"""Invented fingers with a planted area under the curve, for tests of the threshold room."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats


@dataclass(frozen=True)
class Design:
    """Participants, fingers of each, share of torn ones, and how alike they are.

    Gaps are normal with SD 1 (intact) and `ratio` (torn); `alike` is the correlation
    of gaps, 0.3 that of tears within a participant.
    """

    participants: int
    fingers: int
    torn: float
    alike: float
    area: float
    ratio: float = 1.0

    @property
    def shift(self) -> float:
        """Difference of the two means that gives the planted area."""
        return float(stats.norm.ppf(self.area) * np.hypot(1, self.ratio))

    def draw(self, generator: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Values, torn or not, participant codes."""
        n, k = self.participants, self.fingers
        cluster = np.repeat(np.arange(n), k)
        liability = _correlated(generator, n, k, 0.3)
        torn = liability > stats.norm.ppf(1 - self.torn)
        noise = _correlated(generator, n, k, self.alike)
        return np.where(torn, self.shift + self.ratio * noise, noise), torn, cluster

    def true_accuracy(self, cut: float) -> tuple[float, float]:
        """Sensitivity and specificity of a cut in the population."""
        return (
            float(stats.norm.sf((cut - self.shift) / self.ratio)),
            float(stats.norm.cdf(cut)),
        )

    def best_cut(self) -> float:
        """Cut with the largest Youden index in the population."""
        grid = np.linspace(-1, self.shift + 1, 20001)
        index = stats.norm.sf((grid - self.shift) / self.ratio) + stats.norm.cdf(grid)
        return float(grid[np.argmax(index)])


def _correlated(generator: np.random.Generator, n: int, k: int, alike: float) -> np.ndarray:
    shared = np.repeat(generator.standard_normal(n), k)
    return np.sqrt(alike) * shared + np.sqrt(1 - alike) * generator.standard_normal(n * k)


def table(
    value: np.ndarray, positive: np.ndarray, cluster: np.ndarray | None = None
) -> pd.DataFrame:
    """Rows with the format's column names; participants are the clusters, or one a row."""
    cluster = np.arange(len(value)) if cluster is None else cluster
    return pd.DataFrame(
        {
            "participant_id": [f"p{c}" for c in cluster],
            "gap_mm": np.asarray(value, dtype=float),
            "status": np.where(positive, "complete", "none"),
        }
    )
