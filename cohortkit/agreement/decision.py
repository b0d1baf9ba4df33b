"""Decision study: how many raters and readings make a value precise enough?"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.agreement import forms
from cohortkit.agreement.forms import Plan
from cohortkit.agreement.reliability import ReliabilityResult
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.resampling import percentile_interval

KINDS = ("agreement", "new_site", "consistency", "intra")
_NAMED = {
    "agreement": "sem_inter",
    "new_site": "sem_inter_new_site",
    "consistency": "sem_consistency",
    "intra": "sem_intra",
}


@dataclass(frozen=True, repr=False, eq=False)
class DecisionStudy(Result):
    """Reliability and error of each plan of reading.

    Parameters
    ----------
    table
        One row per plan: raters, reads, readings (raters x reads), then icc, sem and
        sdc, each with ``_lower`` and ``_upper``.
    """

    table: pd.DataFrame = field(default_factory=pd.DataFrame)


def decision_study(
    result: ReliabilityResult,
    *,
    raters: Sequence[int] = (1, 2, 3, 4),
    reads: Sequence[int] = (1, 2, 3),
    kind: str = "agreement",
) -> DecisionStudy:
    """Reliability, SEM and smallest detectable change for raters x readings.

    Parameters
    ----------
    result
        From `reliability`, without `by` (take one of its ``.parts``). Its draws give
        the intervals, so that they hold what that study knows of each variance.
    raters, reads
        Numbers of raters, and of readings by each, to try. The value used is the mean.
    kind
        ``"agreement"``: any raters of a site, ``"new_site"``: raters of a new site,
        ``"consistency"``: the same raters each time, ``"intra"``: one and the same
        rater (then `raters` must be ``(1,)``).

    Returns
    -------
    DecisionStudy
        Estimates ``icc``, ``sem`` and ``sdc`` per plan; `group` names it.

    Raises
    ------
    EstimateError
        If the study cannot tell that kind of error, or more than one reading by a
        rater is asked for while its residual could not be split.

    Notes
    -----
    Error = rater / k + subject x rater / k + residual / (k m), and what does not
    average out: the spread of scans, and what raters of one site have in common.
    Source: Brennan 2001, Generalizability Theory (from memory).
    """
    checks.one_of("kind", kind, KINDS)
    raters, reads = _numbers("raters", raters), _numbers("reads", reads)
    plans = _plans(result, raters, reads, kind)
    log = result.settings["scale"] == "log"
    parts = {str(r["component"]): float(r["variance"]) for r in _records(result.components)}
    drawn = {str(name): result.draws[name].to_numpy() for name in result.draws}
    known = result[_NAMED[kind]]
    told = [k for k in KINDS if _NAMED[k] in {e.name for e in result.estimates}]
    level = result.settings["level"]
    estimates: list[Estimate] = []
    rows: list[dict[str, Any]] = []
    for plan in plans:
        row: dict[str, Any] = {"raters": plan.k, "reads": plan.m, "readings": plan.k * plan.m}
        for name, unit in (("icc", "1"), ("sem", known.unit), ("sdc", known.unit)):
            value = float(_figure(name, parts, kind, plan, log=log))
            quantiles = partial(_quantiles, name, drawn, level, log)
            limits = forms.limits_of(quantiles, told, plan, rising=name != "icc")[kind]
            low, high = forms.holding(limits, value)
            row |= {name: value, f"{name}_lower": low, f"{name}_upper": high}
            estimates.append(
                Estimate(
                    name=name,
                    value=value,
                    lower=low,
                    upper=high,
                    level=level if not math.isnan(low) else math.nan,
                    unit=unit,
                    method=f"{kind}; from the variances and draws of the reliability study",
                    group=f"raters={plan.k}; reads={plan.m}",
                    n_participants=known.n_participants,
                    n_fingers=known.n_fingers,
                    n_readings=known.n_readings,
                )
            )
        rows.append(row)
    return DecisionStudy(
        question="How many raters and readings make a value precise enough?",
        estimates=tuple(estimates),
        cautions=(*result.cautions, *_cautions(parts, kind, result.settings["occasion"])),
        settings={"raters": raters, "reads": reads, "kind": kind} | {"study": result.settings},
        table=pd.DataFrame(rows),
    )


def _numbers(name: str, numbers: Sequence[int]) -> list[int]:
    if isinstance(numbers, str) or not isinstance(numbers, Iterable) or not list(numbers):
        raise ArgumentError(
            f"Argument '{name}' is a list of whole numbers",
            found=repr(numbers),
            next_step=f"write {name}=[1, 2, 3]",
        )
    return [checks.count(name, number) for number in numbers]


def _plans(
    result: ReliabilityResult, raters: Sequence[int], reads: Sequence[int], kind: str
) -> list[Plan]:
    if result.parts:
        raise ArgumentError(
            "A decision study takes the reliability of one group",
            found=", ".join(result.parts),
            next_step="pass result.parts['...'] of one of them",
        )
    if kind == "intra" and raters != [1]:
        raise ArgumentError(
            "Readings by the same rater again have one rater",
            where="argument 'raters'",
            found=repr(raters),
            next_step="pass raters=(1,)",
        )
    if _NAMED[kind] not in [e.name for e in result.estimates]:
        raise EstimateError(
            f"That study cannot tell the error of kind '{kind}'",
            found=", ".join(e.name for e in result.estimates if e.name.startswith("sem")),
            next_step="choose a kind that it can tell; its cautions say why not this one",
        )
    split = "sem_intra" in [e.name for e in result.estimates] or "rater" not in result.draws
    if not split and max(reads) > 1:
        raise EstimateError(
            "What a second reading by the same rater brings cannot be told",
            where="argument 'reads'",
            found="no rater read a scan twice, so the residual holds subject x rater too",
            next_step="pass reads=(1,), or add second readings by the same rater",
        )
    return [Plan(k, m, result.settings["occasion"]) for k in raters for m in reads]


def _quantiles(
    name: str, drawn: Any, level: float, log: bool, kind: str, plan: Plan
) -> tuple[float, float]:
    return percentile_interval(_figure(name, drawn, kind, plan, log=log), level)


def _figure(name: str, parts: Any, kind: str, plan: Plan, *, log: bool) -> np.ndarray:
    if name == "icc":
        return forms.reliability_of(parts, kind, plan)
    sem = np.sqrt(forms.error_variance(parts, kind, plan))
    if name == "sem":
        return sem
    return np.exp(forms.CHANGE * sem) if log else forms.CHANGE * sem


def _cautions(parts: dict[str, float], kind: str, occasion: str) -> list[Caution]:
    lasting = {name: parts.get(name, 0.0) for name in ("scan", "rater_site")}
    floor = float(np.sqrt(forms.error_variance(lasting, kind, Plan(1, 1, occasion))))
    if floor == 0:
        return []
    return [
        Caution(
            "error_has_a_floor",
            f"No number of readings brings the SEM below {floor:.3g}: the spread of scans, or what "
            "raters of one site have in common, does not average out.",
        )
    ]


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in table.to_dict("records")]
