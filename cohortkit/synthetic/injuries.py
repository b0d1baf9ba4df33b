"""Injured fingers: which, how, how long before enrolment, and what is truly torn."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortkit.synthetic.design import PULLEYS, Design
from cohortkit.synthetic.draws import Draws
from cohortkit.synthetic.people import SECOND_CLINIC_DAYS, same_person_rows

DIGITS = ("index", "middle", "ring", "little")
DIGIT_SHARES = (0.06, 0.32, 0.57, 0.05)
MECHANISMS = {
    "crimp": 0.46,
    "half_crimp": 0.22,
    "pocket": 0.10,
    "open_hand": 0.06,
    "foot_slip": 0.11,
    "other": 0.02,
    "unknown": 0.03,
}


def draw_injuries(people: pd.DataFrame, design: Design, seed: int) -> pd.DataFrame:
    """One row per episode, in the order of the participants.

    Beside the format's columns stand hidden ones: `person` (row of the
    participant), `pattern`, `grade` (true), `true_A2`, `true_A3`, `true_A4`.
    """
    plan, draws = design.injuries, Draws(seed, "injuries")
    injured = np.flatnonzero(people["injured"])
    n = len(injured)
    first = pd.DataFrame(
        {
            "person": injured,
            "side": np.where(draws.happens(0.5, n), "right", "left"),
            "digit": draws.choice(DIGITS, DIGIT_SHARES, n),
            "onset_day": -np.clip(
                np.round(
                    plan.onset_delay_median * np.exp(plan.onset_delay_log_sd * draws.normal(n))
                ),
                1,
                60,
            ).astype(np.int64),
            "mechanism": draws.choice(list(MECHANISMS), list(MECHANISMS.values()), n),
        }
    )
    two = first[draws.happens(plan.two_fingers, n)].copy()
    two["digit"] = two["digit"].map(
        {"index": "middle", "middle": "ring", "ring": "middle", "little": "ring"}
    )
    episodes = pd.concat([first, two]).sort_values("person", kind="stable").reset_index(drop=True)
    episodes = pd.concat([episodes, _patterns(len(episodes), design, draws)], axis=1)
    episodes = _plant_same_finger(episodes, people, design)
    episodes["participant_id"] = people["participant_id"].to_numpy()[episodes["person"]]
    site = people["site_id"].to_numpy()[episodes["person"]]
    rank = episodes.groupby(site).cumcount() + 1
    width = max(3, len(str(rank.max())))
    episodes["episode_id"] = [f"{s}-E{r:0{width}d}" for s, r in zip(site, rank, strict=True)]
    return episodes


def _patterns(n: int, design: Design, draws: Draws) -> pd.DataFrame:
    """True status per pulley and what else the clinic noted."""
    patterns = design.injuries.patterns
    drawn = draws.index([p.share for p in patterns], n)
    torn = np.array([p.grade in {"III", "IV"} for p in patterns])[drawn]
    columns: dict[str, object] = {
        "pattern": np.array([p.name for p in patterns], dtype=object)[drawn],
        "grade": np.array([p.grade for p in patterns], dtype=object)[drawn],
        "lumbrical": np.array([p.lumbrical for p in patterns], dtype=object)[drawn],
        "collateral": draws.choice(["intact", "not_assessed"], [0.8, 0.2], n),
        "audible_pop": draws.happens(np.where(torn, 0.7, 0.2), n),
        "prior_pulley_injury": draws.happens(0.12, n),
    }
    for pulley in PULLEYS:
        columns[f"true_{pulley}"] = np.array([p.status[pulley] for p in patterns], dtype=object)[
            drawn
        ]
    return pd.DataFrame(columns)


def _plant_same_finger(
    episodes: pd.DataFrame, people: pd.DataFrame, design: Design
) -> pd.DataFrame:
    """The person known at two sites shows the same finger, later, at the second."""
    first, second = same_person_rows(people, design)
    rows = [np.flatnonzero(episodes["person"] == person) for person in (first, second)]
    if not all(len(r) for r in rows):
        return episodes
    kept = [c for c in episodes.columns if c != "person"]
    episodes.loc[rows[1][0], kept] = episodes.loc[rows[0][0], kept]
    episodes.loc[rows[1][0], "onset_day"] -= SECOND_CLINIC_DAYS
    return episodes.drop(index=list(rows[1][1:])).reset_index(drop=True)
