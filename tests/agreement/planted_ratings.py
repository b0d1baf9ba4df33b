"""Invented ratings with planted agreement: tears seen by raters who err, fingers that are alike."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit.agreement.ratings import Ratings
from cohortkit.agreement.weighting import agreement_weights

STATUSES = ("none", "strain", "partial", "complete")


@dataclass(frozen=True)
class Design:
    """Participants, fingers of each, raters; how severity is seen, and how fingers are alike.

    Each rater sees a latent severity; two raters' views correlate by `seen`. `edges`
    are the shares below each cut between categories. Severities of one
    participant's fingers correlate by `alike`. `absent` is the share of ratings
    that do not exist.
    """

    participants: int
    fingers: int
    raters: int
    seen: float
    alike: float = 0.0
    edges: tuple[float, ...] = (0.4, 0.6, 0.8)
    absent: float = 0.0

    @property
    def categories(self) -> tuple[str, ...]:
        """As many statuses as there are categories."""
        return STATUSES[: len(self.edges) + 1]

    def draw(self, generator: np.random.Generator) -> Ratings:
        """One sample of ratings."""
        n = self.participants * self.fingers
        cluster = np.repeat(np.arange(self.participants), self.fingers)
        severity = np.sqrt(self.alike) * generator.standard_normal(self.participants)[
            cluster
        ] + np.sqrt(1 - self.alike) * generator.standard_normal(n)
        view = np.sqrt(self.seen) * severity[:, None] + np.sqrt(
            1 - self.seen
        ) * generator.standard_normal((n, self.raters))
        codes = np.searchsorted(stats.norm.ppf(self.edges), view)
        codes[generator.random(codes.shape) < self.absent] = -1
        kept = (codes >= 0).any(axis=1)
        whole = Ratings(
            codes,
            self.categories,
            [f"e{i}" for i in range(n)],
            [f"r{j}" for j in range(self.raters)],
            cluster,
            None,
            {},
            (),
        )
        return whole if kept.all() else whole.subset(kept)

    @cached_property
    def joint(self) -> np.ndarray:
        """Population share of each pair of categories that two raters give."""
        ends = np.r_[-9.0, stats.norm.ppf(self.edges), 9.0]
        view = stats.multivariate_normal(cov=[[1, self.seen], [self.seen, 1]])
        grid = np.array([[view.cdf([a, b]) for b in ends] for a in ends])
        cells = np.diff(np.diff(grid, axis=0), axis=1)
        return (cells + cells.T) / (2 * cells.sum())

    def truth(self) -> dict[str, float]:
        """Population values of every coefficient, from the joint shares."""
        p, q = self.joint, len(self.categories)
        pi = p.sum(axis=1)
        found = {"overall_agreement": float(np.trace(p))}
        for kind in ("unweighted", "linear", "quadratic"):
            w = agreement_weights(kind, q)
            seen = float((w * p).sum())
            chance = float(pi @ w @ pi)
            gwet = float(w.sum() / (q * (q - 1)) * (pi * (1 - pi)).sum())
            found[f"kappa_{kind}"] = (seen - chance) / (1 - chance)
            found[f"gwet_{kind}"] = (seen - gwet) / (1 - gwet)
        for k, name in enumerate(self.categories):
            found[f"specific_{name}"] = float(p[k, k] / pi[k])
        middle = np.cumsum(pi) - pi / 2
        d = (middle[:, None] - middle) ** 2
        found["alpha_ordinal"] = float(1 - (p * d).sum() / (pi @ d @ pi))
        return found


def rows_of(ratings: Ratings) -> pd.DataFrame:
    """The ratings as a table with the format's column names."""
    n, k = ratings.codes.shape
    subject, rater = (x.ravel() for x in np.indices((n, k)))
    given = ratings.codes.ravel() >= 0
    return pd.DataFrame(
        {
            "episode_id": [ratings.subjects[i] for i in subject[given]],
            "participant_id": [f"p{ratings.cluster[i]}" for i in subject[given]],
            "rater_id": [ratings.raters[j] for j in rater[given]],
            "status": [ratings.categories[c] for c in ratings.codes.ravel()[given]],
        }
    )
