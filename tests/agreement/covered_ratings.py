"""How often intervals of agreement on categories hold the planted truth.

    python -m tests.agreement.covered_ratings docs/methods 4000

writes coverage_categories.csv and .md; the same seed gives the same figures.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np

from cohortkit.agreement.coefficients import Request, Target, answer, target_limits
from cohortkit.agreement.cohen_kappa import kappa_targets
from cohortkit.agreement.fleiss_kappa import fleiss_targets
from cohortkit.agreement.gwet_ac import gwet_targets
from cohortkit.agreement.krippendorff_alpha import alpha_targets
from cohortkit.agreement.ratings import Ratings
from cohortkit.agreement.smooth import clustered_variance, influence
from cohortkit.agreement.specific_agreement import share_targets
from cohortkit.agreement.weighting import agreement_weights
from tests.agreement.planted_ratings import Design
from tests.covered import Page, Row, write

DESIGNS = [
    Design(20, 1, 2, 0.9),
    Design(50, 1, 2, 0.9),
    Design(30, 2, 2, 0.8, 0.6),
    Design(20, 3, 3, 0.9, 0.5),
    Design(40, 1, 5, 0.6, absent=0.2),
    Design(100, 1, 2, 0.8, edges=(0.9,)),
    Design(30, 1, 2, 0.8, edges=(0.9,)),
]
KINDS = ("fisher_z", "published")

Question = tuple[str, Target, np.ndarray, Ratings, float]


def questions(ratings: Ratings, truth: dict[str, float]) -> list[Question]:
    """What is estimated from one sample, with its true value."""
    counts, q = ratings.counts, len(ratings.categories)
    found: list[Question] = []

    def ask(name: str, made: tuple[list[Target], np.ndarray], true: str, part: int = 0) -> None:
        targets, parts = made
        found.append((name, targets[part], parts, ratings, truth[true]))

    for kind in ("unweighted", "quadratic"):
        if ratings.codes.shape[1] == 2:
            made = kappa_targets(ratings.codes, agreement_weights(kind, q), kind)
            ask(f"cohen_{kind}", made, f"kappa_{kind}")
        ask(f"gwet_{kind}", gwet_targets(counts, kind), f"gwet_{kind}")
    ask("fleiss", fleiss_targets(counts, ratings.categories, "unweighted"), "kappa_unweighted")
    shares = share_targets(counts, ratings.categories)
    ask("overall", shares, "overall_agreement")
    for k in (1, q - 1):
        name = ratings.categories[k]
        ask(f"specific_{name}", shares, f"specific_{name}", 1 + k)
    twice = ratings.subset((ratings.codes >= 0).sum(axis=1) > 1)
    targets, parts = alpha_targets(twice.counts, twice.categories, "ordinal")
    found.append(("alpha", targets[0], parts, twice, truth["alpha_ordinal"]))
    return found


def measure(design: Design, n_sim: int, seed: int = 7) -> dict[str, float]:
    """Per cent of samples whose interval held the truth, by ``name kind``.

    Samples in which the coefficient does not exist are left out and counted under
    ``name undefined``; an interval that does not exist counts as a miss.
    """
    truth = design.truth()
    generator = np.random.default_rng(seed)
    held: dict[str, list[bool]] = {}
    undefined: dict[str, int] = {}
    for _ in range(n_sim):
        ratings = design.draw(generator)
        for name, target, parts, sample, true in questions(ratings, truth):
            with np.errstate(divide="ignore", invalid="ignore"):
                value = float(target.statistic(parts.sum(axis=0)))
                effect = influence(parts, target.statistic)
            if math.isnan(value):
                undefined[name] = undefined.get(name, 0) + 1
                continue
            variance = clustered_variance(effect, sample.cluster)
            for kind in KINDS:
                if kind == "published" and (target.published is None or sample.repeats):
                    continue
                with np.errstate(divide="ignore", invalid="ignore"):
                    (low, high), _ = target_limits(
                        target, (value, variance), parts, sample, Request(kind, 0.95, 1, 0)
                    )
                held.setdefault(f"{name} {kind}", []).append(low <= true <= high)
    shares = {name: 100 * float(np.mean(list_)) for name, list_ in held.items()}
    return shares | {f"{name} undefined": float(n) for name, n in undefined.items()}


def measure_bootstrap(design: Design, n_sim: int, n_boot: int, seed: int = 7) -> float:
    """Per cent of samples whose bootstrap interval of Cohen's kappa held the truth."""
    true = design.truth()["kappa_unweighted"]
    generator = np.random.default_rng(seed)
    held = 0
    for i in range(n_sim):
        ratings = design.draw(generator)
        made = kappa_targets(ratings.codes, np.eye(len(ratings.categories)), "unweighted")
        found = answer(made[0][:1], made[1], ratings, Request("bootstrap", 0.95, n_boot, i))
        held += found.estimates[0].lower <= true <= found.estimates[0].upper
    return 100 * held / n_sim


def label(design: Design) -> str:
    """A design in words, as the page has it."""
    absent = f", {100 * design.absent:g} % absent" if design.absent else ""
    size = f"{design.participants} x {design.fingers}"
    rare = ", one category rare" if len(design.categories) == 2 else ""
    return f"{size}{rare} | {design.raters} ({design.seen:g}){absent} | {design.alike:g}"


ASKED = ("cohen_unweighted", "cohen_quadratic", "fleiss", "gwet_unweighted", "gwet_quadratic")
SHARES = ("overall fisher_z", "specific_strain fisher_z", "specific_complete fisher_z")


def coverage_rows(n_sim: int) -> list[Row]:
    """Coverage of every design, coefficient and kind of interval."""
    return [
        Row(label(design), name, per_cent / 100, n_sim)
        for design in DESIGNS
        for name, per_cent in measure(design, n_sim).items()
        if not name.endswith("undefined")
    ]


PAGE = Page(
    name="categories",
    title="agreement on categories",
    module="tests.agreement.covered_ratings",
    columns=(*(f"{name} {kind}" for name in (*ASKED, "alpha") for kind in KINDS), *SHARES),
    rows=coverage_rows,
    words='"fisher_z" is the default, whatever scale it is on. Samples in which a coefficient does '
    "not exist are left out; an interval that does not exist counts as a miss. Raters see a normal "
    "severity, in brackets how the views of two of them correlate, cut into four categories with "
    'shares 40, 20, 20 and 20 %, or into two with 90 and 10 % ("rare"); "alike" is the '
    "correlation of severities within a participant.",
    design=("participants x subjects", "raters (correlation)", "alike"),
)

if __name__ == "__main__":
    write(PAGE, Path(sys.argv[1]), int(sys.argv[2]))
