"""The questions of the plan, each answered from a release; and their figures."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from cohortkit import agreement, outcomes, reference, thresholds
from cohortkit.cohort.analysis_sets import AnalysisSet
from cohortkit.cohort.release import Release
from cohortkit.figures import agreement as agreement_figure
from cohortkit.figures import assumptions as assumptions_figure
from cohortkit.figures import flow as flow_figure
from cohortkit.figures import outcomes as outcomes_figure
from cohortkit.figures import reference as reference_figure
from cohortkit.figures import reliability as reliability_figure
from cohortkit.figures import style
from cohortkit.figures import thresholds as thresholds_figure
from cohortkit.figures.style import Figure
from cohortkit.report import findings
from cohortkit.report.answer import (
    AGREEMENT,
    ASSUMPTIONS,
    FLOW,
    OUTCOMES,
    REFERENCE,
    RELIABILITY,
    THRESHOLDS,
    Answer,
    attempt,
    gather,
)
from cohortkit.report.chosen import (
    agreement_set,
    most_shared_raters,
    reference_set,
    threshold_set,
)
from cohortkit.report.figure_words import alt_text
from cohortkit.report.grras import grras, write_checklist
from cohortkit.report.numbers import numbers_in_text
from cohortkit.report.plan import AgreementPlan, Plan, ReliabilityPlan, ThresholdPlan, read_plan
from cohortkit.report.stamp import footer, stamp
from cohortkit.report.table1 import table1
from cohortkit.report.written import write_table

__all__ = [
    "Answer",
    "Plan",
    "alt_text",
    "answer_agreement",
    "answer_all",
    "answer_assumptions",
    "answer_flow",
    "answer_outcomes",
    "answer_reference",
    "answer_reliability",
    "answer_thresholds",
    "draw",
    "draw_all",
    "grras",
    "numbers_in_text",
    "read_plan",
    "table1",
    "write_checklist",
    "write_table",
]

Found = dict[tuple[str, str], Any]

_DRAW: dict[str, Callable[..., Figure]] = {
    FLOW: flow_figure.draw,
    AGREEMENT: agreement_figure.draw,
    REFERENCE: reference_figure.draw,
    THRESHOLDS: thresholds_figure.draw,
    OUTCOMES: outcomes_figure.draw,
    RELIABILITY: reliability_figure.draw,
    ASSUMPTIONS: assumptions_figure.draw,
}


def answer_flow(release: Release, plan: Plan) -> Answer:
    """From records read to the rows behind each answer.

    The sets shown are those of the first stratum of each question.
    """
    chosen = {
        f"Agreement: {plan.agreement[0].name}": agreement_set(release, plan, 0),
        f"Reference range: {plan.reference[0].name}": reference_set(release, plan, 0),
        f"Threshold: {plan.thresholds[0].name}": threshold_set(release, plan.thresholds[0]),
        "Return to climbing": release.outcomes(rule_set=plan.outcomes.rule_set),
    }
    flow, people = release.flow, _people(release)
    return Answer(
        name=FLOW,
        notices=release.notices,
        question="How did the records become the rows behind each answer?",
        results=(),
        sets=tuple(chosen.values()),
        set_names=tuple(chosen),
        tables={"flow": flow, "refusals": release.refusals}
        | {title: one.flow for title, one in chosen.items()},
        source=flow_figure.source(flow, {title: one.flow for title, one in chosen.items()}, people),
        findings=findings.flow(flow, people),
    )


def _people(release: Release) -> dict[str, int]:
    """Participants who have what the sets start from."""
    read = release.tables["readings"].merge(release.tables["scans"], on="scan_id")
    hurt = release.tables["episodes"]
    return {
        "with a reading": int(read["participant_id"].nunique()),
        "with an injury episode": int(hurt["participant_id"].nunique()),
    }


def answer_agreement(release: Release, plan: Plan) -> Answer:
    """How repeatable the measurement is, per stratum of the plan."""
    sets: list[AnalysisSet] = []
    parts: dict[str, tuple[Any, Any]] = {}
    found: Found = {}
    for i, stratum in enumerate(plan.agreement):
        chosen = agreement_set(release, plan, i)
        limits = _limits(chosen, stratum, plan)
        icc = attempt(agreement.icc, chosen, level=plan.level, missing="drop")
        sets.append(chosen)
        parts[stratum.name] = (limits, icc)
        found |= {(stratum.name, "limits"): limits, (stratum.name, "icc"): icc}
    return Answer(
        name=AGREEMENT,
        notices=release.notices,
        question="How repeatable is the measurement?",
        sets=tuple(sets),
        set_names=tuple(parts),
        source=agreement_figure.source(parts),
        findings=tuple(findings.agreement(name, *two) for name, two in parts.items()),
        **gather(found),
    )


def _limits(chosen: AnalysisSet, stratum: AgreementPlan, plan: Plan) -> Any:
    return attempt(
        agreement.limits_of_agreement,
        chosen,
        raters=most_shared_raters(chosen.rows),
        coverage=stratum.coverage,
        level=plan.level,
        missing="drop",
    )


def answer_assumptions(release: Release, plan: Plan) -> Answer:
    """Whether the limits of agreement suit the differences, per stratum of the plan."""
    sets: list[AnalysisSet] = []
    parts: dict[str, Any] = {}
    for i, stratum in enumerate(plan.agreement):
        chosen = agreement_set(release, plan, i)
        limits = _limits(chosen, stratum, plan)
        how = {"level": plan.level, "seed": plan.seed}
        known = not isinstance(limits, str)
        sets.append(chosen)
        parts[stratum.name] = (
            attempt(agreement.limit_assumptions, limits, **how) if known else limits
        )
    return Answer(
        name=ASSUMPTIONS,
        notices=release.notices,
        question="Do the limits of agreement suit the differences?",
        sets=tuple(sets),
        set_names=tuple(parts),
        source=assumptions_figure.source(parts),
        findings=tuple(findings.assumptions(name, result) for name, result in parts.items()),
        **gather({(name, "limit_assumptions"): result for name, result in parts.items()}),
    )


def answer_reference(release: Release, plan: Plan) -> Answer:
    """Which gaps are usual in uninjured adults, per stratum of the plan.

    Uninjured is an adult without an injury episode of any finger.
    """
    sets: list[AnalysisSet] = []
    parts: dict[str, tuple[pd.DataFrame, Any]] = {}
    found: Found = {}
    for i, stratum in enumerate(plan.reference):
        chosen = reference_set(release, plan, i)
        result = attempt(
            reference.reference_interval,
            chosen,
            coverage=stratum.coverage,
            sides=stratum.sides,
            level=stratum.level,
        )
        sets.append(chosen)
        parts[stratum.name] = (chosen.rows, result)
        found[stratum.name, "reference_interval"] = result
    return Answer(
        name=REFERENCE,
        notices=release.notices,
        question="Which gaps are usual in uninjured adults?",
        sets=tuple(sets),
        set_names=tuple(parts),
        source=reference_figure.source(parts),
        findings=tuple(
            findings.reference(stratum, parts[stratum.name][1]) for stratum in plan.reference
        ),
        **gather(found),
    )


def answer_thresholds(release: Release, plan: Plan) -> Answer:
    """Which gap tells the target tears from the others, per stratum of the plan.

    Beside the accuracy of the rows at hand stands the one corrected for partial
    verification, from all rows with a gap, which are a set of their own.
    """
    sets: dict[str, AnalysisSet] = {}
    parts: dict[str, thresholds_figure.ThresholdStratum] = {}
    found: Found = {}
    for stratum in plan.thresholds:
        chosen = threshold_set(release, stratum)
        every = threshold_set(release, stratum, us_gap="keep")
        results = _threshold_results(chosen, every, stratum, plan)
        sets |= {stratum.name: chosen, f"{stratum.name}, corrected for verification": every}
        parts[stratum.name] = thresholds_figure.ThresholdStratum(
            roc=results["roc"],
            cut=results["youden_cut"],
            stated_cut=stratum.stated_cut_mm,
            target=" or ".join(stratum.positive) + " tear",
        )
        found |= {(stratum.name, estimator): r for estimator, r in results.items()}
    return Answer(
        name=THRESHOLDS,
        notices=release.notices,
        question="Which gap tells a torn pulley from the rest?",
        sets=tuple(sets.values()),
        set_names=tuple(sets),
        source=thresholds_figure.source(parts),
        findings=tuple(
            findings.threshold(stratum, {e: r for (s, e), r in found.items() if s == stratum.name})
            for stratum in plan.thresholds
        ),
        **gather(found),
    )


def _threshold_results(
    chosen: AnalysisSet, every: AnalysisSet, stratum: ThresholdPlan, plan: Plan
) -> dict[str, Any]:
    common: dict[str, Any] = {"positive": stratum.positive, "negative": stratum.negative}
    common |= {"level": plan.level, "missing": "drop"}
    own = common | {"circular": stratum.us_gap}
    cut = stratum.stated_cut_mm
    resamples = {"n_boot": plan.bootstrap_samples, "seed": plan.seed}
    return {
        "roc": attempt(thresholds.roc, chosen, **own),
        "accuracy_at": attempt(thresholds.accuracy_at, chosen, cut, **own),
        "corrected_accuracy": attempt(thresholds.corrected_accuracy, every, cut, **common),
        "youden_cut": attempt(thresholds.youden_cut, chosen, **own, **resamples),
    }


def answer_outcomes(release: Release, plan: Plan) -> Answer:
    """When climbers return to full climbing, by grade."""
    chosen = release.outcomes(rule_set=plan.outcomes.rule_set)
    between = attempt(
        outcomes.return_to_climbing,
        chosen,
        level=plan.level,
        n_boot=plan.bootstrap_samples,
        seed=plan.seed,
    )
    visits = attempt(outcomes.kaplan_meier, chosen, level=plan.level)
    found: Found = {
        ("all grades", "return_to_climbing"): between,
        ("all grades", "kaplan_meier"): visits,
    }
    return Answer(
        name=OUTCOMES,
        notices=release.notices,
        question="When do climbers return to full climbing?",
        sets=(chosen,),
        set_names=("Return to climbing",),
        source=outcomes_figure.source(between, visits),
        findings=findings.outcome(between),
        **gather(found),
    )


def answer_reliability(release: Release, plan: Plan) -> Answer:
    """Where the error of a reading comes from, and which plan of reading is enough.

    The effects of single raters are drawn, not listed: they are about persons.
    """
    sets: list[AnalysisSet] = []
    parts: dict[str, tuple[Any, Any, Any]] = {}
    found: Found = {}
    for stratum in plan.reliability:
        both = stratum.read_mode == "both"
        chosen = _single_readings(release, stratum, None if both else stratum.read_mode)
        result, study = _reliability_results(chosen, stratum, plan)
        # Of both, the clips: there all raters read the same, as in the reliability itself.
        compared = _single_readings(release, stratum, "stored") if both else chosen
        shifts = attempt(agreement.rater_effects, compared, level=plan.level, missing="drop")
        sets.append(chosen)
        parts[stratum.name] = (result, study, shifts)
        found |= {(stratum.name, "reliability"): result, (stratum.name, "decision_study"): study}
    return Answer(
        name=RELIABILITY,
        notices=release.notices,
        question="Where does the error come from, and how many readings are enough?",
        sets=tuple(sets),
        set_names=tuple(parts),
        source=reliability_figure.source(parts),
        findings=tuple(
            findings.reliability(stratum, *parts[stratum.name][:2]) for stratum in plan.reliability
        ),
        **gather(found),
    )


def _single_readings(
    release: Release, stratum: ReliabilityPlan, read_mode: str | None
) -> AnalysisSet:
    return release.readings(
        pulley=stratum.pulley,
        load=stratum.load,
        read_mode=read_mode,
        reads_averaged=1,
        injured=stratum.fingers == "injured",
    )


def _reliability_results(
    chosen: AnalysisSet, stratum: ReliabilityPlan, plan: Plan
) -> tuple[Any, Any]:
    """The reliability, and the decision study on it; a text where there is none."""
    result = attempt(
        agreement.reliability,
        chosen,
        level=plan.level,
        missing="drop",
        n_boot=plan.bootstrap_samples,
        seed=plan.seed,
    )
    if isinstance(result, str):
        return result, result
    study = attempt(
        agreement.decision_study,
        result,
        raters=range(1, stratum.raters + 1),
        reads=range(1, stratum.reads + 1),
        kind={"site": "agreement", "new_site": "new_site"}[stratum.raters_of],
    )
    return result, study


def answer_all(
    release: Release, plan: Plan, progress: Callable[[str], None] | None = None
) -> dict[str, Answer]:
    """Every answer, by the name of its figure."""
    steps = {
        FLOW: answer_flow,
        AGREEMENT: answer_agreement,
        REFERENCE: answer_reference,
        THRESHOLDS: answer_thresholds,
        OUTCOMES: answer_outcomes,
        RELIABILITY: answer_reliability,
        ASSUMPTIONS: answer_assumptions,
    }
    answers = {}
    for name, step in steps.items():
        if progress:
            progress(f"answering {name}")
        answers[name] = step(release, plan)
    return answers


def figure(answer: Answer, lines: Sequence[str] = (), width_mm: int | None = None) -> Figure:
    """An answer's figure, with `lines` under it, at its own width or the one given."""
    width = {} if width_mm is None else {"width_mm": width_mm}
    return _DRAW[answer.name](answer.source, lines, **width)


