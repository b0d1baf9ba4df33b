"""Who reads which scan how often, and what they write down."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortkit.synthetic.design import LOADS, PULLEYS, STATUSES, Design
from cohortkit.synthetic.draws import Draws, Numbers, Whole

CALIPER_SITES = {"A2": "pp_midpoint", "A3": "max_gap", "A4": "mp_midpoint"}
A3 = PULLEYS.index("A3")
LIVE, STORED = "live", "stored"
AVERAGED = 3  # reads behind an averaged figure
PARTS = ("true_mm", "rater_mm", "rater_finger_mm", "picture_mm", "caliper_mm")


def draw_readings(
    people: pd.DataFrame,
    scans: pd.DataFrame,
    raters: pd.DataFrame,
    truth: tuple[Numbers, Whole],
    design: Design,
    seed: int,
) -> pd.DataFrame:
    """One row per reading.

    Parameters
    ----------
    truth
        True gaps (scans, pulleys, loads) and status codes (scans, pulleys).

    Returns
    -------
    pandas.DataFrame
        The format's columns, and hidden ones: `scan` and `rater` (row
        positions), the parts of the reading in mm (`PARTS`) and their sum
        `unrounded_mm`, before it is written down.
    """
    draws = Draws(seed, "readings")
    rows = _spread_over_pulleys(_tasks(people, scans, raters, design, draws), scans, design, draws)
    rows = _measured(rows, raters, truth, design, draws)
    rows["unrounded_mm"] = rows[list(PARTS)].sum(axis=1)
    step = raters["step_mm"].to_numpy()[rows["rater"]]
    resolution = np.array([s.resolution_mm for s in design.sites])[
        scans["site"].to_numpy()[rows["scan"]]
    ]
    written = np.round(np.floor(rows["unrounded_mm"] / step + 0.5) * step, 1)
    below = rows["unrounded_mm"].to_numpy() < resolution
    rows["gap_mm"] = np.where(below, np.nan, written)
    rows["below_resolution"] = below
    rows["resolution_mm"] = resolution
    return _describe(rows, scans, raters, design, draws)


def _tasks(
    people: pd.DataFrame, scans: pd.DataFrame, raters: pd.DataFrame, design: Design, draws: Draws
) -> pd.DataFrame:
    """Scan, rater, read_no and read_mode: first reads, repeats, the pair set, the stored set."""
    n = len(scans)
    first = np.zeros(n, dtype=np.int64)
    site_of_rater = raters["site_id"].to_numpy()
    for place, site in enumerate(design.sites):
        own = np.flatnonzero(site_of_rater == site.site_id)
        here = np.flatnonzero(scans["site"] == place)
        first[here] = own[draws.index([1.0] * len(own), len(here))]
    averaged = draws.happens(design.reading.averaged_share, n) & (
        site_of_rater[first] == design.reading.averaged_site
    )
    twice = np.flatnonzero(draws.happens(design.reading.repeat_share, n) & ~averaged)
    every = np.arange(n)
    parts = [
        _task(every, first, 1, LIVE).assign(reads_averaged=np.where(averaged, AVERAGED, 1)),
        _task(twice, first[twice], 2, LIVE),
    ]
    parts += _pair_set(scans, first, raters, design, draws)
    stored = stored_scans(people, scans, design, draws)
    known = {name: row for row, name in enumerate(raters["rater_id"])}
    for name in design.agreement.stored_raters if len(stored) else ():
        parts.append(_task(stored, np.full(len(stored), known[name]), 1, STORED))
    return pd.concat(parts, ignore_index=True)


def _task(scan: Whole, rater: Whole, read_no: int, mode: str) -> pd.DataFrame:
    given = {"scan": scan, "rater": rater, "read_no": read_no, "read_mode": mode}
    return pd.DataFrame(given | {"reads_averaged": 1})


def _pair_set(
    scans: pd.DataFrame, first: Whole, raters: pd.DataFrame, design: Design, draws: Draws
) -> list[pd.DataFrame]:
    """Live reads by the other rater of a pair, of scans first read by one of the two."""
    known = {name: row for row, name in enumerate(raters["rater_id"])}
    pair = [known[name] for name in design.agreement.pair_raters if name in known]
    if len(pair) < 2:
        return []
    order = draws.order(len(scans))
    fit = order[np.isin(first[order], pair) & scans["first"].to_numpy()[order]]
    chosen = np.sort(fit[: design.agreement.pair_scans])
    other = np.where(first[chosen] == pair[0], pair[1], pair[0])
    return [_task(chosen, other, 1, LIVE)]


def stored_scans(people: pd.DataFrame, scans: pd.DataFrame, design: Design, draws: Draws) -> Whole:
    """Rows of the scans whose clips are read across sites: one finger per adult, equal by site."""
    plan = design.agreement
    if not set(plan.stored_raters) <= {r.rater_id for s in design.sites for r in s.raters}:
        return np.zeros(0, dtype=np.int64)
    scale = len(people) / (design.people.uninjured + design.people.injured)
    order = draws.order(len(scans))
    shuffled = scans.iloc[order]
    injured = people["injured"].to_numpy()[shuffled["person"]]
    adult = ~people["adolescent"].to_numpy()[shuffled["person"]]
    right_finger = (shuffled["episode"].to_numpy() >= 0) == injured
    fit = adult & right_finger & shuffled["first"].to_numpy()
    once = shuffled[fit].drop_duplicates("person")
    rank = once.groupby(["site", once["episode"] >= 0]).cumcount()
    wanted = scale * np.where(
        once["episode"] >= 0, plan.stored_injured_per_site, plan.stored_uninjured_per_site
    )
    return np.sort(once.index.to_numpy()[rank.to_numpy() < wanted])


def _spread_over_pulleys(
    tasks: pd.DataFrame, scans: pd.DataFrame, design: Design, draws: Draws
) -> pd.DataFrame:
    """Each task for each pulley and load; A3 only in some scans, never from a stored clip."""
    cells = len(PULLEYS) * len(LOADS)
    rows = tasks.loc[tasks.index.repeat(cells)].reset_index(drop=True)
    rows["pulley"] = np.tile(np.repeat(np.arange(len(PULLEYS)), len(LOADS)), len(tasks))
    rows["load"] = np.tile(np.arange(len(LOADS)), len(tasks) * len(PULLEYS))
    share = design.reading.a3_share
    a3_read = draws.happens(
        np.where(scans["episode"] >= 0, share["injured"], share["uninjured"]), len(scans)
    )
    keep = (rows["pulley"] != A3) | (a3_read[rows["scan"]] & (rows["read_mode"] == LIVE).to_numpy())
    return rows[keep].sort_values(["scan"], kind="stable").reset_index(drop=True)


def _measured(
    rows: pd.DataFrame,
    raters: pd.DataFrame,
    truth: tuple[Numbers, Whole],
    design: Design,
    draws: Draws,
) -> pd.DataFrame:
    """The parts of each reading in mm: true gap, rater, rater x finger, picture, caliper."""
    plan = design.reading
    gaps, status = truth
    scan, pulley, load = (rows[c].to_numpy() for c in ("scan", "pulley", "load"))
    scale = np.array([plan.error_scale[s] for s in STATUSES])[status[scan, pulley]]
    met = rows.groupby(["rater", "scan", "pulley"]).ngroup().to_numpy()
    rater_finger = plan.rater_finger_sd * draws.normal(int(met.max()) + 1)[met]
    clip = draws.normal(*gaps.shape)[scan, pulley, load]
    main = rows.groupby("scan")["rater"].transform("first").to_numpy() == rows["rater"].to_numpy()
    own_picture = draws.normal(len(rows))
    shares_clip = (rows["read_mode"] == STORED) | (main & (rows["read_no"] == 1))
    picture = plan.picture_sd * np.where(shares_clip, clip, own_picture)
    caliper = plan.caliper_sd * draws.normal(len(rows)) / np.sqrt(rows["reads_averaged"])
    return rows.assign(
        true_mm=gaps[scan, pulley, load],
        rater_mm=raters["effect_mm"].to_numpy()[rows["rater"]],
        rater_finger_mm=scale * rater_finger,
        picture_mm=scale * picture,
        caliper_mm=scale * caliper,
    )


def _describe(
    rows: pd.DataFrame, scans: pd.DataFrame, raters: pd.DataFrame, design: Design, draws: Draws
) -> pd.DataFrame:
    """Codes, ids and how the finger was loaded."""
    n = len(rows)
    place = scans["site"].to_numpy()[rows["scan"]]
    pulley = np.array(PULLEYS, dtype=object)[rows["pulley"]]
    load = np.array(LOADS, dtype=object)[rows["load"]]
    method = np.array([s.load_method for s in design.sites], dtype=object)[place]
    loaded, stored = load == "loaded", (rows["read_mode"] == STORED).to_numpy()
    force = np.where(loaded & (method == "force_gauge"), np.round(50 + 8 * draws.normal(n)), np.nan)
    scan_id = scans["scan_id"].to_numpy()[rows["scan"]]
    rater_id = raters["rater_id"].to_numpy()[rows["rater"]]
    blind_site = np.array([s.setting == "university_hospital" for s in design.sites])[place]
    columns = {
        "reading_id": [
            f"{c}-{p}-{x}-{r}-{m}-{k}"
            for c, p, x, r, m, k in zip(
                scan_id, pulley, load, rater_id, rows["read_mode"], rows["read_no"], strict=True
            )
        ],
        "scan_id": scan_id,
        "rater_id": rater_id,
        "pulley": pulley,
        "reference_structure": np.where(pulley == "A3", "volar_plate", "phalanx"),
        "caliper_site": pd.Series(pulley).map(CALIPER_SITES).to_numpy(),
        "load": load,
        "load_method": np.where(loaded, method, "none"),
        "load_n": force,
        "blinded_to_reference": stored | blind_site | draws.happens(0.6, n),
        "blinded_to_prior": stored | (rows["read_no"] == 1).to_numpy() & draws.happens(0.8, n),
    }
    return rows.assign(**columns)
