"""Treatment, the day of full climbing, and the visits at which it is looked for."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortkit.synthetic.design import Design
from cohortkit.synthetic.draws import Draws, Numbers

NEVER = np.inf
TREATMENTS = {  # grade: (kind, last day)
    "I": (("tape", 90),),
    "II": (("tape", 90),),
    "III": (("ring", 56), ("tape", 180)),
    "IV": (("ring", 70), ("tape", 365)),
}


def draw_courses(episodes: pd.DataFrame, design: Design, seed: int) -> pd.DataFrame:
    """The true course of each episode, one row per row of `episodes`.

    Columns: `return_day` (from onset, infinite if never; the day that would
    come without surgery and without giving up), `full_day`, `surgery_day` and
    `gave_up_day` (from enrolment, infinite if it never comes).
    """
    plan, draws = design.follow_up, Draws(seed, "courses")
    n = len(episodes)
    onset = episodes["onset_day"].to_numpy(dtype=np.float64)
    grade = episodes["grade"].to_numpy()
    per_grade = {
        key: np.array([plan.grades[g][key] for g in grade], dtype=np.float64)
        for key in ("median_day", "shape", "never", "surgery")
    }
    returns = weibull_day(draws.uniform(n), per_grade["median_day"], per_grade["shape"])
    returns[draws.happens(per_grade["never"], n)] = NEVER
    low, high = plan.surgery_day
    surgery = np.where(
        draws.happens(per_grade["surgery"], n), draws.whole(low, high, n).astype(float), NEVER
    )
    last_grade = plan.grades["IV"]
    after_surgery = surgery + weibull_day(
        draws.uniform(n), np.full(n, last_grade["median_day"]), np.full(n, last_grade["shape"])
    )
    full = np.where(np.isfinite(surgery), after_surgery, np.ceil(returns) + onset)
    gave_up = np.where(
        draws.happens(plan.gives_up, n), draws.whole(30, 365, n).astype(float), NEVER
    )
    gave_up[gave_up >= full] = NEVER
    full[np.isfinite(gave_up)] = NEVER
    return pd.DataFrame(
        {
            "episode_id": episodes["episode_id"].to_numpy(),
            "return_day": np.ceil(returns),
            "full_day": np.ceil(full),
            "surgery_day": surgery,
            "gave_up_day": gave_up,
        }
    )


def weibull_day(chance: Numbers, median: Numbers, shape: Numbers) -> Numbers:
    """The day at which a share `chance` has returned: median * (-log2(1 - chance))^(1/shape)."""
    return median * (-np.log2(1.0 - chance)) ** (1.0 / shape)


def treatments_table(episodes: pd.DataFrame, courses: pd.DataFrame) -> pd.DataFrame:
    """What was done, in days from enrolment."""
    rows = []
    for episode, grade, surgery in zip(
        episodes["episode_id"], episodes["grade"], courses["surgery_day"], strict=True
    ):
        operated = np.isfinite(surgery)
        if operated:
            rows.append((episode, "surgery", int(surgery), int(surgery)))
        start = int(surgery) if operated else 0
        for kind, last in TREATMENTS[grade]:
            rows.append((episode, kind, start, start + last))
            start += last
    return pd.DataFrame(rows, columns=["episode_id", "kind", "start_day", "end_day"])


def draw_visits(
    episodes: pd.DataFrame, courses: pd.DataFrame, people: pd.DataFrame, design: Design, seed: int
) -> pd.DataFrame:
    """Planned visits; a visit that did not happen has a planned day and nothing else.

    A visit is likelier to be missed by somebody who already climbs fully, so
    missing visits say a little about the outcome, as they do in life.
    """
    plan, draws = design.follow_up, Draws(seed, "visits")
    n, k = len(episodes), len(plan.planned_day)
    planned = np.tile(np.array(plan.planned_day, dtype=np.float64), (n, 1))
    jitter = np.round(np.array(plan.jitter_sd) * np.clip(draws.normal(n, k), -2.0, 2.0))
    actual = planned + jitter
    full = courses["full_day"].to_numpy()[:, None]
    missed = draws.uniform(n, k) < plan.missed + plan.missed_if_returned * (planned >= full)
    lost = np.logical_or.accumulate(draws.uniform(n, k) < plan.lost_per_visit, axis=1)
    seen = ~(missed | lost)
    flat = pd.DataFrame(
        {
            "episode": np.repeat(np.arange(n), k),
            "visit": np.tile(np.arange(1, k + 1), n),
            "planned_day": planned.ravel().astype(np.int64),
            "actual_day": actual.ravel(),
            "returned": _state(actual, episodes, courses, design).ravel(),
        }
    )
    flat["episode_id"] = episodes["episode_id"].to_numpy()[flat["episode"]]
    usual = people["level_ircra"].to_numpy()[episodes["person"]][flat["episode"]]
    flat = pd.concat([flat, _observations(flat, usual, design, draws)], axis=1)
    observed = [
        c for c in flat.columns if c not in {"episode", "episode_id", "visit", "planned_day"}
    ]
    return flat.assign(**{c: flat[c].where(seen.ravel()) for c in observed}).drop(columns="episode")


def _state(
    actual: Numbers, episodes: pd.DataFrame, courses: pd.DataFrame, design: Design
) -> np.ndarray:
    """What is seen of the return at each visit."""
    onset = episodes["onset_day"].to_numpy(dtype=np.float64)[:, None]
    full = courses["full_day"].to_numpy()[:, None]
    gave_up = courses["gave_up_day"].to_numpy()[:, None]
    restricted = onset + design.follow_up.restricted_share * (full - onset)
    state = np.where(actual >= restricted, "restricted", "no").astype(object)
    state[np.broadcast_to(actual >= full, state.shape)] = "full"
    state[np.broadcast_to(actual >= gave_up, state.shape)] = "gave_up"
    return state


def _observations(
    flat: pd.DataFrame, usual_level: np.ndarray, design: Design, draws: Draws
) -> pd.DataFrame:
    """Level, pain, motion, strength and the like, better the further the return."""
    n = len(flat)
    state = flat["returned"]
    burden = state.map({"no": 1.0, "restricted": 0.45, "full": 0.08, "gave_up": 0.8}).to_numpy()
    loss = state.map({"no": np.nan, "restricted": 5.0, "full": 0.5, "gave_up": np.nan}).to_numpy()
    other = np.clip(330 + 80 * draws.normal(n), 120, 700)
    return pd.DataFrame(
        {
            "level_ircra": np.clip(np.round(usual_level - loss * 2 * draws.uniform(n)), 1, 32),
            "pain_nrs": np.clip(np.round(5 * burden + 1.2 * draws.normal(n)), 0, 10),
            "extension_deficit_deg": np.maximum(0, np.round(12 * burden + 3 * draws.normal(n))),
            "crimp_n": np.round(other * (1 - 0.4 * burden) * (1 + 0.05 * draws.normal(n))),
            "crimp_other_n": np.round(other),
            "quickdash": np.clip(np.round(45 * burden + 6 * draws.normal(n), 1), 0, 100),
            "reinjury": draws.happens(design.follow_up.reinjury, n),
        }
    )
