"""An invented cohort from its design: the ten tables, and the truth behind them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from cohortkit.checks import count
from cohortkit.errors import ArgumentError
from cohortkit.synthetic.design import LOADS, PULLEYS, Design, read_design
from cohortkit.synthetic.follow_up import draw_courses, draw_visits, treatments_table
from cohortkit.synthetic.gaps import status_codes, true_gaps
from cohortkit.synthetic.injuries import draw_injuries
from cohortkit.synthetic.people import devices_table, draw_people, raters_table, sites_table
from cohortkit.synthetic.readings import LIVE, draw_readings
from cohortkit.synthetic.scanning import draw_scans
from cohortkit.synthetic.verification import draw_tears
from cohortkit.tables.schema import TABLE_NAMES, table, typed


@dataclass(frozen=True)
class Cohort:
    """An invented cohort.

    Parameters
    ----------
    tables
        The ten tables of the format, without any of the clinics' untidiness.
    hidden
        The same rows with what nobody at a clinic knows: random effects, true
        statuses, true days. Frames by name: people, raters, episodes, courses,
        tears, scans, readings, gaps (true gap per scan, pulley and load).
    """

    tables: dict[str, pd.DataFrame]
    hidden: dict[str, pd.DataFrame]


def generate(
    design: Design | None = None, *, scale: float = 1.0, seed: int | None = None
) -> Cohort:
    """An invented cohort with planted truth.

    Parameters
    ----------
    design
        The planted parameters; without it those of the shipped cohort.
    scale
        How many times as many people as the design says. Sites and raters stay
        the same.
    seed
        Another seed than the design's for everything but the raters' own
        shifts: another sample of people, seen by the same raters.
    """
    design = design or read_design()
    if not scale > 0:
        raise ArgumentError(
            "Argument 'scale' is above 0", found=repr(scale), next_step="give 1.0 or another factor"
        )
    seed = design.seed if seed is None else seed
    raters = raters_table(design)
    people = draw_people(design, scale, seed)
    episodes = draw_injuries(people, design, seed)
    courses = draw_courses(episodes, design, seed)
    visits = draw_visits(episodes, courses, people, design, seed)
    scans = draw_scans(people, episodes, visits, design, seed)
    status = status_codes(scans, episodes)
    gaps = true_gaps(people, scans, status, design, seed)
    readings = draw_readings(people, scans, raters, (gaps, status), design, seed)
    tears = draw_tears(
        episodes, courses, baseline_gap(readings, scans, len(episodes)), design, seed
    )
    hidden = {
        "people": people,
        "raters": raters,
        "episodes": episodes,
        "courses": courses,
        "tears": tears,
        "scans": scans,
        "readings": readings,
        "gaps": _gap_rows(scans, gaps),
        "sites": sites_table(design),
        "devices": devices_table(design),
        "treatments": treatments_table(episodes, courses),
        "visits": visits,
    }
    return Cohort(_format_tables(hidden), hidden)


def baseline_gap(readings: pd.DataFrame, scans: pd.DataFrame, n_episodes: int) -> np.ndarray:
    """First live loaded gap as written, shape (episodes, pulleys); NaN if not read or not seen."""
    episode = scans["episode"].to_numpy()[readings["scan"]]
    first = scans["first"].to_numpy()[readings["scan"]]
    wanted = (
        (episode >= 0)
        & first
        & (readings["read_mode"] == LIVE).to_numpy()
        & (readings["load"] == "loaded").to_numpy()
    )
    rows = readings[wanted].assign(episode=episode[wanted])
    rows = rows.drop_duplicates(["episode", "pulley"])
    found = np.full((n_episodes, len(PULLEYS)), np.nan)
    at = rows["pulley"].map({p: i for i, p in enumerate(PULLEYS)}).to_numpy(dtype=np.int64)
    found[rows["episode"].to_numpy(), at] = rows["gap_mm"].to_numpy()
    return found


def _gap_rows(scans: pd.DataFrame, gaps: np.ndarray) -> pd.DataFrame:
    """True gaps as tidy rows."""
    cells = len(PULLEYS) * len(LOADS)
    kept = ["scan_id", "participant_id", "side", "digit", "episode_id", "scan_day"]
    rows = scans[kept].loc[scans.index.repeat(cells)].reset_index(drop=True)
    n = len(scans)
    return rows.assign(
        pulley=np.tile(np.repeat(np.array(PULLEYS, dtype=object), len(LOADS)), n),
        load=np.tile(np.array(LOADS, dtype=object), n * len(PULLEYS)),
        true_gap_mm=gaps.ravel(),
    )


def _format_tables(hidden: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """The format's tables: hidden columns left out, types set."""
    frames = {**hidden, "participants": hidden["people"]}
    return {name: typed(frames[name][list(table(name).column_names)], name) for name in TABLE_NAMES}


def reading_rows(n: int, *, seed: int = 0) -> dict[str, pd.DataFrame]:
    """The ten tables of one big valid clinic with exactly `n` readings.

    For benchmarks. One site, live reads by its own raters; the participants,
    scans and injuries are as many as those readings need.
    """
    count("n", n)
    design = read_design()
    site = replace(design.sites[0], share=1.0)
    people = replace(design.people, same_person=replace(design.people.same_person, second_site=""))
    agreement = replace(design.agreement, pair_scans=0)
    one = replace(design, sites=(site,), people=people, agreement=agreement)
    per_person = 14.0  # readings a participant brings on average, rounded down
    scale = n / per_person / (design.people.uninjured + design.people.injured) + 0.02
    tables = dict(generate(one, scale=scale, seed=seed).tables)
    while len(tables["readings"]) < n:
        scale *= 1.2
        tables = dict(generate(one, scale=scale, seed=seed).tables)
    tables["readings"] = tables["readings"].iloc[:n].reset_index(drop=True)
    return tables
