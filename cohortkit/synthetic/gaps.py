"""The true gap of each scanned finger: fixed part, random effects, healing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from cohortkit.synthetic.design import LOADS, PULLEYS, STATUSES, Design
from cohortkit.synthetic.draws import Draws, Numbers, Whole

CENTRE_YEARS = 10.0


@dataclass(frozen=True)
class Shifts:
    """Realised effects of each scan in mm: (scans,) for site and finger, else (scans, pulleys)."""

    site: Numbers
    finger: Numbers
    pulley: Numbers
    increment: Numbers


def status_codes(scans: pd.DataFrame, episodes: pd.DataFrame) -> Whole:
    """Position in `STATUSES` of each scan's true status, shape (scans, pulleys)."""
    position = {status: code for code, status in enumerate(STATUSES)}
    coded = np.array([[position[s] for s in episodes[f"true_{p}"]] for p in PULLEYS]).T
    uninjured = np.zeros((1, len(PULLEYS)), dtype=np.int64)  # reached by episode -1
    return np.vstack([coded, uninjured])[scans["episode"].to_numpy()]


def true_gaps(
    people: pd.DataFrame, scans: pd.DataFrame, status: Whole, design: Design, seed: int
) -> Numbers:
    """True gap in mm at each scan, shape (scans, pulleys, loads), never below 0.

    gap = mean[pulley, load, status]
          + scale[pulley] * (site + person + finger + pulley[status] + load increment + covariates)

    A torn pulley's excess over an intact one shrinks after the first scan; a
    tape or ring takes its share off the whole gap.
    """
    plan = design.gaps
    means = np.array([[[plan.mean_mm[p][x][s] for s in STATUSES] for x in LOADS] for p in PULLEYS])
    fixed = means[np.arange(len(PULLEYS)), :, status] + _combined(status, design)
    intact = np.broadcast_to(means[:, :, 0], fixed.shape)
    left = 1 - plan.healed_share * (1 - np.exp(-_days_since_first(scans) / plan.healing_days))
    fixed = intact + (fixed - intact) * left[:, None, None]
    parts = random_shifts(scans, status, design, seed)
    person = people["effect_mm"].to_numpy()[scans["person"]]
    common = (person + parts.site + parts.finger)[:, None] + parts.pulley
    shifts = np.stack([common, common + parts.increment], axis=2)
    shifts = shifts + _covariates(people, scans, design)
    scale = np.array([plan.pulley_scale[p] for p in PULLEYS])[None, :, None]
    worn = np.where(scans["support_worn"] == "none", 1.0, plan.support_factor)
    return np.maximum(0.0, (fixed + scale * shifts) * worn[:, None, None])


def _combined(status: Whole, design: Design) -> Numbers:
    """The extra gap of a complete A2 or A4 beside another complete tear."""
    complete = status == STATUSES.index("complete")
    several = complete.sum(axis=1) >= 2
    bone = np.array([p != "A3" for p in PULLEYS])
    extra = np.array([design.gaps.combined[x] for x in LOADS])
    return (complete & bone & several[:, None])[:, :, None] * extra


def _days_since_first(scans: pd.DataFrame) -> Numbers:
    """Days from the finger's first scan."""
    first = scans.groupby("finger")["scan_day"].transform("min")
    return (scans["scan_day"] - first).to_numpy(dtype=np.float64)


def random_shifts(scans: pd.DataFrame, status: Whole, design: Design, seed: int) -> Shifts:
    """The realised effects in mm before `pulley_scale`; the same call gives the same effects."""
    plan, draws = design.gaps, Draws(seed, "gaps")
    finger = scans["finger"].to_numpy()
    n = int(finger.max()) + 1
    spread = np.array([plan.pulley_sd[s] for s in STATUSES])[status]
    return Shifts(
        site=np.array([s.effect_mm for s in design.sites])[scans["site"]],
        finger=plan.finger_sd * draws.normal(n)[finger],
        pulley=draws.normal(n, len(PULLEYS))[finger] * spread,
        increment=plan.load_increment_sd * draws.normal(n, len(PULLEYS))[finger],
    )


def _covariates(people: pd.DataFrame, scans: pd.DataFrame, design: Design) -> Numbers:
    """Sex, climbing years, adolescence, warm-up, shape (scans, 1, loads)."""
    plan = design.gaps
    who = people.iloc[scans["person"].to_numpy()]
    common = plan.per_climbing_year * (who["climbing_years"].to_numpy() - CENTRE_YEARS)
    common = common + plan.adolescent * who["adolescent"].to_numpy()
    rest = common + plan.women_at_rest * (who["sex"] == "female").to_numpy()
    warm = scans["warm_up"].fillna(False).to_numpy(dtype=bool)
    loaded = common + plan.warm_up_loaded * warm
    return np.stack([rest, loaded], axis=1)[:, None, :]