def draw(
    answer: Answer,
    release: Release,
    plan: Plan,
    folder: str | Path,
    formats: Sequence[str] = ("pdf", "svg", "png"),
) -> dict[str, Path]:
    """Draw an answer's figure and write it under the answer's name.

    Returns
    -------
    dict
        File ending to path: the pictures, ``csv`` (numbers behind each mark) and
        ``json`` (the stamp).
    """
    record = stamp(answer, release, plan)
    drawn = figure(answer, footer(answer, release, plan), plan.widths.get(answer.name))
    return style.save_figure(drawn, folder, answer.name, answer.source, record, formats)


def draw_all(
    release: Release,
    plan: Plan,
    folder: str | Path,
    answers: Mapping[str, Answer] | None = None,
) -> list[Path]:
    """Draw every figure and write every table, as the notebooks do, without a kernel.

    Parameters
    ----------
    release, plan
        What to answer from, and what to answer.
    folder
        Made if it is not there.
    answers
        From `answer_all`, if they are at hand; else they are computed.

    Returns
    -------
    list of Path
        Every file written, sorted.
    """
    at_hand = answer_all(release, plan) if answers is None else answers
    files: list[Path] = []
    for answer in at_hand.values():
        files += draw(answer, release, plan, folder).values()
    checklist = grras(release, plan, (at_hand[AGREEMENT], at_hand[RELIABILITY]))
    tables = {
        "table1": table1(release, plan),
        "numbers_in_text": numbers_in_text(at_hand.values()),
        "grras": checklist,
    }
    for name, table in tables.items():
        files += write_table(name, table, release, plan, folder).values()
    files.append(write_checklist(checklist, release, plan, folder))
    return sorted(files)
