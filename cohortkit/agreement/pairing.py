"""Two methods on the same subjects, laid out as pairs: two scanners, or live against stored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, TypedDict

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit import checks, display
from cohortkit.agreement.reading_kinds import (
    KINDS,
    averaged_caution,
    one_kind,
    scanning_caution,
    stored_count,
)
from cohortkit.agreement.rounding import grain, step_of
from cohortkit.agreement.shared_rows import (
    asked,
    filled,
    one_a_cell,
    one_participant_each,
    stop_at_unseen,
    unseen,
)
from cohortkit.errors import ArgumentError, EstimateError, TableError
from cohortkit.estimate import Caution, Estimate, Result

_FEW = 30
_TIED_SHARE = 0.05
_COARSE = 0.1  # step over SD; at 0.08 the intervals of Passing-Bablok held
_SIGNIFICANT = 0.05


class PairOptions(TypedDict, total=False):
    """Column names that every comparison of two methods takes by keyword.

    Attributes
    ----------
    subject
        What both methods measured: one scan, or one finger on one day.
    value
        The measurement, a number in `unit`.
    participant
        Who the subject belongs to; intervals are clustered by it. None states
        that subjects are independent.
    unit
        UCUM code of `value`.
    """

    subject: str
    value: str
    participant: str | None
    unit: str


_DEFAULTS: dict[str, Any] = {
    "subject": "scan_id",
    "value": "gap_mm",
    "participant": "participant_id",
    "unit": "mm",
}


@dataclass(frozen=True)
class Pairs:
    """n pairs of values: `first` (x) and `second` (y) of shape (n,).

    `first_error` and `second_error` hold the known standard error of each value,
    or None. `cluster` holds participant codes 0..I-1.
    """

    first: np.ndarray
    second: np.ndarray
    first_error: np.ndarray | None
    second_error: np.ndarray | None
    subjects: list[Any]
    participants: list[Any] | None
    cluster: np.ndarray
    methods: tuple[Any, Any]
    n_fingers: int | None
    settings: dict[str, Any]
    cautions: tuple[Caution, ...]

    @property
    def n_clusters(self) -> int:
        """Number of participants."""
        return int(self.cluster.max()) + 1

    @property
    def repeats(self) -> bool:
        """Whether some participant has more than one pair."""
        return self.n_clusters < len(self.cluster)

    def estimate(self) -> partial[Estimate]:
        """An `Estimate` that already knows the n."""
        return partial(
            Estimate,
            n_participants=self.n_clusters,
            n_fingers=self.n_fingers,
            n_readings=2 * len(self.first),
        )

    def table(self) -> pd.DataFrame:
        """The pairs: subject, participant, first, second."""
        return pd.DataFrame(
            {
                "subject": self.subjects,
                "participant": self.participants or [None] * len(self.subjects),
                "first": self.first,
                "second": self.second,
            }
        )


@dataclass(frozen=True, repr=False, eq=False)
class MethodComparison(Result):
    """How two methods differ; `pairs` is what the estimates rest on.

    `pairs` has one row per subject: subject, participant, first, second.
    """

    pairs: pd.DataFrame = field(default_factory=pd.DataFrame)


def paired(
    data: Any,
    *,
    method: str,
    methods: Sequence[Any] | None,
    missing: str,
    options: PairOptions,
    error: str | None = None,
) -> Pairs:
    """Lay out one value per subject and method as pairs.

    Raises
    ------
    ArgumentError
        An unknown option; `methods` that are not two.
    TableError
        Absent columns, missing or unusable values, errors that are not positive,
        a subject with two participants.
    EstimateError
        Several quantities mixed, several values in a cell, more than two methods
        and none named, subjects without a partner, fewer than two pairs, means of
        several readings among single ones of the same method (unless each value
        brings its own `error`). A method may be the mean of several readings.
    """
    spec = _spec(options)
    frame = checks.as_frame(data)
    checks.one_quantity(frame)
    rows = _rows(frame, spec, method, error)
    two = _two_methods(frame[method], methods)
    checks.present(frame[method], two, "method")
    rows = asked(rows, "method", two)
    stop_at_unseen(rows, missing)
    named = [r for r in ("subject", "method", "value", "participant", "error") if r in rows]
    _, n_missing = checks.without_missing(rows[named], missing)
    kept = rows[rows[named].notna().all(axis=1)].reset_index(drop=True)
    for one in two if error is None else ():
        one_kind(kept[kept["method"] == one])
    _one_value_a_cell(kept)
    both = kept.groupby("subject")["method"].transform("size") == 2
    n_alone = int(kept.loc[~both, "subject"].nunique())
    if n_alone and missing == "stop":
        raise EstimateError(
            "Not every subject was measured by both methods",
            found=f"{n_alone} of {display.counted(kept['subject'].nunique(), 'subject')} by one method only",
            next_step="find out why, then pass missing='drop' to leave them out and count them",
        )
    whole = kept[both].reset_index(drop=True)
    if whole["subject"].nunique() < 2:
        raise EstimateError(
            "Comparing two methods needs at least two subjects measured by both",
            found=f"{display.counted(whole['subject'].nunique(), 'such subject')} among "
            + display.counted(len(rows), "row"),
            next_step="check the filters that made this table, or add readings",
        )
    cautions = _left_out(rows, n_missing, n_alone) + _row_cautions(whole)
    settings = {**spec, "method": method, "methods": [str(m) for m in two], "missing": missing}
    return _laid_out(whole, two, settings, cautions)


def shared_cautions(
    pairs: Pairs, unrelated: str = "a line through these points says nothing"
) -> list[Caution]:
    """What has to be said about any comparison; `unrelated` if the methods do not rise together."""
    found = []
    if pairs.n_clusters < _FEW:
        found.append(
            Caution(
                "few_participants",
                f"{display.counted(pairs.n_clusters, 'participant')}: intervals are wide and rest on assumptions "
                "(fewer than 30; common practice, no source). With 15 participants of several "
                "fingers they covered 93 to 97 % instead of 95 %.",
            )
        )
    if np.ptp(pairs.first) > 0 and np.ptp(pairs.second) > 0 and len(pairs.first) > 2:
        p = float(stats.kendalltau(pairs.first, pairs.second, alternative="greater").pvalue)
        if p >= _SIGNIFICANT:
            found.append(
                Caution(
                    "no_relation_shown",
                    "The two methods are not shown to rise together (Kendall's tau, one-sided "
                    f"p = {p:.2g}): {unrelated}.",
                )
            )
    return found


def off_line(pairs: Pairs, slope: float) -> np.ndarray:
    """How far each second value lies from a line of this slope, less where the first point lies.

    All zero where only rounding of values of this size is left.
    """
    off = (pairs.second - pairs.second[0]) - slope * (pairs.first - pairs.first[0])
    return np.zeros_like(off) if np.ptp(off) <= grain(pairs.first, pairs.second) else off


def no_scatter() -> Caution:
    """What is said where all points lie on one line."""
    return Caution(
        "no_scatter_seen",
        "The points lie on one line exactly, so no interval exists; the error is smaller than "
        "the rounding of the values, not zero.",
    )


def coarseness(pairs: Pairs) -> tuple[float, str]:
    """Step of the values over their SD, of the coarser method, and how it is said; 0 if none."""
    found = [(0.0, 0.0)]
    for values in (pairs.first, pairs.second):
        step, spread = step_of(values), float(np.std(values))
        found.append((step / spread if spread > 0 else 0.0, step))
    share, step = max(found)
    said = display.with_unit(f"{step:.3g}", pairs.settings.get("unit", "1"))
    return share, f"Values are written in steps of {said}, {share:.2f} of their SD"


def coarse_values(pairs: Pairs) -> list[Caution]:
    """A caution if the values are written in coarse steps, or many pairs of points share one."""
    share, steps = coarseness(pairs)
    n = len(pairs.first)
    tied = max(
        float((counts * (counts - 1)).sum()) / (n * (n - 1))
        for counts in (np.unique(v, return_counts=True)[1] for v in (pairs.first, pairs.second))
    )
    if share <= _COARSE and tied <= _TIED_SHARE:
        return []
    ties = f"{100 * tied:.0f} % of the pairs of points share a value, as rounded readings do"
    seen = steps if share > _COARSE else ties
    return [
        Caution(
            "coarse_values",
            f"{seen}. Rounding pulls the slope towards 1 and takes the intervals off their level: with "
            "steps of 0.16 SD that of the slope covered 94 % with 50 pairs and 92 % with 100, that "
            "of the intercept 93 and 91 %; with steps of 0.32 SD and 50 pairs both covered about "
            "73 % instead of 95 % (docs/methods/passing_bablok.md).",
        )
    ]


def _spec(options: PairOptions) -> dict[str, Any]:
    return filled(_DEFAULTS, options, "A comparison of methods does")


def _rows(
    frame: pd.DataFrame, spec: dict[str, Any], method: str, error: str | None
) -> pd.DataFrame:
    wanted = {
        "subject": spec["subject"],
        "method": method,
        "value": spec["value"],
        "participant": spec["participant"],
        "error": error,
    }
    rows = checks.columns(frame, wanted)
    rows["value"] = checks.numeric(rows, "value", spec["value"])
    if error is not None:
        rows["error"] = checks.numeric(rows, "error", error)
        if (rows["error"] <= 0).any():
            raise TableError(
                "A standard error must be positive in every row",
                found=f"{int((rows['error'] <= 0).sum())} other values in column '{error}'",
                next_step="correct them, or leave out error= to take one ratio for all points",
            )
    for name in ("finger_id", "rater_id", *KINDS, "below_resolution"):
        if list(frame.columns).count(name) == 1 and name != method:
            rows[name] = frame[name].reset_index(drop=True)
    return rows


def _two_methods(column: pd.Series, methods: Sequence[Any] | None) -> tuple[Any, Any]:
    if methods is not None:
        if isinstance(methods, str) or len(methods) != 2 or len(set(methods)) != 2:
            raise ArgumentError(
                "Argument 'methods' takes two different methods",
                found=repr(methods),
                next_step="give two, as methods=('live', 'stored'); the first is x, the second y",
            )
        return methods[0], methods[1]
    known = checks.in_order(column)
    if len(known) != 2:
        raise EstimateError(
            "A comparison needs two methods",
            found=display.counted(len(known), "method")
            + (f": {', '.join(map(str, known[:12]))}" if known else ""),
            next_step="name two of them with methods=(first, second)"
            if len(known) > 2
            else "check the filters that made this table",
        )
    return known[0], known[1]


def _one_value_a_cell(rows: pd.DataFrame) -> None:
    one_a_cell(
        rows,
        ("subject", "method"),
        "A subject has more than one value by the same method",
        noun="value",
        next_step="keep one rater and one read of each, as with read_no == 1",
    )
    one_participant_each(rows)


def _left_out(rows: pd.DataFrame, n_missing: int, n_alone: int) -> tuple[Caution, ...]:
    found = []
    if n_missing or n_alone:
        found.append(
            Caution(
                "left_out",
                f"Missing values, left out: {n_missing}; subjects without a partner, left out: "
                f"{n_alone}. If they are missing because of what was measured, the result is "
                "biased.",
            )
        )
    hidden = unseen(rows)
    if hidden:
        found.append(
            Caution(
                "below_resolution",
                f"Readings below resolution, left out: {hidden}. The result is about visible gaps "
                "only.",
            )
        )
    return tuple(found)


def _row_cautions(whole: pd.DataFrame) -> tuple[Caution, ...]:
    found = []
    if "rater_id" in whole:
        raters = whole.groupby("subject")["rater_id"].nunique()
        differ = int((raters > 1).sum())
        if differ:
            found.append(
                Caution(
                    "raters_differ_within_pairs",
                    f"In {differ} of {len(raters)} pairs the two values come from different "
                    "raters, so a difference between methods cannot be told from one between "
                    "raters.",
                )
            )
    known = "error" in whole
    if "reads_averaged" in whole and whole["reads_averaged"].nunique() > 1 and not known:
        found.append(
            Caution(
                "reads_averaged_mixed",
                "One method's values are means of more readings than the other's, so their errors "
                "differ in size for that reason alone.",
            )
        )
    elif not known:
        found += averaged_caution(whole)
    found += scanning_caution(stored_count(whole), len(whole))
    return tuple(found)


def _laid_out(
    whole: pd.DataFrame,
    two: tuple[Any, Any],
    settings: dict[str, Any],
    cautions: tuple[Caution, ...],
) -> Pairs:
    place = pd.factorize(whole["subject"], sort=True)[0]
    whole = whole.iloc[np.argsort(place, kind="stable")]
    sides = [whole[whole["method"] == m].reset_index(drop=True) for m in two]
    first, second = sides
    known = "participant" in whole
    errors = [s["error"].to_numpy() if "error" in whole else None for s in sides]
    return Pairs(
        first=first["value"].to_numpy(),
        second=second["value"].to_numpy(),
        first_error=errors[0],
        second_error=errors[1],
        subjects=first["subject"].tolist(),
        participants=first["participant"].tolist() if known else None,
        cluster=pd.factorize(first["participant"])[0] if known else np.arange(len(first)),
        methods=two,
        n_fingers=int(whole["finger_id"].nunique()) if "finger_id" in whole else None,
        settings=settings,
        cautions=cautions,
    )
