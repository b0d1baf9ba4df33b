"""Invented pairs of values by two methods with a planted line between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit.agreement.pairing import Pairs

OWN = {"subject": "subject", "value": "value", "participant": None, "unit": "mm"}


@dataclass(frozen=True)
class Design:
    """Participants, fingers of each, and errors of both methods.

    True values have SD 0.6 mm about 2 mm; those of one participant correlate by
    `alike`. The second method reads `intercept` + `slope` x true. `error` is the SD of
    the first method's error, that of the second is slope times as large and
    correlates within a participant by `clinging`. `step` rounds both.
    """

    participants: int
    fingers: int = 1
    error: float = 0.15
    alike: float = 0.0
    clinging: float = 0.0
    slope: float = 1.05
    intercept: float = 0.1
    step: float = 0.0

    def draw(self, generator: np.random.Generator) -> Pairs:
        """One sample of pairs."""
        n = self.participants * self.fingers
        cluster = np.repeat(np.arange(self.participants), self.fingers)
        true = 2 + 0.6 * _correlated(generator, cluster, self.alike)
        first = true + self.error * generator.standard_normal(n)
        noise = self.slope * self.error * _correlated(generator, cluster, self.clinging)
        second = self.intercept + self.slope * true + noise
        if self.step:
            first, second = (np.round(v / self.step) * self.step for v in (first, second))
        return pairs_of(first, second, cluster)

    @property
    def concordance(self) -> float:
        """Population value of Lin's concordance, without rounding."""
        shared = self.slope * 0.6**2
        spread = (0.6**2 + self.error**2) * (1 + self.slope**2)
        shift = self.intercept + (self.slope - 1) * 2
        return 2 * shared / (spread + shift**2)

    @property
    def location_shift(self) -> float:
        """Population value of the location shift, without rounding."""
        spread = (0.6**2 + self.error**2) * self.slope
        return (self.intercept + (self.slope - 1) * 2) / float(np.sqrt(spread))


@dataclass(frozen=True)
class Growing:
    """Participants, fingers of each, and errors in proportion to size.

    True values of the first method are 1 to 5 mm, evenly spread; the second reads 0.1 +
    1.05 x true. With h the mean of both true values, weighed by `ratio` and 1, the SDs
    of the errors are `cv` h and sqrt(`ratio`) `cv` h. `alike` and `clinging` as in
    `Design`; `step` rounds both.
    """

    participants: int
    fingers: int = 1
    cv: float = 0.1
    alike: float = 0.0
    clinging: float = 0.0
    step: float = 0.0
    slope: float = 1.05
    intercept: float = 0.1
    ratio: float = 1.05**2

    def draw(self, generator: np.random.Generator) -> Pairs:
        """One sample of pairs."""
        n = self.participants * self.fingers
        cluster = np.repeat(np.arange(self.participants), self.fingers)
        true = 1 + 4 * stats.norm.cdf(_correlated(generator, cluster, self.alike))
        other = self.intercept + self.slope * true
        error = self.cv * (self.ratio * true + other) / (self.ratio + 1)
        first = true + error * generator.standard_normal(n)
        noise = _correlated(generator, cluster, self.clinging)
        second = other + np.sqrt(self.ratio) * error * noise
        if self.step:
            first, second = (np.round(v / self.step) * self.step for v in (first, second))
        return pairs_of(first, second, cluster)


def pairs_of(first, second, cluster=None) -> Pairs:
    """Pairs from arrays."""
    n = len(first)
    return Pairs(
        np.asarray(first, dtype=float), np.asarray(second, dtype=float), None, None,
        list(range(n)), None, np.arange(n) if cluster is None else np.asarray(cluster),
        ("first", "second"), None, {"unit": "mm"}, (),
    )  # fmt: skip


def table(first, second, participant=None, names=("first", "second")) -> pd.DataFrame:
    """One row per value: subject, method, value, participant."""
    n = len(first)
    people = list(range(n)) if participant is None else list(participant)
    return pd.DataFrame(
        {
            "subject": [f"s{i:03}" for i in range(n)] * 2,
            "method": [names[0]] * n + [names[1]] * n,
            "value": [*map(float, first), *map(float, second)],
            "person": people * 2,
        }
    )


def _correlated(generator: np.random.Generator, cluster: np.ndarray, alike: float) -> np.ndarray:
    shared = generator.standard_normal(int(cluster.max()) + 1)[cluster]
    return np.sqrt(alike) * shared + np.sqrt(1 - alike) * generator.standard_normal(len(cluster))
