"""Small invented multi-site readings in the format's columns."""

from __future__ import annotations

import numpy as np
import pandas as pd

PLANTED = {
    "site": 0.05, "participant": 0.10, "finger": 0.05, "scan": 0.02, "rater_site": 0.01,
    "rater": 0.01, "subject_rater": 0.005, "residual": 0.01,
}  # fmt: skip


def readings(
    participants=24, fingers=2, scans=2, sites=3, raters_a_site=2, reads=2, *, crossed=True, seed=1,
    planted=None,
):  # fmt: skip
    """Every scan read by all raters (crossed) or by those of its site."""
    sd = {k: np.sqrt(v) for k, v in (PLANTED | (planted or {})).items()}
    rng = np.random.default_rng(seed)
    effect: dict = {}

    def shift(role, *key):
        return effect.setdefault((role, *key), sd[role] * rng.standard_normal())

    rows = []
    for p in range(participants):
        site = p % sites
        for f in range(fingers):
            for s in range(scans):
                for rs in range(sites):
                    if not crossed and rs != site:
                        continue
                    for r in range(raters_a_site):
                        for read in range(reads):
                            value = 2 + shift("site", site) + shift("participant", p)
                            value += shift("finger", p, f) + shift("scan", p, f, s)
                            value += shift("rater_site", rs) + shift("rater", rs, r)
                            value += shift("subject_rater", p, f, s, rs, r)
                            value += sd["residual"] * rng.standard_normal()
                            rows.append(
                                (f"p{p}", f"p{p}|left|{f}", f"s{p}-{f}-{s}", f"R{rs}-{r}",
                                 f"S{site}", f"S{rs}", read + 1, value)
                            )  # fmt: skip
    names = ["participant_id", "finger_id", "scan_id", "rater_id", "site_id", "rater_site_id"]
    return pd.DataFrame(rows, columns=[*names, "read_no", "gap_mm"])
