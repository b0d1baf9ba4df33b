"""The arithmetic of the correction for partial verification (Begg & Greenes 1983), on arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special, stats


@dataclass(frozen=True)
class Side:
    """Rows on one side of the cut: the share of tears among the verified ones.

    `share` is as observed. If it is 0 or 1 the sample holds no spread to learn from:
    for the interval alone, half a participant is then added to each state, which
    gives `centre` and the variance `extra`; else they are `share` and 0. `linear`
    (n,) is each row's linear term of the share.
    """

    share: float
    centre: float
    extra: float
    linear: np.ndarray


@dataclass(frozen=True)
class Corrected:
    """A corrected figure: its value, and centre, linear terms and extra variance of its logit."""

    value: float
    centre: float
    linear: np.ndarray
    extra: float

    def limits(self, cluster: np.ndarray, level: float) -> tuple[float, float]:
        """Limits on the logit scale, over participants where they repeat; they hold the value.

        NaN if all rows belong to one participant, or the value does not exist.
        """
        tail = 0.5 + level / 2
        clusters = len(np.unique(cluster))
        if clusters < 2 or np.isnan(self.value):
            return float("nan"), float("nan")
        if clusters == len(cluster):
            quantile, variance = stats.norm.ppf(tail), (self.linear**2).sum()
        else:
            quantile = stats.t.ppf(tail, clusters - 1)
            summed = np.bincount(cluster, self.linear)
            variance = clusters / (clusters - 1) * (summed**2).sum()
        half = quantile * np.sqrt(variance + self.extra)
        middle = np.log(self.centre / (1 - self.centre))
        lower, upper = special.expit(middle - half), special.expit(middle + half)
        return float(min(lower, self.value)), float(max(upper, self.value))


def side(rows: np.ndarray, positive: np.ndarray, cluster: np.ndarray) -> Side:
    """Share of tears among `rows`, the verified rows on one side of the cut."""
    share = float(positive[rows].mean())
    if 0 < share < 1:
        return Side(share, share, 0.0, rows * (positive - share) / rows.sum())
    participants = len(np.unique(cluster[rows]))
    centre = (participants * share + 0.5) / (participants + 1)
    extra = centre * (1 - centre) / (participants + 1)
    return Side(share, centre, extra, np.zeros(len(rows)))


def correct(
    hit: np.ndarray, positive: np.ndarray, verified: np.ndarray, cluster: np.ndarray
) -> dict[str, Corrected]:
    """Sensitivity, specificity and prevalence, had every row been verified.

    With t the share of all rows at or above the cut, v1 and v0 the shares of tears
    among the verified rows above and below it:

    sensitivity = t v1 / (t v1 + (1-t) v0),
    specificity = (1-t)(1-v0) / ((1-t)(1-v0) + t (1-v1)),
    prevalence = t v1 + (1-t) v0.

    Parameters
    ----------
    hit, positive, verified
        (n,) at or above the cut; torn (read in verified rows only); verified.
    cluster
        (n,) participant codes.
    """
    above = side(hit & verified, positive, cluster)
    below = side(~hit & verified, positive, cluster)
    t = float(hit.mean())
    odds = (hit - t) / (len(hit) * t * (1 - t))
    values = _figures(t, above.share, below.share)
    v1, v0 = above.centre, below.centre
    centres = _figures(t, v1, v0)
    spread = t * (1 - t) * (v1 - v0) * odds + t * above.linear + (1 - t) * below.linear
    share = centres["prevalence"]
    scale = share * (1 - share)
    linear = {
        "sensitivity": odds + above.linear / v1 - below.linear / v0,
        "specificity": above.linear / (1 - v1) - below.linear / (1 - v0) - odds,
        "prevalence": spread / scale,
    }
    extra = {
        "sensitivity": above.extra / v1**2 + below.extra / v0**2,
        "specificity": above.extra / (1 - v1) ** 2 + below.extra / (1 - v0) ** 2,
        "prevalence": (t**2 * above.extra + (1 - t) ** 2 * below.extra) / scale**2,
    }
    return {k: Corrected(values[k], centres[k], linear[k], extra[k]) for k in values}


def _figures(t: float, v1: float, v0: float) -> dict[str, float]:
    """The three formulas; NaN where nobody, or everybody, would be torn."""
    torn = t * v1 + (1 - t) * v0
    nan = float("nan")
    return {
        "sensitivity": t * v1 / torn if torn > 0 else nan,
        "specificity": (1 - t) * (1 - v0) / (1 - torn) if torn < 1 else nan,
        "prevalence": torn,
    }
