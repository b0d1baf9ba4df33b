"""The analysis sets that the strata of the plan ask for."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import pandas as pd

from cohortkit.cohort.analysis_sets import AnalysisSet
from cohortkit.cohort.release import Release
from cohortkit.report.plan import Plan, ThresholdPlan


def agreement_set(release: Release, plan: Plan, i: int) -> AnalysisSet:
    """First single reads of one finger per participant, since fingers are not independent."""
    stratum = plan.agreement[i]
    equal: dict[str, Any] = (
        {} if stratum.fingers == "all" else {"injured": stratum.fingers == "injured"}
    )
    return release.readings(
        pulley=stratum.pulley,
        load=stratum.load,
        read_mode=stratum.read_mode,
        one_finger_per_participant=True,
        seed=plan.seed,
        read_no=1,
        reads_averaged=1,
        **equal,
    )


def most_shared_raters(rows: pd.DataFrame) -> tuple[str, str] | None:
    """The two raters who read most scans in common; the first by code where several tie."""
    if rows.empty:
        return None
    seen = pd.crosstab(rows["scan_id"].astype(object), rows["rater_id"].astype(object)).clip(
        upper=1
    )
    shared = seen.T @ seen
    pairs = list(combinations(sorted(shared.index), 2))
    return max(pairs, key=lambda pair: shared.loc[pair], default=None)


def reference_set(release: Release, plan: Plan, i: int) -> AnalysisSet:
    """The reference population of a stratum."""
    stratum = plan.reference[i]
    return release.reference_population(pulley=stratum.pulley, load=stratum.load, seed=plan.seed)


def threshold_set(
    release: Release, stratum: ThresholdPlan, us_gap: str | None = None
) -> AnalysisSet:
    """Tears of a stratum with a gap; `us_gap` instead of the plan's own if given."""
    return release.graded_tears(
        pulley=stratum.pulley,
        load=stratum.load,
        us_gap=us_gap or stratum.us_gap,
        within_days=stratum.within_days,
    )
