"""Invented episodes with planted days of return, for tests of the outcome room."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats


@dataclass(frozen=True)
class Course:
    """Log-normal days of return, seen at visits around fixed days.

    `alike` is the correlation of log days within a participant, `jitter` the SD of a
    visit's day in days, `missed` the chance that a visit does not take place.
    """

    participants: int
    episodes: int = 1
    alike: float = 0.0
    median: float = 120.0
    spread: float = 0.6
    visits: tuple[float, ...] = (42.0, 90.0, 180.0, 365.0)
    jitter: float = 7.0
    missed: float = 0.15

    def returned_by(self, day: float) -> float:
        """Share returned by a day in the population."""
        return float(stats.norm.cdf(np.log(day / self.median) / self.spread))

    def days(self, generator: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Exact days of return, and participant codes."""
        n, k = self.participants, self.episodes
        shared = np.repeat(generator.standard_normal(n), k)
        own = generator.standard_normal(n * k)
        deviate = np.sqrt(self.alike) * shared + np.sqrt(1 - self.alike) * own
        return self.median * np.exp(self.spread * deviate), np.repeat(np.arange(n), k)

    def seen(self, generator: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Left and right day of each episode, and participant codes."""
        day, cluster = self.days(generator)
        grid = np.array(self.visits)
        shape = (len(day), len(grid))
        visit = np.round(grid + self.jitter * generator.standard_normal(shape))
        visit = np.maximum(np.sort(visit, axis=1), 1)
        kept = generator.random(shape) >= self.missed
        before = kept & (visit < day[:, None])
        after = kept & (visit >= day[:, None])
        left = np.where(before, visit, 0.0).max(axis=1)
        right = np.where(after, visit, np.inf).min(axis=1)
        return left, right, cluster


def table(left: np.ndarray, right: np.ndarray, cluster: np.ndarray | None = None) -> pd.DataFrame:
    """Rows with the format's column names, all of one grade."""
    cluster = np.arange(len(left)) if cluster is None else cluster
    return pd.DataFrame(
        {
            "participant_id": [f"p{c}" for c in cluster],
            "grade": "II",
            "left_day": np.asarray(left, dtype=float),
            "right_day": np.asarray(right, dtype=float),
        }
    )
