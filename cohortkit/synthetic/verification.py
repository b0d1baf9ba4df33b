"""What the clinics record as torn, and on what ground."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortkit.synthetic.design import PULLEYS, STATUSES, Design
from cohortkit.synthetic.draws import Draws, Numbers, Whole


def draw_tears(
    episodes: pd.DataFrame,
    courses: pd.DataFrame,
    measured: Numbers,
    design: Design,
    seed: int,
) -> pd.DataFrame:
    """Recorded status per episode and pulley.

    Parameters
    ----------
    measured
        The first live loaded gap in mm as written down, shape (episodes,
        pulleys); NaN where the pulley was not read or the gap not seen.
    """
    draws, n = Draws(seed, "verification"), len(episodes)
    position = {status: code for code, status in enumerate(STATUSES)}
    true = np.array([[position[s] for s in episodes[f"true_{p}"]] for p in PULLEYS]).T
    basis = _basis(courses, measured, design, draws)
    by_gap = _status_by_gap(true, measured, design)
    too_mild = draws.happens(design.verification.clinical_too_mild, n)[:, None] & (true > 1)
    recorded = np.where((basis == "us_gap")[:, None], by_gap, true)
    recorded = np.where((basis == "clinical")[:, None], true - too_mild, recorded)
    surgery = courses["surgery_day"].to_numpy()
    verified_day = np.where(np.isfinite(surgery), surgery, draws.whole(0, 20, n).astype(float))
    unverified = np.isin(basis, ["us_gap", "clinical"])
    k = len(PULLEYS)
    return pd.DataFrame(
        {
            "episode_id": np.repeat(episodes["episode_id"].to_numpy(), k),
            "pulley": np.tile(np.array(PULLEYS, dtype=object), n),
            "status": np.array(STATUSES, dtype=object)[recorded.ravel()],
            "basis": np.repeat(basis, k),
            "verified_day": np.repeat(np.where(unverified, np.nan, verified_day), k),
            "true_status": np.array(STATUSES, dtype=object)[true.ravel()],
        }
    )


def _basis(courses: pd.DataFrame, measured: Numbers, design: Design, draws: Draws) -> np.ndarray:
    """The ground of the grading; verification is likelier where the widest gap is large."""
    plan, n = design.verification, len(courses)
    widest = np.where(np.isnan(measured), 0.0, measured).max(axis=1)
    chance = 1 / (1 + np.exp(-plan.per_mm * (widest - plan.at_gap_mm)))
    verified = draws.happens(chance, n)
    direct = 1 - plan.mri_share - plan.consensus_share
    means = draws.choice(
        ["mri", "consensus", "us_direct"], [plan.mri_share, plan.consensus_share, direct], n
    )
    other = np.where(draws.happens(plan.us_gap_share, n), "us_gap", "clinical")
    operated = np.isfinite(courses["surgery_day"].to_numpy())
    return np.where(operated, "surgery", np.where(verified, means, other)).astype(object)


def _status_by_gap(true: Whole, measured: Numbers, design: Design) -> Whole:
    """The status that cut points on the gap give; below them a strain, if there is any injury."""
    plan = design.verification
    partial = np.array([plan.gap_partial_mm[p] for p in PULLEYS])
    complete = np.array([plan.gap_complete_mm[p] for p in PULLEYS])
    seen = np.where(np.isnan(measured), 0.0, measured)
    small = np.minimum(true, 1)
    return np.where(seen >= complete, 3, np.where(seen >= partial, 2, small))
