"""Coverage of the parametric bootstrap of `reliability`, measured on simulated designs.

The nightly command, which wrote docs/methods/coverage_reliability_bootstrap.csv and .md:

    python -m tests.agreement.simulated_bootstrap docs/methods 400

The same seed gives the same figures. Some ten minutes on one core with 400 tables.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd

from cohortkit import mixed
from cohortkit.agreement.relative_error import mean_draws
from tests.agreement.simulated_reliability import (
    CELLS,
    FIGURES,
    MEAN,
    Cell,
    bench,
    cell,
    responses,
)
from tests.covered import Page, Row, write

N_BOOT = 199
SEED = 20_260
NAMES = (
    "30 participants x 4 raters x 2 readings",
    "2 raters",
    "3 raters that differ much",
    "no rater and no subject x rater variance",
    "20 participants, 1 to 4 fingers, 3 raters, 25 % lost",
)
BOOTSTRAPPED = (
    *(c for c in CELLS if c.name in NAMES),
    *(
        cell(
            f"stored clips, {raters} raters of {sites} sites, one reading", participants=24,
            raters=raters, sites=sites, raters_from=sites, reads=1,
            planted={"site": 0.01, "rater_site": 0.01},
        )
        for raters, sites in ((12, 3), (16, 8))
    ),
)  # fmt: skip


def measure(c: Cell, n_sim: int) -> dict[str, float]:
    """Share of simulated tables whose interval holds the truth, by figure."""
    b = bench(c)
    truth = b.truth()
    values = responses(c, b.codes, n_sim, SEED)
    held = dict.fromkeys(b.figures, 0)
    for i in range(n_sim):
        table = b.codes.assign(value=values[:, i])
        fit = mixed.fit(
            table, value="value", random=b.random, participant=None,
            intervals=mixed.Bootstrap(n_boot=N_BOOT, seed=i),
        )  # fmt: skip
        draws = {n: fit.draws[f"var_{n}"].to_numpy() for n in ["residual", *b.factors]}
        draws["mean"] = mean_draws(table, pd.DataFrame(draws), SEED + n_sim + i)
        for name, (low, high) in b.limits(draws).items():
            held[name] += low <= truth[name] <= high
    return {name: count / n_sim for name, count in held.items()}


def coverage_rows(n_sim: int) -> list[Row]:
    """Coverage of every design and figure."""
    return [
        Row(c.name, name, share, n_sim)
        for c in BOOTSTRAPPED
        for name, share in measure(c, n_sim).items()
    ]


PAGE = Page(
    name="reliability_bootstrap",
    title="reliability by bootstrap",
    module="tests.agreement.simulated_bootstrap",
    columns=FIGURES,
    rows=coverage_rows,
    words=f"Parametric bootstrap of {N_BOOT} refits. Designs and words as in "
    f"[coverage_reliability](coverage_reliability.md). True mean {MEAN:g} mm.",
    design=("design",),
)

if __name__ == "__main__":
    write(PAGE, Path(sys.argv[1]), int(sys.argv[2]))
