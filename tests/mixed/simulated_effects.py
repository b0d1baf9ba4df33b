"""Coverage of the prediction intervals of `cohortkit.mixed.effects`, on simulated tables.

    python -m tests.mixed.simulated_effects docs/methods 4000

writes coverage_effects.csv and .md; the same seed gives the same figures. About 40 minutes on
one core with 4,000 tables.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import norm

from cohortkit.mixed.design import build
from cohortkit.mixed.effects import effects
from cohortkit.mixed.model import fit_design
from cohortkit.mixed.prediction import Predictor
from tests.covered import Page, Row, write

N_DRAWS = 400
FIRST = 2 * 10**6
FIGURES = ("effect", "variances_taken_as_known")


@dataclass(frozen=True)
class Setting:
    """Sites, subjects and raters of each, reads; planted SDs in mm; share of readings lost.

    With several sites, the raters of a site read the patients of their site only, and what they
    share is part of the site. If all read `together`, the subjects are those of all sites, and
    the whole shift of a rater is asked for, with that of the site. `cell` is the SD of a rater's
    way with one subject.
    """

    size: tuple[int, int, int, int]
    sds: tuple[float, float, float]
    site: float = 0.0
    cell: float = 0.0
    lost: float = 0.0
    together: bool = False

    @property
    def words(self) -> str:
        sites, *rest = self.size
        size = " x ".join(str(n) for n in rest)
        if self.together:
            size = (
                f"{rest[0]} x {sites * rest[1]} x {rest[2]}, raters of {sites} sites, whole shift"
            )
        elif sites > 1:
            size = f"{sites} sites of {size}, each site's raters read its own"
        lost = f", {100 * self.lost:g} % of readings lost" if self.lost else ""
        sds = ", ".join(f"{s:g}" for s in self.sds)
        sds += f"; site {self.site:g}" if self.size[0] > 1 else ""
        sds += f"; subject x rater {self.cell:g}" if self.cell else ""
        return f"{size}{lost} | {sds}"

    @property
    def random(self) -> list[list[str]]:
        """The factors of the model."""
        random = [["site"]] if self.size[0] > 1 else []
        random += [["subject"], ["rater"]]
        return random + ([["subject", "rater"]] if self.cell else [])

    @property
    def plus(self) -> list[list[str]]:
        """Factors whose effects are added to the rater's."""
        return [["site"]] if self.together else []

    def draw(self, rng: np.random.Generator) -> tuple[pd.DataFrame, np.ndarray]:
        """A table, and the planted shift of each rater in order."""
        sites, subjects, raters = self.size[:3]
        grid = np.meshgrid(*(range(n) for n in self.size), indexing="ij")
        site, subject, rater = (a.ravel() for a in grid[:3])
        rater = site * raters + rater
        subject = subject if self.together else site * subjects + subject
        shift = self.sds[1] * rng.normal(size=sites * raters)
        shared = self.site * rng.normal(size=sites)
        value = shared[site] + shift[rater]
        value += self.sds[0] * rng.normal(size=sites * subjects)[subject]
        value += self.cell * rng.normal(size=(sites * subjects, sites * raters))[subject, rater]
        value += self.sds[2] * rng.normal(size=len(value))
        table = pd.DataFrame({"site": site, "subject": subject, "rater": rater, "value": value})
        table = table[rng.random(len(table)) >= self.lost].reset_index(drop=True)
        return table, shift + np.repeat(shared, raters) if self.together else shift


SDS = (0.4, 0.1, 0.2)
SETTINGS = (
    Setting((1, 30, 4, 1), SDS),
    Setting((1, 30, 8, 1), SDS),
    Setting((1, 30, 13, 1), SDS),
    Setting((1, 30, 8, 1), SDS, lost=0.3),
    Setting((1, 30, 8, 2), SDS, cell=0.1),
    Setting((4, 12, 3, 1), SDS, site=0.1),
    Setting((4, 30, 3, 1), SDS, site=0.1, together=True),
    Setting((4, 30, 3, 1), SDS, site=0, together=True),
    Setting((1, 12, 5, 1), (0.4, 0.05, 0.2)),
    Setting((1, 30, 4, 1), (0.4, 0, 0.2)),
    Setting((1, 30, 8, 1), (0.4, 0, 0.2)),
)


def held(limits: np.ndarray, shift: np.ndarray) -> float:
    """Share of raters whose limits (raters, 2) hold the planted shift; NaN without limits."""
    if np.isnan(limits).any():
        return np.nan
    return float(np.mean((limits[:, 0] <= shift) & (shift <= limits[:, 1])))


def taken_as_known(table: pd.DataFrame, setting: Setting) -> np.ndarray:
    """Normal limits at the REML variances, (raters, 2); NaN if the raters' is zero."""
    random = setting.random
    model = fit_design(build(table, value="value", random=random, fixed=[]), "reml")
    positions = [random.index(one) for one in (["rater"], *setting.plus)]
    if model.best.v[positions[0] + 1] == 0:
        return np.full((table["rater"].nunique(), 2), np.nan)
    centre, error = Predictor(model, positions).at(model.best.point.v)
    return model.design.scale * (centre[:, None] + norm.ppf([0.025, 0.975]) * error[:, None])


def measure(setting: Setting, n_sim: int, first: int = FIRST) -> list[tuple[float, int]]:
    """Share of raters whose interval holds their planted shift, and tables with intervals."""
    found = np.empty((n_sim, len(FIGURES)))
    for k in range(n_sim):
        table, shift = setting.draw(np.random.default_rng(first + k))
        result = effects(
            table, of=["rater"], plus=setting.plus, value="value", random=setting.random,
            participant=None, n_draws=N_DRAWS, seed=first + k,
        )  # fmt: skip
        limits = np.array([[e.lower, e.upper] for e in result])
        found[k] = held(limits, shift), held(taken_as_known(table, setting), shift)
    return [(float(np.nanmean(x)), int(np.isfinite(x).sum())) for x in found.T]


def coverage_rows(n_sim: int) -> list[Row]:
    """Coverage of every setting and kind of interval."""
    return [
        Row(setting.words, figure, *shares)
        for setting in SETTINGS
        for figure, shares in zip(FIGURES, measure(setting, n_sim), strict=True)
    ]


PAGE = Page(
    name="effects",
    title="predicted effects of raters",
    module="tests.mixed.simulated_effects",
    columns=FIGURES,
    rows=coverage_rows,
    words="Held is the planted shift of a rater, against the mean of all raters at large; mean "
    "over the raters of a table. Tables without an interval are left out: with a planted rater "
    "SD of zero, some show so little between raters that hardly any variance above zero fits. "
    f"{N_DRAWS} draws of the variances to a table. Beside it the normal interval at the REML "
    "variances, as if they were known, in the tables in which the raters' is above zero.",
    design=("subjects x raters x reads", "planted SD: subject, rater, residual"),
)

if __name__ == "__main__":
    write(PAGE, Path(sys.argv[1]), int(sys.argv[2]))
