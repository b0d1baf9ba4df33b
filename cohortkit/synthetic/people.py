"""Who takes part: sites, machines, raters and participants."""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortkit.synthetic.design import Design
from cohortkit.synthetic.draws import Draws, Whole

SECOND_CLINIC_DAYS = 25


def sites_table(design: Design) -> pd.DataFrame:
    """The sites."""
    return pd.DataFrame(
        [(s.site_id, s.country, s.setting) for s in design.sites],
        columns=["site_id", "country", "setting"],
    )


def devices_table(design: Design) -> pd.DataFrame:
    """One machine per site."""
    return pd.DataFrame(
        [(f"{s.site_id}-D1", s.site_id, s.transducer_mhz, s.pixel_mm) for s in design.sites],
        columns=["device_id", "site_id", "transducer_mhz", "pixel_mm"],
    )


def raters_table(design: Design) -> pd.DataFrame:
    """All raters, with the step they write in and their shift in mm (both hidden)."""
    rows = [
        (r.rater_id, s.site_id, r.discipline, r.years_scanning, r.step_mm)
        for s in design.sites
        for r in s.raters
    ]
    table = pd.DataFrame(
        rows, columns=["rater_id", "site_id", "discipline", "years_scanning", "step_mm"]
    )
    table["effect_mm"] = design.reading.rater_sd * Draws(design.seed, "raters").normal(len(table))
    return table


def quotas(shares: list[float], n: int) -> Whole:
    """`n` split by `shares` into whole numbers that add up to `n`."""
    edges = np.floor(np.cumsum(shares) / np.sum(shares) * n + 0.5).astype(np.int64)
    return np.diff(edges, prepend=0)


def draw_people(design: Design, scale: float, seed: int) -> pd.DataFrame:
    """All participants, by site in the order of enrolment.

    Beside the format's columns stand the hidden ones: `site` (position of the
    site), `injured`, `adolescent`, `enrolled` (day of the calendar, counted
    from the first day of the study) and `effect_mm` (the person's own shift).
    """
    plan, draws = design.people, Draws(seed, "people")
    shares = [s.share for s in design.sites]
    places = [
        np.repeat(np.arange(len(shares)), quotas(shares, max(1, round(total * scale))))
        for total in (plan.uninjured, plan.injured)
    ]
    site = np.concatenate(places)
    n = len(site)
    injured = np.arange(n) >= len(places[0])
    adolescent = draws.happens(
        np.where(injured, plan.adolescent_injured, plan.adolescent_uninjured), n
    )
    people = pd.DataFrame(
        {
            "site": site,
            "injured": injured,
            "adolescent": adolescent,
            "enrolled": draws.whole(0, plan.enrolment_days - 1, n),
            "sex": np.where(draws.happens(plan.female, n), "female", "male"),
            "effect_mm": design.gaps.participant_sd * draws.normal(n),
        }
    )
    people = pd.concat([people, _climbers(people, draws)], axis=1)
    people = people.sort_values(["site", "enrolled"], kind="stable").reset_index(drop=True)
    rank = people.groupby("site").cumcount() + 1
    width = max(3, len(str(rank.max())))
    names = np.array([s.site_id for s in design.sites], dtype=object)[people["site"]]
    people["site_id"] = names
    people["participant_id"] = [f"{s}-P{r:0{width}d}" for s, r in zip(names, rank, strict=True)]
    return _plant_same_person(people, design)


def _climbers(people: pd.DataFrame, draws: Draws) -> pd.DataFrame:
    """Age, body, climbing history."""
    n = len(people)
    young = people["adolescent"].to_numpy()
    woman = (people["sex"] == "female").to_numpy()
    adult_age = np.floor(18 + 38 * draws.uniform(n) ** 1.5).astype(np.int64)
    age = np.where(young, draws.whole(14, 17, n), adult_age)
    height = np.where(woman, 167.0, 179.0) - 4.0 * young + 6.5 * draws.normal(n)
    years = np.minimum(np.exp(2.1 + 0.6 * draws.normal(n)), age - 10.0)
    level = np.clip(np.round(16 + 0.25 * years + 3.5 * draws.normal(n)), 6, 30)
    return pd.DataFrame(
        {
            "age_years": age,
            "height_cm": np.round(height),
            "dominant_side": draws.choice(["right", "left", "both"], [0.87, 0.11, 0.02], n),
            "climbing_years": np.maximum(1.0, np.round(years)),
            "level_ircra": level.astype(np.int64),
            "exposure_h_wk": np.clip(np.round(7 + 3 * draws.normal(n)), 1, 25),
        }
    )


def _plant_same_person(people: pd.DataFrame, design: Design) -> pd.DataFrame:
    """Let one injured person of the second site be one of the first site."""
    first, second = same_person_rows(people, design)
    if first is None or second is None:
        return people
    shared = [
        "adolescent", "sex", "effect_mm", "age_years", "height_cm", "dominant_side",
        "climbing_years", "level_ircra", "exposure_h_wk",
    ]  # fmt: skip
    people.loc[second, shared] = people.loc[first, shared]
    enrolled = people["enrolled"].to_numpy(dtype=np.int64).copy()
    enrolled[second] = enrolled[first] + SECOND_CLINIC_DAYS
    people["enrolled"] = enrolled
    return people


def same_person_rows(people: pd.DataFrame, design: Design) -> tuple[int | None, int | None]:
    """Row positions of the person whom two sites know; None in a design without those sites."""
    plan = design.people.same_person
    found: list[int | None] = []
    for site, rank in (
        (plan.first_site, plan.first_rank),
        (plan.second_site, plan.second_rank),
    ):
        rows = np.flatnonzero((people["site_id"] == site) & people["injured"])
        found.append(int(rows[rank - 1]) if len(rows) >= rank else None)
    return found[0], found[1]
