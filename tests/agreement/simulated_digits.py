"""How often the digit tests raise a false alarm, measured on invented values without preference.

``python -m tests.agreement.simulated_digits docs/methods/false_alarms.csv 4000`` writes the
table of docs/methods/reading_quality.md: the same seed gives the same figures.
"""

from __future__ import annotations

import csv
import math
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from cohortkit.agreement.digit_preference import digit_test, place_test


@dataclass(frozen=True)
class Values:
    """n gaps written to 0.1 mm, at least 0.3 mm: one kind, or intact and torn as strata."""

    n: int
    kind: str  # narrow | wide | two kinds
    reads: int = 1  # reads of each participant, which share the gap

    @property
    def words(self) -> str:
        more = f", {self.reads} of each participant" if self.reads > 1 else ""
        return f"{self.n} readings, {self.kind}{more}"


SETTINGS = (
    Values(60, "narrow"),
    Values(100, "narrow"),
    Values(300, "narrow"),
    Values(1000, "narrow"),
    Values(100, "wide"),
    Values(1000, "wide"),
    Values(300, "two kinds"),
    Values(1000, "two kinds"),
    Values(300, "wide", 4),
)


def draw(setting: Values, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Steps of 0.1 mm, participants and strata."""
    k = setting.n // setting.reads
    person = np.repeat(np.arange(k), setting.reads)
    torn = (rng.random(k) < 0.25)[person] & (setting.kind == "two kinds")
    mean, sd = {"narrow": (1.0, 0.3), "wide": (2.0, 0.6), "two kinds": (1.1, 0.3)}[setting.kind]
    gap = np.where(torn, 3.5, mean) + np.where(torn, 0.8, sd) * rng.standard_normal(k)[person]
    if setting.reads > 1:
        gap = gap + 0.12 * rng.standard_normal(len(person))
    steps = np.rint(10 * gap).astype(int)
    seen = steps >= 3
    return steps[seen], person[seen], torn[seen]


def false_alarms(setting: Values, n_sim: int, seed: int = 20_260) -> dict[str, float]:
    """Share of tables in which each test at 5 % finds a preference."""
    rng = np.random.default_rng(seed)
    hits = np.zeros((n_sim, 2))
    for i in range(n_sim):
        table = draw(setting, rng)
        hits[i] = (digit_test(*table).p_value, place_test(table[0], table[1], 5, table[2]).p_value)
    return dict(zip(("last_digit", "half_unit"), (hits < 0.05).mean(axis=0).tolist(), strict=True))


def write(path: Path, n_sim: int) -> None:
    """One row per setting and test: false alarms and their Monte Carlo error, in per cent."""
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["setting", "test", "false_alarms_percent", "monte_carlo_error"])
        for setting in SETTINGS:
            for test, share in false_alarms(setting, n_sim).items():
                error = 100 * math.sqrt(share * (1 - share) / n_sim)
                out.writerow([setting.words, test, f"{100 * share:.2f}", f"{error:.2f}"])


if __name__ == "__main__":
    write(Path(sys.argv[1]), int(sys.argv[2]))
