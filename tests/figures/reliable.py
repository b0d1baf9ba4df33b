"""Small invented multi-site readings, and the three results that the reliability figure shows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortkit.agreement import decision_study, rater_effects, reliability


def readings(n=14, seed=3, reads=2):
    """Four raters read one scan of each of n participants `reads` times."""
    rng = np.random.default_rng(seed)
    shift = rng.normal(0, 0.2, 4)
    rows = []
    for person in range(n):
        gap, cell = rng.normal(1.8, 0.4), rng.normal(0, 0.1, 4)
        rows += [
            {
                "participant_id": f"p{person}",
                "finger_id": f"p{person}|left|ring",
                "scan_id": f"s{person}",
                "rater_id": f"rater-{r}",
                "gap_mm": gap + shift[r] + cell[r] + rng.normal(0, 0.1),
            }
            for r in range(4)
            for _ in range(reads)
        ]
    return pd.DataFrame(rows)


def three_results(reads=2):
    table = readings(reads=reads)
    result = reliability(table, n_boot=200)
    most = (1, 2, 3) if reads > 1 else (1,)
    return result, decision_study(result, reads=most), rater_effects(table)
