"""Coverage of the intervals of `reliability`, measured on simulated designs.

The nightly command, which wrote docs/methods/coverage_reliability.csv and .md:

    python -m tests.agreement.simulated_reliability docs/methods 4000

The same seed gives the same figures.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from cohortkit.agreement import forms
from cohortkit.agreement.facets import ORDER, facets
from cohortkit.agreement.relative_error import mean_draws, per_cent
from cohortkit.mixed import sequential
from cohortkit.mixed.design import build
from cohortkit.resampling import percentile_interval
from tests.covered import Page, Row, write

LEVEL = 0.95
N_DRAWS = 2000
MEAN = 1.5  # mm
BLOCK = 200  # simulated tables that share their draws
ROLES = ("value", "participant", "finger", "scan", "rater", "site", "rater_site")
USUAL = {"participant": 0.10, "rater": 0.01, "subject_rater": 0.005, "residual": 0.015}


@dataclass(frozen=True)
class Cell:
    """One design with planted variances (mm2) and a way to disturb the values."""

    name: str
    participants: int = 30
    fingers: int = 1  # per participant, at most; every participant has 1 to this many
    scans: int = 1
    raters: int = 4
    reads: int = 2
    sites: int = 1
    raters_from: int = 1  # sites that the raters come from
    nested: bool = False  # raters read at their own site only
    raters_a_scan: int = 0  # 0: all
    lost: float = 0.0  # share of readings lost at random
    shape: str = "normal"  # normal | skewed participants | rounded to 0.1 mm
    variances: dict[str, float] = field(default_factory=lambda: dict(USUAL))
    occasion: str = "same_scan"


def cell(name: str, **settings) -> Cell:
    """A cell whose variances are the usual ones, with those given put in their place."""
    planted = USUAL | settings.pop("planted", {})
    return Cell(name, variances=planted, **settings)


CELLS = (
    cell("30 participants x 4 raters x 2 readings"),
    cell("the same, 20 % of readings lost", lost=0.2),
    cell("2 raters", raters=2),
    cell("3 raters that differ much", raters=3, planted={"rater": 0.10}),
    cell("3 raters that differ much, 20 % lost", raters=3, lost=0.2, planted={"rater": 0.10}),
    cell("3 raters, one reading each", raters=3, reads=1),
    cell("8 raters, 3 of them per scan", participants=40, raters=8, raters_a_scan=3),
    cell("no rater variance", planted={"rater": 0.0}),
    cell(
        "no rater and no subject x rater variance",
        planted={"rater": 0.0, "subject_rater": 0.0},
    ),
    cell(
        "20 participants, 1 to 4 fingers, 3 raters, one reading", participants=20, fingers=4,
        raters=3, reads=1, planted={"participant": 0.05, "finger": 0.05},
    ),
    cell(
        "20 participants, 1 to 4 fingers, 3 raters, 25 % lost", participants=20, fingers=4,
        raters=3, lost=0.25, planted={"participant": 0.05, "finger": 0.05},
    ),
    cell(
        "the same, fingers of a person alike", participants=20, fingers=4, raters=3, lost=0.25,
        planted={"participant": 0.10, "finger": 0.0},
    ),
    cell(
        "5 sites, 2 raters nested in each", participants=60, raters=10, sites=5, raters_from=5,
        nested=True, planted={"site": 0.01, "rater_site": 0.01},
    ),
    cell(
        "2 sites, 3 raters nested in each", participants=30, raters=6, sites=2, raters_from=2,
        nested=True, planted={"site": 0.01, "rater_site": 0.01},
    ),
    cell(
        "stored clips of 5 sites, 4 raters of 4 sites, one reading", raters=4, sites=5,
        raters_from=4, reads=1, planted={"site": 0.01, "rater_site": 0.005},
    ),
    cell(
        "stored clips, 8 raters of 4 sites", participants=24, raters=8, sites=4, raters_from=4,
        planted={"site": 0.01, "rater_site": 0.01},
    ),
    cell(
        "stored clips, 6 raters of 2 sites", participants=24, raters=6, sites=2, raters_from=2,
        planted={"site": 0.01, "rater_site": 0.01},
    ),
    cell(
        "25 participants, 3 scans each, new scan", participants=25, scans=3, raters=2,
        occasion="new_scan", planted={"scan": 0.01},
    ),
    cell(
        "25 participants, 3 sites, 2 raters nested in each", participants=25, raters=6, sites=3,
        raters_from=3, nested=True, planted={"site": 0.03, "rater_site": 0.01},
    ),
    # The one rater's shift is the same in every reading, so that no truth of the mean holds it.
    cell("one rater, 30 participants, 2 readings", raters=1, planted={"rater": 0.0}),
    cell("rounded to 0.1 mm", shape="rounded to 0.1 mm"),
    cell("skewed participants", shape="skewed participants"),
)  # fmt: skip


def layout(c: Cell, seed: int = 7) -> pd.DataFrame:
    """The rows of a cell's design, all values zero; what is lost is lost once and for all."""
    rng = np.random.default_rng(seed)
    rows = []
    per_site = c.raters // c.raters_from
    for p in range(c.participants):
        site = p % c.sites
        for f in range(1 + p % c.fingers):
            for s in range(c.scans):
                raters = np.arange(c.raters)
                if c.nested:
                    raters = raters[raters // per_site == site]
                if c.raters_a_scan:
                    raters = rng.choice(raters, c.raters_a_scan, replace=False)
                rows += [
                    (0.0, p, f, s, r, site, min(r // per_site, c.raters_from - 1))
                    for r in raters
                    for _ in range(c.reads)
                ]
    frame = pd.DataFrame(rows, columns=list(ROLES))
    return frame[rng.random(len(frame)) >= c.lost].reset_index(drop=True)


def responses(c: Cell, codes: pd.DataFrame, n_sim: int, seed: int) -> np.ndarray:
    """Simulated readings, (n, n_sim)."""
    rng = np.random.default_rng(seed)
    values = np.full((len(codes), n_sim), MEAN)
    for role in ORDER:
        size = codes[role].max() + 1
        drawn = rng.standard_normal((size, n_sim))
        if role == "participant" and c.shape == "skewed participants":
            drawn = rng.gamma(1.0, 1.0, (size, n_sim)) - 1
        values += np.sqrt(c.variances.get(role, 0.0)) * drawn[codes[role].to_numpy()]
    values += np.sqrt(c.variances["residual"]) * rng.standard_normal(values.shape)
    return np.round(values, 1) if c.shape.startswith("rounded") else values


@dataclass(frozen=True)
class Bench:
    """A cell laid out: codes, factors, and the figures that its design can tell."""

    c: Cell
    codes: pd.DataFrame
    factors: tuple[str, ...]
    figures: dict[str, tuple[str, str]]

    def truth(self) -> dict[str, float]:
        """The planted figures, without shifts that this design has no trace of.

        One rater's shift is the same in every reading. What raters nested in a site
        have in common is the site's. Where each rater has a site of its own, the rater
        variance holds both, and so does the truth.
        """
        parts = {**self.c.variances, "mean": MEAN}
        if "rater" not in self.factors:
            parts["rater"] = 0.0
        if self.c.nested or "rater" not in self.factors:
            parts["rater_site"] = 0.0
        return {n: float(self.figure(n, parts)) for n in self.figures}

    def plan(self, name: str) -> forms.Plan:
        k, m = (2, 3) if "2x3" in name else (1, 1)
        return forms.Plan(k, m, self.c.occasion)

    def figure(self, name: str, parts) -> np.ndarray:
        return _figure(*self.figures[name], parts, self.plan(name))

    def limits(self, draws) -> dict[str, forms.Limits]:
        """Limits of every figure, in the order of the kinds of error."""
        out, families = {}, {}
        for name, (what, kind) in self.figures.items():
            plan = self.plan(name)
            if (what, plan) not in families:
                told = [k for k in forms.RISING if f"{what}_{k}" in self.figures]
                own = {k: percentile_interval(_figure(what, k, draws, plan), LEVEL) for k in told}
                families[what, plan] = forms.in_order(own, plan, rising=what != "icc")
            out[name] = families[what, plan][kind]
        return out

    @property
    def random(self) -> list[list[str]]:
        return [[factor] for factor in self.factors]


def _figure(what: str, kind: str, parts, plan: forms.Plan) -> np.ndarray:
    if what == "icc":
        return forms.reliability_of(parts, kind, plan)
    sem = np.sqrt(forms.error_variance(parts, kind, plan))
    return sem if what == "sem" else per_cent(sem, parts["mean"])


def bench(c: Cell) -> Bench:
    frame = layout(c)
    seen = frame.assign(value=np.random.default_rng(1).standard_normal(len(frame)))
    found = facets(seen, {role: role for role in ROLES}, "stop", "natural")
    kinds = {"agreement": found.plain, "new_site": found.new_site}
    kinds["consistency"] = "rater" in found.factors
    kinds["intra"] = found.repeats
    figures = {f"{w}_{k}": (w, k) for w in ("icc", "sem") for k, holds in kinds.items() if holds}
    ratios = {f"cv_{k}": ("cv", k) for k, holds in kinds.items() if holds and k != "consistency"}
    if found.plain and "subject_rater" in found.factors:
        figures |= {
            "icc_agreement_2x3": ("icc", "agreement"),
            "sem_agreement_2x3": ("sem", "agreement"),
        }
    return Bench(c, found.rows, found.factors, figures | ratios)


def measure(c: Cell, n_sim: int, seed: int = 20_260) -> dict[str, tuple[float, float]]:
    """Share of simulated tables whose interval holds the truth, and the share above it."""
    b = bench(c)
    truth = b.truth()
    values = responses(c, b.codes, n_sim, seed)
    design = build(b.codes.assign(value=values[:, 0]), value="value", random=b.random, fixed=())
    split = sequential.steps(design)
    seen = split.sums_of_squares(values)
    hits = {name: np.zeros((n_sim, 2), dtype=bool) for name in b.figures}
    names = ["residual", *b.factors]
    for i in range(n_sim):
        if i % BLOCK == 0:
            spread = split.spread(N_DRAWS, seed + i)
        draws = dict(zip(names, sequential.solve(spread, seen[:, i]).T, strict=True))
        draws["mean"] = mean_draws(
            b.codes.assign(value=values[:, i]), pd.DataFrame(draws), seed + n_sim + i
        )
        for name, (low, high) in b.limits(draws).items():
            hits[name][i] = low <= truth[name] <= high, low > truth[name]
    return {name: (float(hit[:, 0].mean()), float(hit[:, 1].mean())) for name, hit in hits.items()}


def coverage_rows(n_sim: int) -> list[Row]:
    """Coverage of every design and figure."""
    return [
        Row(c.name, name, share, n_sim)
        for c in CELLS
        for name, (share, _) in measure(c, n_sim).items()
    ]


FIGURES = (
    "icc_agreement", "icc_consistency", "icc_intra", "sem_agreement", "sem_consistency",
    "sem_intra", "icc_agreement_2x3", "sem_agreement_2x3", "cv_agreement", "cv_intra",
    "icc_new_site", "sem_new_site", "cv_new_site",
)  # fmt: skip
PAGE = Page(
    name="reliability",
    title="reliability",
    module="tests.agreement.simulated_reliability",
    columns=FIGURES,
    rows=coverage_rows,
    words=f'Generalised intervals of {N_DRAWS:,} draws. "agreement" is `icc_agreement`, '
    '`sem_inter` and `cv_inter`; "2x3" the mean of 2 raters with 3 readings each. True mean '
    f"{MEAN:g} mm.",
    design=("design",),
)

if __name__ == "__main__":
    write(PAGE, Path(sys.argv[1]), int(sys.argv[2]))
