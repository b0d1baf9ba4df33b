"""Simulated studies of a planned, complete design: how wide would their intervals be?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from cohortkit.agreement import forms
from cohortkit.agreement.forms import Plan
from cohortkit.resampling import percentile_interval

FIGURES = {
    "icc_agreement": ("icc", "agreement"),
    "icc_consistency": ("icc", "consistency"),
    "icc_intra": ("icc", "intra"),
    "icc_agreement_new_site": ("icc", "new_site"),
    "sem_inter": ("sem", "agreement"),
    "sem_consistency": ("sem", "consistency"),
    "sem_intra": ("sem", "intra"),
    "sem_inter_new_site": ("sem", "new_site"),
}
PARTS = ("participant", "finger", "rater_site", "rater", "subject_rater", "residual")


@dataclass(frozen=True)
class Layout:
    """All of k raters, as many from each site, read every finger m times."""

    raters: int
    reads: int
    fingers: int = 1
    sites: int = 1


@dataclass(frozen=True)
class Tables:
    """Studies with these variances, laid out alike, and how many of them are drawn."""

    v: dict[str, float]
    layout: Layout
    level: float
    n_sim: int
    seed: int
    n_draws: int = 999

    def expected(self, n: int) -> dict[str, tuple[int, float]]:
        """Degrees of freedom and expected mean square of each factor, n participants."""
        v, k, m, f, s = self.v, self.layout.raters, self.layout.reads, *self._more()
        scans = n * f
        cell = m * v["subject_rater"] + v["residual"]
        finger = k * m * v["finger"] + cell
        rater = scans * m * v["rater"] + cell
        found = {
            "participant": (n - 1, f * k * m * v["participant"] + finger),
            "rater": (k - s, rater),
            "subject_rater": ((scans - 1) * (k - 1), cell),
            "residual": (scans * k * (m - 1), v["residual"]),
        }
        if f > 1:
            found["finger"] = (n * (f - 1), finger)
        if s > 1:
            found["rater_site"] = (s - 1, scans * m * (k // s) * v["rater_site"] + rater)
        return found

    def median_width(self, n: int, figure: str) -> float:
        """Median width of the generalised interval with n participants."""
        return float(np.median(self._widths(n, figure)))

    def median_error(self, n: int, figure: str) -> float:
        """Monte Carlo standard error of that, as if the tables were drawn independently.

        From the widths half the root of n_sim places above and below the middle; the
        evenly spaced chi-squares make the true error smaller.
        """
        step = 0.5 / math.sqrt(self.n_sim)
        low, high = np.quantile(self._widths(n, figure), [0.5 - step, 0.5 + step])
        return float(high - low) / 2

    def _more(self) -> tuple[int, int]:
        return self.layout.fingers, self.layout.sites

    def _widths(self, n: int, figure: str) -> np.ndarray:
        rng = np.random.default_rng(self.seed)
        k, m, f, s = self.layout.raters, self.layout.reads, *self._more()
        expected = self.expected(n)
        sums = {
            name: square * chi(rng, df, 1, self.n_sim)[0] for name, (df, square) in expected.items()
        }
        seen = {
            name: sums[name][:, None] / chi(rng, df, self.n_sim, self.n_draws)
            for name, (df, _) in expected.items()
        }
        cell = seen["subject_rater"]
        own = seen["residual"] if m > 1 else cell
        finger = seen.get("finger", cell)
        parts = {
            "residual": own,
            "subject_rater": (cell - own) / m,
            "rater": (seen["rater"] - cell) / (n * f * m),
            "participant": (seen["participant"] - finger) / (f * k * m),
            "finger": (finger - cell) / (k * m),
        }
        if s > 1:
            parts["rater_site"] = (seen["rater_site"] - seen["rater"]) / (n * f * m * (k // s))
        what, kind = FIGURES[figure]
        drawn = (
            forms.reliability_of(parts, kind, Plan())
            if what == "icc"
            else np.sqrt(forms.error_variance(parts, kind, Plan()))
        )
        low, high = percentile_interval(drawn.T, self.level)
        return np.asarray(high - low)


def chi(rng: np.random.Generator, df: int, rows: int, size: int) -> np.ndarray:
    """Rows of chi-squares at evenly spaced probabilities, each in its own random order.

    The orders are the same for every df, so that widths fall smoothly with the
    participants.
    """
    even = stats.chi2.ppf((np.arange(size) + 0.5) / size, df) if df else np.ones(size)
    return rng.permuted(np.tile(even, (rows, 1)), axis=1)
