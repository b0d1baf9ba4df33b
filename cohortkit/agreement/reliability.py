"""Reliability and error of measurement from unbalanced readings of several sites."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Unpack

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.agreement import forms
from cohortkit.agreement.facets import Facets
from cohortkit.agreement.fitted import Fitted, fitted
from cohortkit.agreement.forms import Plan
from cohortkit.agreement.relative_error import no_ratio, open_ratio, per_cent
from cohortkit.agreement.reliability_cautions import (
    all_draws_equal,
    beyond_draws,
    design_cautions,
    spread_cautions,
    width_cautions,
)
from cohortkit.agreement.reliability_options import ReliabilityOptions, columns_in, filled
from cohortkit.errors import EstimateError, TableError
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.resampling import percentile_interval

QUANTITIES = ("pulley", "load", "reference_structure")
_WORDS = {
    "agreement": "any rater of the site",
    "consistency": "raters' own shifts left out",
    "intra": "the same rater again",
    "new_site": "any rater of a new site",
}
_CHANGES = {"inter": "sdc_inter", "intra": "sdc_intra"}
_COEFFICIENTS = {"inter": "reproducibility_coefficient", "intra": "repeatability_coefficient"}


@dataclass(frozen=True, repr=False, eq=False)
class ReliabilityResult(Result):
    """Reliability, with the variances it comes from.

    Parameters
    ----------
    components
        One row per component: group, component, levels, variance, sd, lower and
        upper (of the sd), share of all variance, at_zero.
    left_out
        One row per component that is not in the model: group, component, reason.
    draws
        Draws of the variances, one column per component; empty with `by`. Generalised
        draws of a single component may be negative.
    raters
        Everyone whose readings are in it; the component of raters may rest on fewer, as
        where it is that of the stored clips.
    parts
        With `by`, the result of each group by its name.
    """

    components: pd.DataFrame = field(default_factory=pd.DataFrame)
    left_out: pd.DataFrame = field(default_factory=pd.DataFrame)
    draws: pd.DataFrame = field(default_factory=pd.DataFrame)
    raters: tuple[str, ...] = ()
    parts: dict[str, ReliabilityResult] = field(default_factory=dict)


def reliability(
    data: Any,
    *,
    k_raters: int = 1,
    m_reads: int = 1,
    occasion: str = "same_scan",
    scale: str = "natural",
    intervals: str = "generalised",
    level: float = 0.95,
    missing: str = "stop",
    **options: Unpack[ReliabilityOptions],
) -> ReliabilityResult:
    """Variance components, ICC, SEM and smallest change, from whatever design the rows have.

    Parameters
    ----------
    data
        One row per reading: a table or an analysis set. Incomplete and unbalanced
        is fine; several fingers of a participant are fine.
    k_raters, m_reads
        The plan of reading that ``*_averaged`` and ``sdc_*`` are about: the mean of
        k raters with m readings each.
    occasion
        ``"same_scan"``: readings of one scan are compared. ``"new_scan"``: the
        finger is scanned anew, so that the spread of scans within a finger is
        error; only for scans between which the finger did not change.
    scale
        ``"log"`` takes logarithms: for spread that grows with the value.
    intervals
        ``"generalised"`` (see `cohortkit.mixed.sequential`), for up to 200,000
        combinations of scan and rater, or ``"bootstrap"`` (parametric, pivotal).
    level
        Coverage of the intervals.
    missing
        ``"stop"`` or ``"drop"``.
    **options
        See `ReliabilityOptions`.

    Returns
    -------
    ReliabilityResult
        As far as the rows can tell: ``icc_agreement, icc_consistency, icc_intra,
        sem_inter, sem_consistency, sem_intra, sdc_inter, sdc_intra,
        reproducibility_coefficient, repeatability_coefficient, cv_inter, cv_intra``,
        the same ``..._new_site`` for a rater of a new site, ``..._averaged`` for the
        mean of the plan, and ``sd_<component>``.

    Raises
    ------
    EstimateError
        Several quantities at once and not in `by`; nothing read twice; readings that
        are all equal; raters in groups that share no scan and no site named;
        ``"new_scan"`` where no finger was scanned twice; a table too large for
        generalised intervals.
    TableError
        Absent columns, missing values.

    Notes
    -----
    Formulas and measured coverage: docs/methods/reliability.md.
    """
    spec = filled(options)
    plan = Plan(checks.count("k_raters", k_raters), checks.count("m_reads", m_reads), occasion)
    checks.one_of("occasion", occasion, ("same_scan", "new_scan"))
    checks.one_of("scale", scale, ("natural", "log"))
    checks.one_of("intervals", intervals, ("generalised", "bootstrap"))
    checks.proportion("level", level)
    settings = {
        **{k: list(v) if k == "by" else v for k, v in spec.items()},
        "k_raters": plan.k,
        "m_reads": plan.m,
        "occasion": occasion,
        "scale": scale,
        "intervals": intervals,
        "level": level,
        "missing": missing,
    }
    frame = checks.as_frame(data)
    explicit = set(options)
    if not spec["by"]:
        checks.one_quantity(frame, QUANTITIES)
        return _Asked(settings, plan, "").answer(frame, explicit)
    return _apart(frame, settings, plan, explicit)


def _apart(
    frame: pd.DataFrame, settings: dict[str, Any], plan: Plan, explicit: set[str]
) -> ReliabilityResult:
    """One answer for each combination of the columns of `by`."""
    by = settings["by"]
    keys = checks.columns(frame, {name: name for name in by})
    checks.without_missing(keys, settings["missing"])
    parts: dict[str, ReliabilityResult] = {}
    lost: list[Caution] = []
    groups = frame.groupby(by, sort=True, observed=True)
    for _, rows in groups:  # before any is fitted; a group of by may imply the quantity
        checks.one_quantity(rows, QUANTITIES)
    for values, rows in groups:
        words = zip(by, values, strict=True)
        name = "; ".join(f"{column}={_plain(value)}" for column, value in words)
        try:
            parts[name] = _Asked(settings, plan, name).answer(rows, explicit)
        except (EstimateError, TableError) as error:
            lost.append(Caution("not_estimated", f"{name}: {error.what}. Found: {error.found}"))
    if not parts:
        raise EstimateError(
            "No group could be estimated",
            found="; ".join(caution.message for caution in lost[:3]) or "no rows",
            next_step="check the columns of by",
        )
    every = parts.values()
    notes: dict[tuple[str, str], list[str]] = {}
    for name, part in parts.items():
        for c in part.cautions:
            notes.setdefault((c.code, c.message), []).append(name)
    told = [
        Caution(code, f"{' and '.join(names)}: {text}") for (code, text), names in notes.items()
    ]
    return ReliabilityResult(
        question="How reliable is a reading, and how large is its error?",
        estimates=tuple(e for part in every for e in part.estimates),
        cautions=(*lost, *told),
        settings=settings,
        components=pd.concat([p.components for p in every], ignore_index=True),
        left_out=pd.concat([p.left_out for p in every], ignore_index=True),
        raters=tuple(sorted({rater for p in every for rater in p.raters})),
        parts=parts,
    )


def _plain(value: Any) -> str:
    return {"True": "yes", "False": "no"}.get(str(value), str(value))


class _Asked:
    """One table, one question."""

    def __init__(self, settings: dict[str, Any], plan: Plan, group: str) -> None:
        self.settings, self.plan, self.group = settings, plan, group
        self.log = settings["scale"] == "log"
        self.unit = "1" if self.log else settings["unit"]
        self.beyond: list[str] = []  # estimates that their draws did not hold
        self.settled: list[str] = []  # estimates whose draws are all the same

    def answer(self, frame: pd.DataFrame, explicit: set[str]) -> ReliabilityResult:
        """Fit, draw, and put into words."""
        spec = self.settings
        fit = fitted(frame, columns_in(frame, spec, explicit), spec, self.unit)
        found = fit.found
        self._possible(found)
        estimates = self._estimates(fit)
        return ReliabilityResult(
            question="How reliable is a reading, and how large is its error?",
            estimates=tuple(estimates),
            cautions=self._cautions(fit, estimates),
            settings=self.settings,
            components=self._component_table(fit.components, estimates),
            left_out=found.left_out.assign(group=self.group)[["group", "component", "reason"]],
            draws=fit.draws,
            raters=found.raters,
        )

    def _possible(self, found: Facets) -> None:
        split = "intra" in self._kinds(found) or "rater" not in found.factors
        if self.plan.m > 1 and not split:
            raise EstimateError(
                "What a second reading by the same rater brings cannot be told",
                where="argument 'm_reads'",
                found="hardly any rater read a scan twice, so the residual holds subject x rater "
                "too",
                next_step="pass m_reads=1, or add second readings by the same rater",
            )
        if self.plan.occasion == "new_scan" and "scan" not in found.factors:
            reason = found.left_out.set_index("component")["reason"]["scan"]
            raise EstimateError(
                "The spread between scans of one finger cannot be told from these rows",
                found=reason,
                next_step="use occasion='same_scan', or add second scans of some fingers",
            )

    def _estimates(self, fit: Fitted) -> list[Estimate]:
        found, parts, draws = fit.found, fit.parts, fit.draws
        one, plan = Plan(1, 1, self.plan.occasion), self.plan
        kinds = self._kinds(found)
        others = {kind: named for kind, named in kinds.items() if kind != "consistency"}
        out: list[Estimate] = []

        def add(names: dict[str, str], unit: str, figure: Any, reading: Plan) -> None:
            shown = self._family(parts, draws, list(kinds), figure, reading)
            for kind, name in names.items():
                value, limits = shown[kind]
                out.append(self._estimate(found, name, value, limits, unit, said[kind]))

        said = _WORDS | ({} if found.site_of_rater_known else {"agreement": "any rater"})
        plans = [("", one)] + ([("_averaged", plan)] if plan != one else [])
        for ending, reading in plans:
            names = {k: icc + ending + suffix for k, (icc, _, suffix) in kinds.items()}
            add(names, "1", forms.reliability_of, reading)
        for ending, reading in plans:
            names = {k: f"sem_{error}{ending}{suffix}" for k, (_, error, suffix) in kinds.items()}
            add(names, self.unit, _sem, reading)
        ratio = "_ratio" if self.log else ""
        for called, reading in ((_CHANGES, plan), (_COEFFICIENTS, one)):
            names = {k: called[error] + suffix + ratio for k, (_, error, suffix) in others.items()}
            add(names, self.unit, self._change, reading)
        if self.log or (found.rows["value"] > 0).all():
            parts, draws = {**parts, "mean": fit.mean}, draws.assign(mean=fit.mean_draws)
            names = {k: f"cv_{error}{suffix}" for k, (_, error, suffix) in others.items()}
            add(names, "%", self._cv, one)
        for name in (*found.factors, "residual"):
            drawn = np.sqrt(np.maximum(draws[name].to_numpy(), 0.0))
            limits = percentile_interval(drawn, self.settings["level"])
            value, words = math.sqrt(max(parts[name], 0.0)), "standard deviation of the component"
            out.append(self._estimate(found, f"sd_{name}", value, limits, self.unit, words))
        return out

    def _family(
        self,
        parts: dict[str, float],
        draws: pd.DataFrame,
        kinds: list[str],
        figure: Any,
        plan: Plan,
    ) -> dict[str, tuple[float, forms.Limits]]:
        """One figure for every kind of error: values, and limits that keep their order."""
        columns = {str(name): draws[name].to_numpy() for name in draws}
        level = self.settings["level"]

        def quantiles(kind: str, reading: Plan) -> forms.Limits:
            return percentile_interval(figure(columns, kind, reading), level)

        rising = figure is not forms.reliability_of
        ordered = forms.limits_of(quantiles, kinds, plan, rising=rising)
        return {k: (float(figure(parts, k, plan)), ordered[k]) for k in kinds}

    def _kinds(self, found: Facets) -> dict[str, tuple[str, str, str]]:
        """Kind to: name of the ICC, of the error, and their suffix."""
        kinds = {}
        if found.plain:
            kinds["agreement"] = ("icc_agreement", "inter", "")
        if found.new_site:
            kinds["new_site"] = ("icc_agreement", "inter", "_new_site")
        if "rater" in found.factors:
            kinds["consistency"] = ("icc_consistency", "consistency", "")
        split = "subject_rater" in found.factors or "rater" not in found.factors
        if found.repeats and (split or found.one_scan):
            kinds["intra"] = ("icc_intra", "intra", "")
        return kinds

    def _change(self, parts: Any, kind: str, plan: Plan) -> np.ndarray:
        sem = _sem(parts, kind, plan)
        return np.exp(forms.CHANGE * sem) if self.log else forms.CHANGE * sem

    def _cv(self, parts: Any, kind: str, plan: Plan) -> np.ndarray:
        sem = _sem(parts, kind, plan)
        return 100 * np.sqrt(np.expm1(sem**2)) if self.log else per_cent(sem, parts["mean"])

    def _estimate(
        self, found: Facets, name: str, value: float, limits: forms.Limits, unit: str, words: str
    ) -> Estimate:
        level = self.settings["level"]
        low, high = forms.holding(limits, value)
        if (low, high) != limits and not math.isnan(low):
            self.beyond.append(name)
        if low == high:
            self.settled.append(name)
            low = high = math.nan
        by = self.settings["intervals"]
        way = (
            "generalised interval from sequential sums of squares"
            if by == "generalised"
            else "parametric bootstrap, pivotal"
        )
        plan = f", mean of {self.plan.k} x {self.plan.m} readings" if "averaged" in name else ""
        return Estimate(
            name=name,
            value=value,
            lower=low,
            upper=high,
            level=level if not math.isnan(low) else math.nan,
            unit=unit,
            method=f"{words}{plan}; REML components; {way}, {self.settings['n_boot']} draws, "
            f"seed {self.settings['seed']}",
            group=self.group,
            **found.counts,
        )

    def _component_table(self, table: pd.DataFrame, estimates: list[Estimate]) -> pd.DataFrame:
        own = {e.name: e for e in estimates}
        limits = [own[f"sd_{name}"] for name in table["component"]]
        return table.assign(
            group=self.group, lower=[e.lower for e in limits], upper=[e.upper for e in limits]
        )[["group", "component", "levels", "variance", "sd", "lower", "upper", "share", "at_zero"]]

    def _cautions(self, fit: Fitted, estimates: list[Estimate]) -> tuple[Caution, ...]:
        found = fit.found
        ratios = [e.upper for e in estimates if e.name.startswith("cv_")]
        residual = math.sqrt(fit.parts["residual"])
        return (
            *found.cautions,
            *fit.cautions,
            *beyond_draws(self.beyond),
            *all_draws_equal(self.settled),
            *design_cautions(found, self.settings),
            *([] if self.log else no_ratio(found.rows["value"])),
            *open_ratio(ratios),
            *width_cautions(found, fit.parts, ratio=bool(ratios) and not self.log),
            *spread_cautions(found.rows, residual, log=self.log),
        )


def _sem(parts: Any, kind: str, plan: Plan) -> np.ndarray:
    return np.sqrt(forms.error_variance(parts, kind, plan))
