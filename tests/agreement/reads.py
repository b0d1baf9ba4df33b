"""Small tables of invented reads that the tests of this room share."""

from __future__ import annotations

import numpy as np
import pandas as pd

OWN = {"subject": "subject", "rater": "rater", "value": "value", "participant": None, "unit": "mm"}
ONE_WAY = OWN | {"rater": None}


def long(values, subjects=None, raters=None) -> pd.DataFrame:
    """One row per read of a (subjects, raters) array."""
    array = np.asarray(values, dtype=float)
    n, k = array.shape
    return pd.DataFrame(
        {
            "subject": np.repeat(subjects if subjects is not None else np.arange(n), k),
            "rater": np.tile(raters if raters is not None else [f"r{j}" for j in range(k)], n),
            "value": array.ravel(),
        }
    )


def invented(n=20, k=3, *, subject=1.0, rater=0.3, error=0.5, seed=1) -> np.ndarray:
    """Reads from the two-way model with the given standard deviations."""
    rng = np.random.default_rng(seed)
    return (
        2.0
        + subject * rng.standard_normal((n, 1))
        + rater * rng.standard_normal((1, k))
        + error * rng.standard_normal((n, k))
    )


def clinic_reads(per_site=4) -> pd.DataFrame:
    """Reads with the format's own column names: two sites, two raters each, nested."""
    rows = []
    for site, raters in (("S01", ("R1", "R2")), ("S02", ("R3", "R4"))):
        for i in range(per_site):
            for j, rater in enumerate(raters):
                person = f"{site}-P{i}"
                rows.append(
                    {
                        "scan_id": f"{site}-{i}",
                        "rater_id": rater,
                        "participant_id": person,
                        "finger_id": f"{person}|left|ring",
                        "gap_mm": 1.0 + 0.2 * i + 0.1 * j + (0.05 if (i + j) % 3 == 0 else 0.0),
                        "pulley": "A2",
                        "load": "rest",
                        "reference_structure": "phalanx",
                        "site_id": site,
                        "rater_site_id": site,
                        "read_no": 1,
                        "reads_averaged": 1,
                        "below_resolution": False,
                        "injured": False,
                    }
                )
    return pd.DataFrame(rows)
