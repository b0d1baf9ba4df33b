"""Coverage of `reliability` where live readings and readings of stored clips are put together.

The nightly command, which wrote docs/methods/coverage_live_and_stored.csv and .md:

    python -m tests.agreement.simulated_modes docs/methods 4000

The same seed gives the same figures.

Planted: value = mean + site + participant + finger + site of rater + rater + finger x rater
+ picture + caliper. A live reading has a picture of its own; all who read a stored clip share
one, which is also that of the first live reading.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from cohortkit.agreement import forms
from cohortkit.agreement.facets import Facets, facets
from cohortkit.agreement.fitted import put_together
from cohortkit.mixed import sequential
from cohortkit.mixed.design import build
from cohortkit.resampling import percentile_interval
from tests.covered import Page, Row, write

LEVEL, N_DRAWS, BLOCK = 0.95, 2000, 200
MEAN = 1.5  # mm
ROLES = ("value", "participant", "finger", "scan", "rater", "site", "rater_site")
USUAL = {
    "site": 0.01, "participant": 0.05, "finger": 0.08, "rater_site": 0.005, "rater": 0.01,
    "subject_rater": 0.0064, "picture": 0.01, "caliper": 0.0144,
}  # fmt: skip


@dataclass(frozen=True)
class Clinics:
    """Sites whose raters read live, each finger by one of them, and some stored clips together."""

    name: str
    sites: int = 5
    raters: int = 2  # per site
    participants: int = 30  # per site, of one or two fingers
    repeats: float = 0.5  # share of scans read live twice by the same rater
    pairs: int = 20  # scans per site read live by a second rater ...
    pair_sites: int = 1  # ... in this many sites
    clips: int = 6  # stored clips per site; 0 for live readings only
    stored_raters: int = 1  # per site, who read all clips once
    variances: dict[str, float] = field(default_factory=lambda: dict(USUAL))


CELLS = (
    Clinics("live readings of 5 sites, pairs of raters in one", clips=0),
    Clinics("the same, wide fingers", clips=0, variances=USUAL | {"finger": 0.8}),
    Clinics("live and stored, one rater a site reads the clips"),
    Clinics("the same, 5 pairs", pairs=5),
    Clinics("the same, pairs in every site", pair_sites=5, pairs=6),
    Clinics(
        "the same, raters alike",
        variances=USUAL | {"rater_site": 0.0, "rater": 0.0, "subject_rater": 0.0},
    ),
    Clinics(
        "the same, raters alike and no picture error",
        variances=USUAL | {"rater_site": 0.0, "rater": 0.0, "subject_rater": 0.0, "picture": 0.0},
    ),
    Clinics("the same, wide fingers and large picture error",
            variances=USUAL | {"finger": 0.8, "picture": 0.05}),
    Clinics("live and stored, two raters a site read the clips", stored_raters=2),
    Clinics("live and stored, 3 sites of 4 raters, two read", sites=3, raters=4, stored_raters=2),
)  # fmt: skip


def layout(c: Clinics, seed: int = 7) -> pd.DataFrame:
    """The rows of a design; `picture` codes the picture that a reading is made on."""
    rng = np.random.default_rng(seed)
    rows: list[tuple[int, ...]] = []
    everyone = [s * c.raters + r for s in range(c.sites) for r in range(c.stored_raters)]
    for site in range(c.sites):
        for p in range(c.participants):
            person = site * c.participants + p
            for f in range(1 + p % 2):
                finger = 2 * person + f
                main, second = site * c.raters + rng.permutation(c.raters)[:2]
                live = [main]
                live += [main] if rng.random() < c.repeats else []
                live += [second] if f == 0 and p < c.pairs and site < c.pair_sites else []
                rows += [(0, person, finger, rater, site, len(rows) + i)
                         for i, rater in enumerate(live)]  # fmt: skip
                if f == 0 and p < c.clips:
                    clip = len(rows) - len(live)
                    rows += [(1, person, finger, rater, site, clip) for rater in everyone]
    names = ["stored", "participant", "finger", "rater", "site", "picture"]
    frame = pd.DataFrame(rows, columns=names)
    return frame.assign(scan=frame["finger"], rater_site=frame["rater"] // c.raters, value=0.0)


def responses(c: Clinics, rows: pd.DataFrame, n_sim: int, seed: int) -> np.ndarray:
    """Simulated readings, (n, n_sim)."""
    rng = np.random.default_rng(seed)
    met = rows.groupby(["finger", "rater"]).ngroup()
    codes = rows.assign(subject_rater=met, caliper=np.arange(len(rows)))
    values = np.full((len(rows), n_sim), MEAN)
    for role, variance in c.variances.items():
        drawn = rng.standard_normal((codes[role].max() + 1, n_sim))
        values += np.sqrt(variance) * drawn[codes[role].to_numpy()]
    return values


class _Part:
    """One mode laid out: its factors, and the spaces of its sums of squares."""

    def __init__(self, rows: pd.DataFrame, values: np.ndarray) -> None:
        self.found: Facets = facets(
            rows.assign(value=values[:, 0]), {r: r for r in ROLES}, "stop", "natural"
        )
        random = [[role] for role in self.found.factors]
        design = build(self.found.rows, value="value", random=random, fixed=())
        self.split = sequential.steps(design)
        self.seen = self.split.sums_of_squares(values)

    def draws(self, spread: sequential.Spread, i: int) -> dict[str, np.ndarray]:
        names = ["residual", *self.found.factors]
        return dict(zip(names, sequential.solve(spread, self.seen[:, i]).T, strict=True))


def _truth(c: Clinics, both: bool) -> dict[str, float]:
    """The planted components; a rater of a new site shows in stored clips only."""
    v = c.variances
    told = {n: v[n] for n in ("participant", "finger", "rater", "subject_rater")}
    told["residual"] = v["picture"] + v["caliper"]
    return told | {"rater_site": v["rater_site"] if both else 0.0}


def measure(c: Clinics, n_sim: int, seed: int = 20_261) -> dict[str, tuple[float, float]]:
    """Share of simulated tables whose interval holds the truth, and the share above it."""
    rows = layout(c)
    values = responses(c, rows, n_sim, seed)
    stored = rows["stored"].to_numpy(dtype=bool)
    parts = [_Part(rows[keep], values[keep]) for keep in (~stored, stored) if keep.any()]
    both = len(parts) == 2
    told = {"agreement": parts[-1].found.plain, "new_site": parts[-1].found.new_site}
    kinds = [k for k in forms.RISING if told.get(k, True)]
    truth = _truth(c, both)
    plan = forms.Plan(1, 1, "same_scan")
    hits = {f"{w}_{k}": np.zeros((n_sim, 2), dtype=bool) for w in ("icc", "sem") for k in kinds}
    for i in range(n_sim):
        if i % BLOCK == 0:
            spreads = [p.split.spread(N_DRAWS, seed + i + 1000 * j) for j, p in enumerate(parts)]
        drawn = [p.draws(s, i) for p, s in zip(parts, spreads, strict=True)]
        draws = put_together(*drawn) if both else drawn[0]
        for what in ("icc", "sem"):
            plain = {k: percentile_interval(_figure(what, k, draws, plan), LEVEL) for k in kinds}
            limits = forms.in_order(plain, plan, rising=what != "icc")
            for kind, (low, high) in limits.items():
                true = float(_figure(what, kind, truth, plan))
                hits[f"{what}_{kind}"][i] = low <= true <= high, low > true
    return {name: (float(hit[:, 0].mean()), float(hit[:, 1].mean())) for name, hit in hits.items()}


def _figure(what: str, kind: str, parts, plan: forms.Plan) -> np.ndarray:
    if what == "icc":
        return forms.reliability_of(parts, kind, plan)
    return np.sqrt(forms.error_variance(parts, kind, plan))


def coverage_rows(n_sim: int) -> list[Row]:
    """Coverage of every design and figure."""
    return [
        Row(c.name, name, share, n_sim)
        for c in CELLS
        for name, (share, _) in measure(c, n_sim).items()
    ]


PAGE = Page(
    name="live_and_stored",
    title="reliability from live and stored readings",
    module="tests.agreement.simulated_modes",
    columns=tuple(
        f"{what}_{kind}"
        for what in ("icc", "sem")
        for kind in ("intra", "consistency", "agreement", "new_site")
    ),
    rows=coverage_rows,
    words=f"Generalised intervals of {N_DRAWS:,} draws. Sites have 30 participants of one or two "
    "fingers, each scan read live by one rater of the site, half of them twice; six clips a site "
    "are read by raters of every site.",
    design=("design",),
)

if __name__ == "__main__":
    write(PAGE, Path(sys.argv[1]), int(sys.argv[2]))
