"""Every estimator of agreement that takes readings, asked of small invented tables."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from cohortkit import agreement

BOTH = ("a", "b")
NAMES = ("participant_id", "finger_id", "scan_id", "rater_id", "read_no", "gap_mm")
METHOD = {"method": "rater_id"}
SIZE = {"subject": "scan_id", "value": "size"}


def table(n: int = 14, reads: int = 1) -> pd.DataFrame:
    """Invented: n scans of n participants, each read by a and b."""
    rng = np.random.default_rng(1)
    rows = [
        (f"p{i}", f"f{i}", f"s{i}", rater, read, round(2 + 0.1 * i + rng.normal(0, 0.2), 2))
        for i in range(n)
        for rater in BOTH
        for read in range(1, reads + 1)
    ]
    return sized(pd.DataFrame(rows, columns=list(NAMES)))


def sized(data: pd.DataFrame) -> pd.DataFrame:
    """With the gap as one of three rated sizes."""
    return data.assign(size=np.digitize(data["gap_mm"], [2.4, 2.9]))


# takes a table with one reading of each scan by each rater
ONCE: dict[str, Callable[..., Any]] = {
    "icc": agreement.icc,
    "limits_of_agreement": agreement.limits_of_agreement,
    "limits_of_agreement, named": lambda d, **k: agreement.limits_of_agreement(d, raters=BOTH, **k),
    "limits_clustered": agreement.limits_clustered,
    "limits_clustered, named": lambda d, **k: agreement.limits_clustered(d, raters=BOTH, **k),
    "limits_ratio": agreement.limits_ratio,
    "limits_regression": lambda d, **k: agreement.limits_regression(d, n_boot=50, **k),
    "limits_with_mean": agreement.limits_with_mean,
    "limits_with_mean, named": lambda d, **k: agreement.limits_with_mean(d, raters=BOTH, **k),
    "concordance": lambda d, **k: agreement.concordance(d, **METHOD, **k),
    "concordance, named": lambda d, **k: agreement.concordance(d, **METHOD, methods=BOTH, **k),
    "deming": lambda d, **k: agreement.deming(d, **METHOD, ratio=1, **k),
    "passing_bablok": lambda d, **k: agreement.passing_bablok(d, **METHOD, **k),
}
# takes a table with several readings of each scan by each rater
AGAIN: dict[str, Callable[..., Any]] = {
    "reliability": agreement.reliability,
    "rater_effects": agreement.rater_effects,
    "repeatability": agreement.repeatability,
    "limits_replicates": agreement.limits_replicates,
    "limits_replicates, varying": lambda d, **k: agreement.limits_replicates(
        d, truth="varying", **k
    ),
    "reading_quality": lambda d, **k: agreement.reading_quality(d, order=None, **k),
}
RATED: dict[str, Callable[..., Any]] = {
    "cohen_kappa": lambda d, **k: agreement.cohen_kappa(d, **SIZE, **k),
    "cohen_kappa, named": lambda d, **k: agreement.cohen_kappa(d, **SIZE, raters=BOTH, **k),
    "fleiss_kappa": lambda d, **k: agreement.fleiss_kappa(d, **SIZE, **k),
    "gwet_ac": lambda d, **k: agreement.gwet_ac(d, **SIZE, **k),
    "krippendorff_alpha": lambda d, **k: agreement.krippendorff_alpha(d, **SIZE, **k),
    "specific_agreement": lambda d, **k: agreement.specific_agreement(d, **SIZE, **k),
}
MEASURED = ONCE | AGAIN
EVERY = MEASURED | RATED


def table_for(name: str) -> pd.DataFrame:
    """The table that an estimator takes."""
    return table(reads=2 if name in AGAIN else 1)
