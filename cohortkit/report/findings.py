"""One plain sentence per finding, always with its interval and n."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import pandas as pd

from cohortkit.agreement.limit_assumptions import NAMES, LimitAssumptions
from cohortkit.display import LEVELS, interval, number, p_value, sample_sizes, with_unit
from cohortkit.estimate import Estimate, Result
from cohortkit.report.plan import ReferencePlan, ReliabilityPlan, ThresholdPlan


def flow(counts: pd.DataFrame, people: Mapping[str, int]) -> tuple[str, ...]:
    """Records read, accepted, refused and blank; what the release holds, and who has what.

    `people` counts the participants who have what the analysis sets start from.
    """
    records = counts[counts["unit"] == "records"]
    n = {step: int(part["n"].sum()) for step, part in records.groupby("step")}
    sites = records["site_id"].nunique()
    held = counts[counts["step"] == "released"].groupby("unit", sort=False)["n"].sum()
    content = ", ".join(f"{int(k)} {unit}" for unit, k in held.items())
    return (
        f"{n.get('read', 0)} records were read from {sites} site{'' if sites == 1 else 's'}: "
        f"{n.get('accepted', 0)} accepted, {n.get('refused', 0)} refused with a reason, "
        f"{n.get('blank', 0)} declared blank. The release holds {content}.",
        *_who(int(held.get("participants", 0)), people),
    )


def _who(everybody: int, people: Mapping[str, int]) -> list[str]:
    """Why sets start from fewer participants than the release holds."""
    lines = []
    for has, n in people.items():
        without = everybody - n
        if without > 0:
            lines.append(
                f"{n} of the {everybody} participants have {has.removeprefix('with ')}; {without} "
                f"{'has' if without == 1 else 'have'} none that was sent and accepted."
            )
    lines += ["Every set below starts from those who have what it asks about."] if lines else []
    return [" ".join(lines)] if lines else []


def _value(estimate: Estimate) -> str:
    """Value with unit and interval, as "2.10 mm [1.90, 2.30]"."""
    text = with_unit(number(estimate.value, estimate.unit), estimate.unit)
    limits = interval(estimate.lower, estimate.upper, estimate.unit) or "(no interval)"
    return f"{text} {limits}"


def _level(estimate: Estimate) -> str:
    return f"{100 * estimate.level:g} % interval"


def _n(estimate: Estimate) -> str:
    return sample_sizes({f"n_{level}": getattr(estimate, f"n_{level}") for level in LEVELS})


def agreement(stratum: str, limits: Result | str, icc: Result | str) -> str:
    """What two readings of one scan can differ by, and how reliable one reading is."""
    parts = []
    if isinstance(icc, str):
        parts.append(icc)
    else:
        sdc, one = icc["sdc_agreement"], icc["icc_a_1"]
        parts.append(
            f"Readings of the same scan by different raters differ by less than {_value(sdc)} "
            f"({_level(sdc)}) in 95 of 100 pairs (smallest detectable change); reliability of a "
            f"single reading, ICC(A,1), is {_value(one)}; {_n(one)}."
        )
    if isinstance(limits, str):
        parts.append(limits if limits not in parts else "")
    else:
        bias, low, high = (limits[name] for name in ("bias", "lower_limit", "upper_limit"))
        parts.append(
            f"{_raters(limits)}, the difference is on average {_value(bias)}, with "
            f"limits of agreement {_value(low)} and {_value(high)}; {_n(bias)}."
        )
    return f"{stratum}. " + " ".join(part for part in parts if part)


_SLOPES = {
    "difference_slope": "for each mm of the mean, the difference between the raters changes by",
    "spread_slope": "for each mm of the mean, the scatter of that difference changes by",
}


def assumptions(stratum: str, result: LimitAssumptions | str) -> str:
    """Whether difference or spread changes with the gap, and whether differences are normal."""
    if isinstance(result, str):
        return f"{stratum}. {result}"
    p = dict(zip(result.checks["check"], result.checks["p_value"], strict=True))
    held = {e.name: e for e in result}
    parts = []
    for check, name in NAMES.items():
        if name in held:
            value = held[name].value
            if name == "normality_w":
                text = f"Shapiro-Wilk's W of the differences is {number(value, '1')}"
            else:
                text = f"{_SLOPES[name]} {_value(replace(held[name], unit='mm'))}"
            parts.append(f"{text} ({p_value(p[check])})")
    return f"{stratum}: {'; '.join(parts)}; {_n(next(iter(result)))}."


def _raters(limits: Result) -> str:
    """Which two raters the limits compare, by their codes."""
    two: Sequence[str] = limits.settings.get("raters") or ()
    if len(two) != 2:
        return "For the two raters compared"
    return f"For raters {two[0]} and {two[1]} (first minus second)"


def reliability(stratum: ReliabilityPlan, result: Result | str, study: Result | str) -> str:
    """The smallest change that two readings can tell, and what the largest plan makes of it."""
    if isinstance(result, str):
        return f"{stratum.name}. {result}"
    names = [e.name for e in result]
    parts = []
    for name, words in (
        ("repeatability_coefficient", "by the same rater"),
        ("reproducibility_coefficient", "by two raters of a site"),
        ("reproducibility_coefficient_new_site", "by raters of two sites"),
    ):
        if name in names:
            parts.append(f"{words} by less than {_value(result[name])}")
    one = next(iter(result))
    body = (
        f"two readings of one scan differ, in 95 of 100 pairs, {'; '.join(parts)} "
        f"({_level(one)}); {_n(one)}."
    )
    if isinstance(study, str):
        return f"{stratum.name}: {body} {study}"
    best = study[f"sdc@raters={stratum.raters}; reads={stratum.reads}"]
    return (
        f"{stratum.name}: {body} With the mean of {stratum.raters} raters reading "
        f"{stratum.reads} times each, the smallest detectable change is {_value(best)}."
    )


def reference(stratum: ReferencePlan, result: Result | str) -> str:
    """Between which gaps most uninjured adults lie."""
    if isinstance(result, str):
        return f"{stratum.name}. {result}"
    found = {e.name: e for e in result}
    first = next(iter(found.values()))
    share = f"{100 * stratum.coverage:g} %"
    low, high = (found.get(f"{side}_limit") for side in ("lower", "upper"))
    if low and high and math.isfinite(low.value):
        body = (
            f"the middle {share} of uninjured adults lie between {_value(low)} and {_value(high)}"
        )
    elif low and high:
        body = (
            f"the upper end of the middle {share} of uninjured adults is {_value(high)}; the lower "
            f"end is too small to be seen (below {number(low.upper, 'mm')} mm)"
        )
    elif high:
        body = f"{share} of uninjured adults lie below {_value(high)}"
    else:
        body = f"{share} of uninjured adults lie above {_value(first)}"
    return f"{stratum.name}: {body} ({_level(first)} of each limit); {_n(first)}."


def threshold(stratum: ThresholdPlan, results: Mapping[str, Result | str]) -> str:
    """How well the gap tells the target, at the stated cut and at the best one."""
    roc, stated, cut = (results[name] for name in ("roc", "accuracy_at", "youden_cut"))
    if isinstance(roc, str):
        return f"{stratum.name}. {roc}"
    auc = roc["auc"]
    target = " or ".join(stratum.positive)
    parts = [
        f"{stratum.name}: the gap tells a {target} tear from the rest "
        f"({', '.join(stratum.negative)}) with an area under the ROC curve of {_value(auc)} "
        f"({_level(auc)}); {_n(auc)}."
    ]
    if not isinstance(stated, str):
        parts.append(
            f"At the stated cut of {number(stratum.stated_cut_mm, 'mm')} mm, sensitivity is "
            f"{_value(stated['sensitivity'])} and specificity {_value(stated['specificity'])}."
        )
    corrected = results["corrected_accuracy"]
    if not isinstance(corrected, str):
        parts.append(
            f"Corrected for fingers that were never verified, from all fingers with a gap "
            f"({_n(corrected['sensitivity'])}; a status given from the gap itself counts as not "
            f"verified): sensitivity {_value(corrected['sensitivity'])}, specificity "
            f"{_value(corrected['specificity'])}."
        )
    if not isinstance(cut, str):
        parts.append(
            f"The cut that suits these data best is {_value(cut['cut_point'])}; it describes them "
            f"and is no recommendation."
        )
    return " ".join(parts)


def outcome(result: Result | str) -> tuple[str, ...]:
    """By when half of each grade had returned, and how many episodes tell anything of it.

    Surgery and giving up end the follow-up, so that a median then is about a world
    without them; the sentence says so.
    """
    if isinstance(result, str):
        return (result,)
    ends = any(c.code == "competing_ends" for c in result.cautions)
    known = getattr(result, "informative", pd.DataFrame()).to_dict("records")
    informative = {row["group"]: row["informative"] for row in known}
    lines = []
    for e in result:
        if e.name != "median_day":
            continue
        group = e.group.replace("grade=", "Grade ") or "All"
        if math.isnan(e.value):
            when = "half had not returned to full climbing within the follow-up"
        else:
            limits = interval(e.lower, e.upper, e.unit) or "(no interval)"
            when = (
                f"half {'would have' if ends else 'had'} returned to full climbing by day "
                f"{number(e.value, e.unit)} {limits} ({_level(e)})"
                f"{' if nobody had been operated on or had given up' if ends else ''}"
            )
        n = informative.get(e.group, e.n_episodes)
        silent = f", {n} of which say something about it" if n != e.n_episodes else ""
        lines.append(f"{group}: {when}; {_n(e)}{silent}.")
    return tuple(lines)
