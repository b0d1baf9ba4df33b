"""What an analysis of the invented cohort should find, and the truth behind each row."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from cohortkit.synthetic.design import LOADS, PULLEYS, Design
from cohortkit.synthetic.draws import Flags, Numbers
from cohortkit.synthetic.gaps import random_shifts, status_codes
from cohortkit.synthetic.generator import Cohort, generate
from cohortkit.synthetic.people import same_person_rows
from cohortkit.synthetic.readings import LIVE, STORED
from cohortkit.tables.grades import derive_grade

TWIN_SCALE = 60.0
TWIN_SEED_STEP = 1  # the twin cohort's seed stands this far from the design's
BONE_PULLEYS = ("A2", "A4")
VERIFYING = ("surgery", "mri")  # as the analysis sets have it
RETURN_DAYS = (90, 180, 365)
QUANTILES = (0.025, 0.05, 0.5, 0.95, 0.975)


def derived_truth(design: Design, *, scale: float = TWIN_SCALE) -> dict[str, Any]:
    """The figures that estimators should recover, from the design.

    What has a formula is computed from it. The rest is read off a twin: a
    cohort `scale` times as large, of other people, with the same sites and the
    same raters. Its own sampling error is small beside the cohort's intervals.
    """
    twin = generate(design, scale=scale, seed=design.seed + TWIN_SEED_STEP)
    return {
        "about": "INVENTED: truth planted in design.toml, no evidence about fingers",
        "twin": {"scale": scale, "seed": design.seed + TWIN_SEED_STEP},
        "agreement_stored": [
            _agreement(twin, design, pulley, load, group)
            for pulley in BONE_PULLEYS
            for load in LOADS
            for group in ("all", "uninjured", "injured")
        ],
        "agreement_live_pair": _pair_error(design),
        "uninjured_adults_as_measured": [
            _reference(twin, pulley, load) for pulley in BONE_PULLEYS for load in LOADS
        ],
        "complete_against_less": [_accuracy(twin, pulley) for pulley in BONE_PULLEYS],
        "return_to_full_climbing": _returns(twin, design),
    }


def _agreement(twin: Cohort, design: Design, pulley: str, load: str, group: str) -> dict[str, Any]:
    """Variance components of stored readings: a clip's picture belongs to the subject.

    ICC(A,1) = subject / (subject + rater + residual), ICC(C,1) without the rater.
    """
    rows, plan = twin.hidden["readings"], design.reading
    scans = twin.hidden["scans"]
    injured = scans["episode"].to_numpy()[rows["scan"]] >= 0
    inside = {"all": np.ones(len(rows), bool), "uninjured": ~injured, "injured": injured}[group]
    wanted = (rows["read_mode"] == STORED) & (rows["pulley"] == pulley) & (rows["load"] == load)
    kept = rows[wanted.to_numpy() & inside]
    once = kept.drop_duplicates("scan_id")
    subject = float((once["true_mm"] + once["picture_mm"]).var())
    rounding = 0.1**2 / 12
    residual = float((kept["rater_finger_mm"] + kept["caliper_mm"]).var()) + rounding
    rater = plan.rater_sd**2
    return {
        "pulley": pulley,
        "load": load,
        "group": group,
        "variance_subject": subject,
        "variance_rater": rater,
        "variance_rater_realised": _realised_rater_variance(twin, design),
        "variance_residual": residual,
        "icc_a_1": subject / (subject + rater + residual),
        "icc_c_1": subject / (subject + residual),
        "sem_agreement": (rater + residual) ** 0.5,
        "sem_consistency": residual**0.5,
    }


def _realised_rater_variance(twin: Cohort, design: Design) -> float:
    """Variance of the shifts of the raters who read the stored clips."""
    raters = twin.hidden["raters"].set_index("rater_id")["effect_mm"]
    return float(raters.loc[list(design.agreement.stored_raters)].var())


def _pair_error(design: Design) -> dict[str, Any]:
    """Measurement error of live readings of an uninjured finger; each makes its own picture."""
    plan = design.reading
    residual = plan.rater_finger_sd**2 + plan.picture_sd**2 + plan.caliper_sd**2 + 0.1**2 / 12
    return {
        "group": "uninjured",
        "sd_difference": (2 * residual) ** 0.5,
        "sem_consistency": residual**0.5,
        "sem_agreement": (plan.rater_sd**2 + residual) ** 0.5,
    }


def _first_live(cohort: Cohort, pulley: str, load: str) -> pd.DataFrame:
    """The first live reading of each scan, with what the scan is."""
    rows, scans = cohort.hidden["readings"], cohort.hidden["scans"]
    wanted = (
        (rows["pulley"] == pulley)
        & (rows["load"] == load)
        & (rows["read_mode"] == LIVE)
        & (rows["reads_averaged"] == 1)
    )
    first = rows[wanted].drop_duplicates("scan_id")
    columns = ["person", "episode", "first", "support_worn", "warm_up", "finger"]
    scan = scans[columns].iloc[first["scan"].to_numpy()].reset_index(drop=True)
    return pd.concat([first.reset_index(drop=True), scan], axis=1)


def _eligible(rows: pd.DataFrame, cohort: Cohort) -> pd.DataFrame:
    """Of adults, without support, not known to be warmed up: what the analysis sets keep."""
    adult = ~cohort.hidden["people"]["adolescent"].to_numpy()[rows["person"]]
    plain = (rows["support_worn"] == "none") & ~rows["warm_up"].fillna(False).astype(bool)
    return rows[adult & plain]


def _reference(twin: Cohort, pulley: str, load: str) -> dict[str, Any]:
    """Quantiles of one reading of an uninjured adult's finger, rater and error included.

    Before it is written down, and as written in tenths (one rater: in halves).
    """
    rows = _eligible(_first_live(twin, pulley, load), twin)
    kept = rows[rows["episode"] < 0].drop_duplicates("person")
    written = kept["gap_mm"].fillna(-np.inf).to_numpy()  # unseen: below every gap seen
    return {
        "pulley": pulley,
        "load": load,
        "quantiles_mm": _quantiles(kept["unrounded_mm"].to_numpy(), "linear"),
        "quantiles_written_mm": _quantiles(written, "inverted_cdf"),
        "n_twin": len(kept),
    }


def _quantiles(values: Numbers, method: Any) -> dict[str, float | None]:
    """Quantiles by name; None for one that lies among unseen gaps."""
    found = np.quantile(values, QUANTILES, method=method)
    return {
        str(q): float(v) if np.isfinite(v) else None for q, v in zip(QUANTILES, found, strict=True)
    }


def area(values: Numbers, positive: Flags) -> float:
    """Chance that a positive has the larger value, ties counted half."""
    ranks = pd.Series(values).rank().to_numpy()
    n_positive, n_negative = int(positive.sum()), int((~positive).sum())
    return float(
        (ranks[positive].sum() - n_positive * (n_positive + 1) / 2) / (n_positive * n_negative)
    )


def _accuracy(twin: Cohort, pulley: str) -> dict[str, Any]:
    """Complete tear against anything less, by the loaded gap of the first scan.

    Scans months after the injury are of healing fingers and belong to another
    question.
    """
    rows = _first_live(twin, pulley, "loaded")
    rows = _eligible(rows, twin)
    rows = rows[(rows["episode"] >= 0) & rows["first"]]
    tears = twin.hidden["tears"]
    own = tears[tears["pulley"] == pulley].reset_index(drop=True)
    tear = own.iloc[rows["episode"].to_numpy()].reset_index(drop=True)
    gap = rows["gap_mm"].fillna(0.0).to_numpy()  # below resolution ranks below every gap seen
    true, recorded = tear["true_status"] == "complete", tear["status"] == "complete"
    by_gap = (tear["basis"] == "us_gap").to_numpy()
    verified = tear["basis"].isin(VERIFYING).to_numpy()
    truth, record = true.to_numpy(), recorded.to_numpy()
    above = gap >= 3.0
    return {
        "pulley": pulley,
        "auc_true_status": area(gap, truth),
        "auc_recorded": area(gap, record),
        "auc_recorded_without_us_gap": area(gap[~by_gap], record[~by_gap]),
        "auc_verified_only": area(gap[verified], record[verified]),
        "share_verified": float(verified.mean()),
        "at_3_mm": {
            "sensitivity_true_status": float(above[truth].mean()),
            "specificity_true_status": float((~above[~truth]).mean()),
            "sensitivity_verified_only": float(above[verified & record].mean()),
            "specificity_verified_only": float((~above[verified & ~record]).mean()),
        },
    }


def _returns(twin: Cohort, design: Design) -> dict[str, Any]:
    """Share back at full climbing, from injury, if nobody had surgery or gave up.

    By true grade: (1 - never) * (1 - 2^-((day / median)^shape)). By recorded
    grade: read off the twin, since recorded grades mix the true ones.
    """
    planted = {
        grade: {str(d): _returned_by(d, plan) for d in RETURN_DAYS}
        for grade, plan in design.follow_up.grades.items()
    }
    courses = twin.hidden["courses"].set_index("episode_id")["return_day"]
    tears = twin.hidden["tears"]
    without = tears[tears["basis"] != "us_gap"]
    return {
        "by_true_grade": planted,
        "by_recorded_grade": _by_recorded(twin, courses, tears),
        "by_recorded_grade_without_us_gap": _by_recorded(twin, courses, without),
    }


def _returned_by(day: float, plan: dict[str, float]) -> float:
    return (1 - plan["never"]) * (1 - 2.0 ** -((day / plan["median_day"]) ** plan["shape"]))


def _by_recorded(twin: Cohort, courses: pd.Series, tears: pd.DataFrame) -> dict[str, Any]:
    episodes = twin.tables["episodes"]
    episodes = episodes[episodes["episode_id"].isin(tears["episode_id"].unique())]
    graded = derive_grade(tears, episodes, "schoffl2003").dropna(subset=["grade"])
    day = courses.loc[graded["episode_id"]].to_numpy()
    grade = graded["grade"].to_numpy()
    return {
        g: {str(d): float((day[grade == g] <= d).mean()) for d in RETURN_DAYS}
        for g in sorted(set(grade))
    }


def truth_tables(cohort: Cohort, design: Design, seed: int) -> dict[str, pd.DataFrame]:
    """The truth behind each row: gaps, episodes, tears, effects, and who is known twice."""
    hidden = cohort.hidden
    gaps = hidden["gaps"][hidden["scans"]["first"].to_numpy().repeat(len(PULLEYS) * len(LOADS))]
    courses = hidden["courses"].replace(np.inf, np.nan).drop(columns="episode_id")
    episodes = hidden["episodes"].drop(columns=["person"])
    kept = ["episode_id", "pattern", "grade", *(f"true_{p}" for p in PULLEYS)]
    pairs = same_person_rows(hidden["people"], design)
    known = hidden["people"]["participant_id"]
    twice = [[known[p] for p in pairs if p is not None]] if None not in pairs else []
    return {
        "true_gaps": gaps.reset_index(drop=True),
        "true_episodes": pd.concat([episodes[kept], courses], axis=1),
        "effects": _effects(cohort, design, seed),
        "same_person": pd.DataFrame(twice, columns=["participant_id_a", "participant_id_b"]),
    }


def _effects(cohort: Cohort, design: Design, seed: int) -> pd.DataFrame:
    """Realised effects in mm: one row per site, rater, participant, finger, pulley, meeting."""
    people, scans = cohort.hidden["people"], cohort.hidden["scans"]
    raters, readings = cohort.hidden["raters"], cohort.hidden["readings"]
    shifts = random_shifts(scans, status_codes(scans, cohort.hidden["episodes"]), design, seed)
    finger = scans["participant_id"] + "|" + scans["side"] + "|" + scans["digit"]
    once = scans["first"].to_numpy()
    met = readings.drop_duplicates(["rater_id", "scan_id", "pulley"])
    parts = [
        _kind("site", [s.site_id for s in design.sites], [s.effect_mm for s in design.sites]),
        _kind("rater", raters["rater_id"], raters["effect_mm"]),
        _kind("participant", people["participant_id"], people["effect_mm"]),
        _kind("finger", finger[once], shifts.finger[once]),
    ]
    for at, pulley in enumerate(PULLEYS):
        names = finger[once] + "|" + pulley
        parts.append(_kind("pulley", names, shifts.pulley[once, at]))
        parts.append(_kind("load_increment", names, shifts.increment[once, at]))
    names = met["rater_id"] + "|" + met["scan_id"] + "|" + met["pulley"]
    parts.append(_kind("rater_finger", names, met["rater_finger_mm"]))
    return pd.concat(parts, ignore_index=True)


def _kind(kind: str, names: Any, values: Any) -> pd.DataFrame:
    return pd.DataFrame({"kind": kind, "id": np.asarray(names), "effect_mm": np.asarray(values)})


def write_truth(design: Design, folder: Path | str, *, scale: float = TWIN_SCALE) -> list[Path]:
    """Write truth.json and the tidy truth of the cohort into `folder`; returns the files."""
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    cohort = generate(design)
    written = []
    for name, frame in truth_tables(cohort, design, design.seed).items():
        path = target / f"{name}.csv"
        text = frame.to_csv(index=False, float_format="%.4f", lineterminator="\n")
        path.write_bytes(text.encode("utf-8"))
        written.append(path)
    path = target / "truth.json"
    text = json.dumps(derived_truth(design, scale=scale), indent=2)
    path.write_bytes((text + "\n").encode("utf-8"))
    return [*written, path]
