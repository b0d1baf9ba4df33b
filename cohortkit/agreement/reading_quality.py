"""How the raters of each site read: digits, heaps, drift, shifts, blinding, averages."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import partial
from typing import Any, TypedDict, Unpack

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.agreement import rater_shifts
from cohortkit.agreement.clustered_share import METHOD, clustered_share
from cohortkit.agreement.digit_preference import DIGITS, DigitTest, digit_test, place_test
from cohortkit.agreement.quality_cautions import NO_SPREAD, holm, quality_cautions
from cohortkit.agreement.shared_rows import (
    RATERS_SITE,
    WAY_OUT_OF_SITES,
    each_reading_once,
    filled,
    groups,
    one_site_each,
)
from cohortkit.display import counted
from cohortkit.errors import ArgumentError, EstimateError, TableError
from cohortkit.estimate import Caution, Estimate, Result

_KINDS = ("pulley", "load", "reference_structure", "read_mode")
_STRATA = ("pulley", "load", "injured")
_FLAGS = ("below_resolution", "blinded_to_reference", "blinded_to_prior")
_HEAP_MM = 0.5
_MOST_STEPS = 2**53  # a larger float has no last digit


class QualityOptions(TypedDict, total=False):
    """Column names and unit that `reading_quality` takes by keyword.

    Attributes
    ----------
    subject, rater, value, participant, unit
        As everywhere in this room.
    site
        Site of the rater. None, or absent from the table: raters only.
    missing
        ``"stop"``, or ``"drop"`` to leave out rows whose value is missing for another
        reason than being below resolution, and count them.
    """

    subject: str
    rater: str
    site: str | None
    value: str
    participant: str | None
    unit: str
    missing: str


_DEFAULTS: dict[str, Any] = {
    "subject": "scan_id",
    "rater": "rater_id",
    "site": "rater_site_id",
    "value": "gap_mm",
    "participant": "participant_id",
    "unit": "mm",
    "missing": "stop",
}


@dataclass(frozen=True, repr=False, eq=False)
class ReadingQuality(Result):
    """Shares, shifts and slopes by rater and site, with the counts behind them.

    `digits` has one row per group and last digit: group, digit, observed, expected.
    `tests` has one row per group and test (last_digit, half_unit): group, test,
    chi_square, df, p_value, p_holm (over all groups), n, design_effect. `not_estimated`
    says why a group lacks an estimate: group, estimate, reason.
    """

    digits: pd.DataFrame = field(default_factory=pd.DataFrame)
    tests: pd.DataFrame = field(default_factory=pd.DataFrame)
    not_estimated: pd.DataFrame = field(default_factory=pd.DataFrame)


def reading_quality(
    data: Any,
    *,
    order: str | None = "read_no",
    step: float = 0.1,
    level: float = 0.95,
    **options: Unpack[QualityOptions],
) -> ReadingQuality:
    """How each rater, and each site's raters together, write and read.

    Parameters
    ----------
    data
        One row per reading, of any pulleys and load states: habits of writing are the
        rater's, and shifts compare readings of one scan, pulley and load only. Columns
        of the format that it may hold (below_resolution, reads_averaged, the two
        blinded_to_..., pulley, load, reference_structure, read_mode, injured) are used.
    order
        Column in whose order drift is looked for, a number. The format's ``read_no`` is
        the order within a scan; a release holds no calendar, so a log of the reading
        session has to bring its own column. None: no drift.
    step
        The step in which values are to be written, in the unit of the values.
    level
        Coverage of each interval.
    **options
        Column names, unit and missing: see `QualityOptions`.

    Returns
    -------
    ReadingQuality
        For each rater (group ``rater=...``) and site (``site=...``): ``heaping_share``,
        the share of readings that is rounded to 0.5 beyond what the shape of the values
        explains; ``share_below_resolution``, ``share_averaged``,
        ``share_blinded_to_reference``, ``share_blinded_to_prior``. For each rater that
        shares subjects with others: ``rater_shift``, ``rater_shift_shrunken`` and
        ``drift``, per unit of the order.

    Raises
    ------
    TableError
        Absent columns; missing values.
    EstimateError
        No reading at all; the same reading twice.
    ArgumentError
        A step that does not divide 0.5.

    Notes
    -----
    Means of several readings are left out of digits, shifts and drift, always: their
    digits are nobody's habit. Every interval and test is clustered by participant.
    Formulas: `digit_preference`, `rater_shifts`, `clustered_share`.
    """
    checks.proportion("level", level)
    spec = _spec(options)
    every = _heap_steps(step)
    rows, cautions = _rows(checks.as_frame(data), spec, order)
    ask = _Asked(rows, step, every, level, spec["unit"], order)
    estimates: list[Estimate] = []
    for role in ("rater", "site"):
        if role not in rows:
            continue
        for name, part in rows.groupby(role, sort=True):
            estimates += ask.habits(f"{role}={name}", part)
    estimates += ask.comparisons()
    tests = holm(ask.tests)
    return ReadingQuality(
        question="How does each rater write and read?",
        estimates=tuple(estimates),
        cautions=(*cautions, *quality_cautions(tests, ask.lost)),
        settings={**spec, "order": order, "step": step, "level": level},
        digits=pd.DataFrame(ask.digits, columns=["group", "digit", "observed", "expected"]),
        tests=tests,
        not_estimated=pd.DataFrame(ask.lost, columns=["group", "estimate", "reason"]),
    )


class _Asked:
    """The questions put to each group; gathers what is not an estimate."""

    def __init__(
        self,
        rows: pd.DataFrame,
        step: float,
        every: int,
        level: float,
        unit: str,
        order: str | None,
    ) -> None:
        self.rows, self.step, self.every, self.level = rows, step, every, level
        self.unit, self.order = unit, order
        self.single = rows[(rows["averaged"] == 1) & rows["value"].notna()]
        self.digits: list[tuple[str, int, float, float]] = []
        self.tests: list[dict[str, Any]] = []
        self.lost: list[tuple[str, str, str]] = []

    def habits(self, group: str, part: pd.DataFrame) -> list[Estimate]:
        """Heaping and the four shares of one rater or site."""
        found = self._heaping(group, part[part.index.isin(self.single.index)])
        shares = [(f"share_{name}", name) for name in _FLAGS if name in part]
        if "reads_averaged" in part:
            shares.append(("share_averaged", "reads_averaged"))
        for name, column in shares:
            known = part[part[column].notna()]
            if known.empty:
                self.lost.append((group, name, f"column '{column}' is empty for all its readings"))
                continue
            flags = (
                (known[column] > 1) if column == "reads_averaged" else checks.marked(known[column])
            )
            cluster = known["cluster"].to_numpy()
            value, (low, high) = clustered_share(flags.to_numpy(bool), cluster, self.level)
            found.append(self._build(name, value, low, high, known, group)(unit="1", method=METHOD))
        return found

    def _heaping(self, group: str, single: pd.DataFrame) -> list[Estimate]:
        steps = np.clip(single["value"].to_numpy() / self.step, -_MOST_STEPS, _MOST_STEPS)
        steps = np.rint(steps).astype(int)
        cluster, stratum = single["cluster"].to_numpy(), single["stratum"].to_numpy()
        try:
            test = digit_test(steps, cluster, stratum)
            heap = place_test(steps, cluster, self.every, stratum)
        except EstimateError as stop:
            self.lost.append((group, "heaping_share", f"{stop.what}: {stop.found}"))
            return []
        self._keep(group, len(steps), test, heap)
        at = np.arange(DIGITS) % self.every == 0
        usual = float(test.expected[at].sum() / test.expected.sum())
        seen, limits = clustered_share(steps % self.every == 0, cluster, self.level)
        value, low, high = ((x - usual) / (1 - usual) for x in (seen, *limits))
        method = (
            f"share of readings on multiples of {_HEAP_MM:g}, beyond what a smooth distribution "
            f"puts there ({100 * usual:.0f} %); {METHOD}"
        )
        return [
            self._build("heaping_share", value, low, high, single, group)(unit="1", method=method)
        ]

    def _keep(self, group: str, n: int, test: DigitTest, heap: DigitTest) -> None:
        counts = zip(test.observed, test.expected, strict=True)
        self.digits += [(group, d, float(o), float(e)) for d, (o, e) in enumerate(counts)]
        for name, one in (("last_digit", test), ("half_unit", heap)):
            self.tests.append(
                {
                    "group": group,
                    "test": name,
                    "chi_square": one.chi_square,
                    "df": one.df,
                    "p_value": one.p_value,
                    "n": n,
                    "design_effect": one.design_effect,
                }
            )

    def comparisons(self) -> list[Estimate]:
        """Shifts and drift of the raters that share subjects."""
        single, found = self.single, []
        reads = single.groupby("same")["rater"]
        crossed = single[reads.transform("nunique") > 1]
        repeated = single[reads.transform("size") > 1]
        alone = sorted(set(self.rows["rater"]) - set(crossed["rater"]))
        for name in alone:
            reason = "shares no scan, pulley and load with another rater"
            if name not in set(single["rater"]):
                reason = "has no single reading with a value"
            self.lost.append((f"rater={name}", "rater_shift", reason))
        for part in _connected(crossed):
            found += self._shifts(part)
        if self.order is not None:
            for part in _connected(repeated):
                found += self._drift(part)
        return found

    def _shifts(self, part: pd.DataFrame) -> list[Estimate]:
        codes, names = pd.factorize(part["rater"], sort=True)
        if part["cluster"].nunique() < 3:
            for name in names:
                self.lost.append((f"rater={name}", "rater_shift", "fewer than 3 participants"))
            return []
        value, subject = part["value"].to_numpy(), pd.factorize(part["same"])[0]
        plain = rater_shifts.shifts(value, subject, codes, part["cluster"].to_numpy())
        low, high = plain.limits(self.level)
        small, small_low, small_high, spread = rater_shifts.shrunken(plain, self.level)
        words = f"mean shift against the {len(names)} raters of its group, subjects taken out"
        shrink = f"{words}; empirical Bayes, SD of raters {spread:.2g} {self.unit} (Morris 1983)"
        found = []
        for j, name in enumerate(names):
            group, mine = f"rater={name}", part[codes == j]
            build = self._build("rater_shift", plain.value[j], low[j], high[j], mine, group)
            found.append(build(unit=self.unit, method=f"{words}; clustered t interval"))
            limits = (small[j], small_low[j], small_high[j])
            build = self._build("rater_shift_shrunken", *limits, mine, group)
            found.append(build(unit=self.unit, method=shrink))
            if np.isnan(low[j]):
                self.lost.append((group, "rater_shift", NO_SPREAD))
            elif len(names) < 4:
                reason = f"no interval: {len(names)} raters to shrink towards, 4 are needed"
                self.lost.append((group, "rater_shift_shrunken", reason))
        return found

    def _drift(self, part: pd.DataFrame) -> list[Estimate]:
        part = part[part["order"].notna()]
        if part.empty or part["cluster"].nunique() < 3:
            return []
        codes, names = pd.factorize(part["rater"], sort=True)
        slopes = rater_shifts.drift(
            part["value"].to_numpy(),
            pd.factorize(part["same"])[0],
            codes,
            part["order"].to_numpy(float),
            part["cluster"].to_numpy(),
        )
        low, high = slopes.limits(self.level)
        unit = f"{'' if self.unit == '1' else self.unit}/{{{self.order}}}"  # UCUM
        method = (
            f"slope on column '{self.order}', subjects and raters taken out; clustered t interval"
        )
        found = []
        for j, name in enumerate(names):
            group = f"rater={name}"
            if not slopes.known[j]:
                reason = f"column '{self.order}' does not vary within its subjects on its own"
                self.lost.append((group, "drift", reason))
                continue
            if np.isnan(low[j]):
                self.lost.append((group, "drift", NO_SPREAD))
            numbers = (slopes.value[j], low[j], high[j])
            build = self._build("drift", *numbers, part[codes == j], group)
            found.append(build(unit=unit, method=method))
        return found

    def _build(
        self, name: str, value: float, low: float, high: float, rows: pd.DataFrame, group: str
    ) -> Any:
        return partial(
            Estimate,
            name,
            float(value),
            float(low),
            float(high),
            self.level,
            group=group,
            n_participants=int(rows["cluster"].nunique()),
            n_fingers=int(rows["finger_id"].nunique()) if "finger_id" in rows else None,
            n_readings=len(rows),
        )


def _spec(options: QualityOptions) -> dict[str, Any]:
    return filled(_DEFAULTS, options, "reading_quality does")


def _heap_steps(step: float) -> int:
    every = round(_HEAP_MM / step) if step > 0 else 0
    if every < 2 or DIGITS % every or abs(every * step - _HEAP_MM) > 1e-9:
        raise ArgumentError(
            "Argument 'step' is a step of writing that makes 0.5 in 2, 5 or 10 steps",
            found=repr(step),
            next_step="give 0.1 for values written to the tenth, 0.05 or 0.25",
        )
    return every


def _rows(
    frame: pd.DataFrame, spec: dict[str, Any], order: str | None
) -> tuple[pd.DataFrame, list[Caution]]:
    """Rows by role, and what was left out or is worth a caution before any estimate."""
    names = {r: spec[r] for r in ("subject", "rater", "site", "value", "participant")}
    if names["site"] is not None and names["site"] not in frame.columns:
        names["site"] = None
    rows = checks.columns(frame, {**names, "order": order})
    rows["value"] = checks.numeric(rows, "value", spec["value"])
    if order is not None:
        rows["order"] = checks.numeric(rows, "order", order)
    for name in {*_KINDS, *_STRATA, *_FLAGS, "finger_id", "reads_averaged"}:
        if list(frame.columns).count(name) == 1:
            rows[name] = frame[name].reset_index(drop=True)
    gone = rows["value"].isna()
    if "below_resolution" in rows:
        gone &= ~checks.marked(rows["below_resolution"])
    named = [c for c in ("subject", "rater", "participant") if c in rows]
    missing = {spec["value"]: int(gone.sum())} | {
        str(names[c]): int(rows[c].isna().sum()) for c in named
    }
    gone |= rows[named].isna().any(axis=1)
    checks.one_of("missing", spec["missing"], ("stop", "drop"))
    if gone.any() and spec["missing"] == "stop":
        raise TableError(
            "Values are missing that are not below resolution, or ids are",
            where="column " + ", ".join(f"'{c}' ({n})" for c, n in missing.items() if n),
            found=f"{counted(int(gone.sum()), 'row')} of {len(rows)}",
            next_step="find out why, then pass missing='drop' to leave those rows out",
        )
    rows = rows[~gone].reset_index(drop=True)
    one_site_each(rows, "rater", "site", RATERS_SITE, WAY_OUT_OF_SITES.format(option="site"))
    if rows.empty:
        raise EstimateError(
            "There is no reading to look at",
            found=counted(len(frame), "row"),
            next_step="check the filters that made this table",
        )
    each_reading_once(frame, spec["subject"], spec["rater"])
    owner = "participant" if "participant" in rows else "subject"
    rows["cluster"] = checks.codes(rows[owner])
    rows["same"] = _joint(rows, ["subject", *(c for c in _KINDS if c in rows)])
    rows["stratum"] = _joint(rows, [c for c in _STRATA if c in rows])
    averaged = rows["reads_averaged"] if "reads_averaged" in rows else pd.Series(1, rows.index)
    rows["averaged"] = averaged.astype("Float64").fillna(1).astype(float)
    cautions = []
    if gone.any():
        message = f"Rows with a missing value, left out: {int(gone.sum())}."
        cautions.append(Caution("left_out", message))
    means = int((rows["averaged"] > 1).sum())
    if means:
        message = (
            f"Means of several readings, left out of digits, shifts and drift: {means} of "
            f"{len(rows)}."
        )
        cautions.append(Caution("averaged_left_out", message))
    return rows, cautions


def _joint(rows: pd.DataFrame, names: list[str]) -> np.ndarray:
    if not names:
        return np.zeros(len(rows), dtype=int)
    return rows.groupby(names, sort=True, dropna=False, observed=True).ngroup().to_numpy()


def _connected(rows: pd.DataFrame) -> Iterable[pd.DataFrame]:
    """Rows by group of raters who share subjects."""
    if rows.empty:
        return
    subject, rater = pd.factorize(rows["same"])[0], pd.factorize(rows["rater"], sort=True)[0]
    label = groups(subject, rater)
    for group in np.unique(label):
        yield rows[label == group]
