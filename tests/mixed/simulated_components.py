"""Coverage of the intervals of `cohortkit.mixed.fit`, measured on simulated tables.

    python -m tests.mixed.simulated_components docs/methods 4000

writes coverage_components.csv and .md; the same seed gives the same figures. About two hours on
one core with 4,000 tables, of which the bootstrap, with 199 fits to a table, takes half.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from cohortkit import mixed
from tests.covered import Page, Row, write
from tests.mixed.designs import crossed

N_BOOT = 199
KINDS = ("profile, ML", "profile, REML", "bootstrap")
NAMES = ("sd_subject", "sd_rater", "sd_residual", "fixed_intercept")
FIRST = 10**6


@dataclass(frozen=True)
class Setting:
    """Subjects, raters and reads; planted SDs of subject, rater and residual; share lost."""

    size: tuple[int, int, int]
    sds: tuple[float, float, float]
    lost: float = 0.0

    @property
    def words(self) -> str:
        size = " x ".join(str(n) for n in self.size)
        lost = f", {100 * self.lost:g} % of readings lost" if self.lost else ""
        return f"{size}{lost} | {', '.join(f'{s:g}' for s in self.sds)}"


SETTINGS = (
    Setting((30, 3, 2), (1, 0.3, 0.5)),
    Setting((30, 3, 2), (1, 1, 0.5)),
    Setting((30, 3, 2), (1, 0, 0.5)),
    Setting((15, 5, 1), (1, 0.3, 0.5)),
    Setting((60, 8, 1), (1, 0.3, 0.5)),
    Setting((60, 8, 1), (1, 0.3, 0.5), lost=0.2),
    Setting((30, 6, 1), (1, 0, 0.5)),
    Setting((30, 10, 1), (1, 0, 0.5)),
)


def choice_of(kind: str, seed: int) -> Any:
    """What `fit` takes as intervals."""
    if kind == "bootstrap":
        return mixed.Bootstrap(n_boot=N_BOOT, seed=seed)
    return mixed.Profile(kind.rsplit(" ", 1)[1].lower())


def measure(setting: Setting, kind: str, n_sim: int, first: int = FIRST) -> dict[str, float]:
    """Share of simulated tables whose interval holds the truth, by estimate."""
    truth = dict(zip(NAMES, (*setting.sds, 0.0), strict=True))
    held = dict.fromkeys(truth, 0)
    for seed in range(first, first + n_sim):
        table = crossed(*setting.size, setting.sds, seed)
        kept = np.random.default_rng(seed).random(len(table)) >= setting.lost
        found = mixed.fit(
            table[kept].reset_index(drop=True), value="value", random=[["subject"], ["rater"]],
            participant=None, unit="mm", intervals=choice_of(kind, seed),
        )  # fmt: skip
        for name, value in truth.items():
            held[name] += found[name].lower <= value <= found[name].upper
    return {name: count / n_sim for name, count in held.items()}


def coverage_rows(n_sim: int) -> list[Row]:
    """Coverage of every setting, kind of interval and estimate."""
    rows = []
    for setting in SETTINGS:
        for kind in KINDS:
            found = measure(setting, kind, n_sim)
            rows += [Row(f"{setting.words} | {kind}", n, x, n_sim) for n, x in found.items()]
    return rows


PAGE = Page(
    name="components",
    title="variance components",
    module="tests.mixed.simulated_components",
    columns=NAMES,
    rows=coverage_rows,
    words="The interval of the mean (fixed intercept) is the t interval with Satterthwaite degrees "
    f"of freedom beside the REML profile and the bootstrap. Each bootstrap has {N_BOOT} refits.",
    design=("subjects x raters x reads", "planted SD: subject, rater, residual", "interval"),
)

if __name__ == "__main__":
    write(PAGE, Path(sys.argv[1]), int(sys.argv[2]))
