"""Which finger is scanned when, on which machine, in what posture."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortkit.synthetic.design import Design
from cohortkit.synthetic.draws import Draws
from cohortkit.synthetic.injuries import DIGITS

FINGERS = [(side, digit) for side in ("right", "left") for digit in DIGITS]
FINGER_WEIGHTS = np.array([0.06, 0.20, 0.22, 0.03, 0.06, 0.19, 0.21, 0.03])
POSTURES = {"mcp_deg": (20.0, 6.0), "pip_deg": (60.0, 8.0), "dip_deg": (15.0, 6.0)}
POSTURE_UNKNOWN = 0.1


def draw_scans(
    people: pd.DataFrame, episodes: pd.DataFrame, visits: pd.DataFrame, design: Design, seed: int
) -> pd.DataFrame:
    """One row per scan, by participant and day.

    Beside the format's columns stand hidden ones: `person` and `episode` (row
    positions, episode -1 for an uninjured finger), `site`, `finger` (number of
    the finger) and `first` (the finger's first scan).
    """
    draws = Draws(seed, "scans")
    scans = pd.concat(
        [
            _uninjured_people(people, design, draws),
            _injured_fingers(episodes, draws),
            _other_hands(episodes, design, draws),
            _later_scans(episodes, visits, design, draws),
        ],
        ignore_index=True,
    )
    scans = scans.sort_values(["person", "scan_day", "side", "digit"], kind="stable")
    scans = scans.reset_index(drop=True)
    scans["site"] = people["site"].to_numpy()[scans["person"]]
    site_id = people["site_id"].to_numpy()[scans["person"]]
    scans["participant_id"] = people["participant_id"].to_numpy()[scans["person"]]
    own = np.array([*episodes["episode_id"], None], dtype=object)  # episode -1 is the last
    scans["episode_id"] = own[scans["episode"]]
    scans["device_id"] = [f"{s}-D1" for s in site_id]
    rank = scans.groupby("site").cumcount() + 1
    width = max(4, len(str(rank.max())))
    scans["scan_id"] = [f"{s}-C{r:0{width}d}" for s, r in zip(site_id, rank, strict=True)]
    scans["finger"] = scans.groupby(["person", "side", "digit"]).ngroup()
    return pd.concat([scans, _conditions(scans, design, draws)], axis=1)


def _rows(person: object, side: object, digit: object, **more: object) -> pd.DataFrame:
    """Scans as rows; day 0 and no episode unless said otherwise."""
    given = {"person": person, "side": side, "digit": digit, "scan_day": 0, "episode": -1}
    return pd.DataFrame(given | {"first": True} | more)


def _uninjured_people(people: pd.DataFrame, design: Design, draws: Draws) -> pd.DataFrame:
    """One to four fingers of each uninjured person, drawn without repeats."""
    who = np.flatnonzero(~people["injured"].to_numpy())
    wanted = draws.index(design.people.fingers_scanned, len(who)) + 1
    keys = np.log(FINGER_WEIGHTS) - np.log(-np.log(draws.uniform(len(who), len(FINGERS))))
    ranked = np.argsort(-keys, axis=1)
    row, place = np.nonzero(np.arange(len(FINGERS)) < wanted[:, None])
    fingers = np.array(FINGERS, dtype=object)[ranked[row, place]]
    return _rows(who[row], fingers[:, 0], fingers[:, 1])


def _injured_fingers(episodes: pd.DataFrame, draws: Draws) -> pd.DataFrame:
    """The injured finger, within two weeks of enrolment."""
    return _rows(
        episodes["person"].to_numpy(),
        episodes["side"].to_numpy(),
        episodes["digit"].to_numpy(),
        episode=np.arange(len(episodes)),
        scan_day=draws.whole(0, 14, len(episodes)),
    )


def _other_hands(episodes: pd.DataFrame, design: Design, draws: Draws) -> pd.DataFrame:
    """The same finger of the other hand, scanned for comparison; uninjured."""
    share = design.injuries.other_hand_scanned
    scanned = episodes[draws.happens(share, len(episodes))]
    side = scanned["side"].map({"left": "right", "right": "left"})
    return _rows(scanned["person"].to_numpy(), side.to_numpy(), scanned["digit"].to_numpy())


def _later_scans(
    episodes: pd.DataFrame, visits: pd.DataFrame, design: Design, draws: Draws
) -> pd.DataFrame:
    """The injured finger again at some of the attended visits."""
    share = np.array(design.follow_up.scan_share)[visits["visit"].to_numpy() - 1]
    again = draws.happens(share, len(visits)) & visits["actual_day"].notna().to_numpy()
    at = pd.Series(np.arange(len(episodes)), index=episodes["episode_id"])
    episode = at.loc[visits.loc[again, "episode_id"]].to_numpy()
    return _rows(
        episodes["person"].to_numpy()[episode],
        episodes["side"].to_numpy()[episode],
        episodes["digit"].to_numpy()[episode],
        episode=episode,
        scan_day=visits.loc[again, "actual_day"].to_numpy().astype(np.int64),
        first=False,
    )


def _conditions(scans: pd.DataFrame, design: Design, draws: Draws) -> pd.DataFrame:
    """Warm-up, standoff, support worn, joint angles."""
    plan, n = design.reading, len(scans)
    warm = pd.array(draws.happens(plan.warm_up_share, n), dtype="boolean")
    warm[draws.happens(plan.warm_up_unknown, n)] = pd.NA
    share = np.where(
        scans["first"], plan.support_share["baseline"], plan.support_share["follow_up"]
    )
    worn = np.where(draws.happens(share, n), draws.choice(["tape", "ring"], [0.7, 0.3], n), "none")
    columns: dict[str, object] = {
        "warm_up": warm,
        "standoff": draws.choice(["gel", "gel_pad"], [0.6, 0.4], n),
        "support_worn": worn,
    }
    known = ~draws.happens(POSTURE_UNKNOWN, n)
    for name, (mean, sd) in POSTURES.items():
        columns[name] = np.where(known, np.round(mean + sd * draws.normal(n)), np.nan)
    return pd.DataFrame(columns)
