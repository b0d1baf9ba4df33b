"""Planted figures beside the estimates that should hold them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from cohortkit.agreement import icc, reliability
from cohortkit.cohort import analysis_sets
from cohortkit.estimate import Estimate
from cohortkit.outcomes import return_to_climbing
from cohortkit.reference import reference_interval
from cohortkit.thresholds import roc

BEFORE_HEALING = 75  # days from injury: at most 60 to enrolment and 14 to the first scan
AGREEMENT = ("icc_a_1", "icc_c_1", "sem_agreement", "sem_consistency")


@dataclass(frozen=True)
class Check:
    """One estimate and the planted figure it should hold."""

    name: str
    estimate: Estimate
    planted: float

    @property
    def held(self) -> bool:
        """Whether the interval holds the planted figure."""
        return self.estimate.lower <= self.planted <= self.estimate.upper


def agreement_checks(release: Any, truth: dict[str, Any], group: str) -> Iterator[Check]:
    """ICC and error of the stored clips, loaded: of uninjured fingers, or of all."""
    for planted in truth["agreement_stored"]:
        if planted["load"] != "loaded" or planted["group"] != group:
            continue
        pulley = planted["pulley"]
        stored = analysis_sets.readings(release, pulley=pulley, load="loaded", read_mode="stored")
        rows = stored.rows if group == "all" else stored.rows[~stored.rows["injured"]]
        found = icc(rows, missing="drop")
        for name in AGREEMENT:
            yield Check(f"{name} {pulley} {group}", found[name], planted[name])


def live_and_stored_checks(release: Any, truth: dict[str, Any]) -> Iterator[Check]:
    """Error of a live reading of an uninjured finger, by a rater of any site."""
    planted = truth["agreement_live_pair"]
    for pulley in ("A2", "A4"):
        chosen = analysis_sets.readings(
            release, pulley=pulley, load="loaded", injured=False, reads_averaged=1
        )
        found = reliability(chosen, missing="drop")
        for name, known in (
            ("sem_inter_new_site", "sem_agreement"),
            ("sem_consistency", "sem_consistency"),
        ):
            yield Check(f"{name} {pulley} live", found[name], planted[known])


def reference_checks(release: Any, truth: dict[str, Any]) -> Iterator[Check]:
    """The upper 95 % limit of uninjured adults, loaded, as gaps are written down."""
    for planted in truth["uninjured_adults_as_measured"]:
        if planted["load"] != "loaded":
            continue
        pulley = planted["pulley"]
        people = analysis_sets.reference_population(release, pulley=pulley, load="loaded")
        limit = reference_interval(people, sides="upper")["upper_limit"]
        yield Check(f"upper_limit {pulley}", limit, planted["quantiles_written_mm"]["0.95"])


def threshold_checks(release: Any, truth: dict[str, Any]) -> Iterator[Check]:
    """The area for a complete tear against less, statuses from the gap left out.

    A finger whose first scan is not eligible would else enter with a scan made
    when it had healed for months.
    """
    for planted in truth["complete_against_less"]:
        pulley = planted["pulley"]
        tears = analysis_sets.graded_tears(
            release, pulley=pulley, load="loaded", within_days=BEFORE_HEALING
        )
        found = roc(tears, missing="drop")
        yield Check(f"auc {pulley}", found["auc"], planted["auc_recorded_without_us_gap"])


def outcome_checks(release: Any, truth: dict[str, Any], n_boot: int) -> Iterator[Check]:
    """The share back at full climbing by day 180, by recorded grade."""
    planted = truth["return_to_full_climbing"]["by_recorded_grade"]
    found = return_to_climbing(analysis_sets.outcomes(release), n_boot=n_boot, seed=1)
    for estimate in found:
        if estimate.name == "returned_by_180":
            grade = estimate.group.rpartition("=")[2]
            yield Check(f"returned_by_180 {grade}", estimate, planted[grade]["180"])


def all_checks(release: Any, truth: dict[str, Any], n_boot: int = 200) -> list[Check]:
    """Every check on one cohort."""
    return [
        *agreement_checks(release, truth, "uninjured"),
        *agreement_checks(release, truth, "all"),
        *live_and_stored_checks(release, truth),
        *reference_checks(release, truth),
        *threshold_checks(release, truth),
        *outcome_checks(release, truth, n_boot),
    ]
