"""What stands under a figure, and what it says to those who cannot see it."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from cohortkit.display import interval, number, p_value
from cohortkit.figures import marks, words
from cohortkit.report.answer import (
    AGREEMENT,
    ASSUMPTIONS,
    FLOW,
    OUTCOMES,
    REFERENCE,
    RELIABILITY,
    THRESHOLDS,
    Answer,
)

CAPTIONS = {
    FLOW: "Records read, what became of them, and the rows behind the first stratum of each "
    "question. A refused record counts once, under the first reason found for it.",
    AGREEMENT: "Limits of agreement of two raters (dashed) with their intervals (grey); ICC in "
    "both naming systems; standard error of measurement (SEM) and smallest detectable change "
    "(SDC). Agreement counts the raters' own shifts as error, consistency leaves them out.",
    REFERENCE: "Values of adults without an injury episode of any finger, one per participant; "
    "limits (dashed) with the interval of each (grey).",
    THRESHOLDS: "ROC curve; accuracy over all cuts; the cut with the highest sum of sensitivity "
    "and specificity (Youden), and the same without each site. A gap at or above a cut is positive.",
    OUTCOMES: "Left, the return known only between two visits; the curve is not defined in the "
    "shaded boxes, and its number at risk counts the episodes still followed and not known to have "
    "returned by that day: those known not to have, and those whose return lies between a visit "
    "before and a visit after it. The marks with intervals give the share returned by a stated "
    "day; they are shifted by 5 days from grade to grade so as not to overlap. Right, each return "
    "placed on the visit that found it, which is late; at risk are the episodes without return and "
    "under follow-up just before that day.",
    RELIABILITY: "Sources of variance; smallest detectable change (SDC) of the mean of several "
    "raters and readings, with intervals; shades and lines part the plans at round values of it. "
    "Each rater's shift, drawn towards the mean; on stored clips where they are part of the "
    "stratum. Site, participant, finger and scan are what is told apart; raters and the residual "
    "are error.",
    ASSUMPTIONS: "Limits of agreement hold if neither the difference nor its spread changes with "
    "the gap and the differences are normal. Each point is a participant; lines are fitted by "
    "least squares, grey is the 95 % band of the line. In the normal plot grey is where all the "
    "points of 95 in 100 samples of normal differences would lie.",
}


def alt_text(answer: Answer) -> str:
    """What the figure of an answer shows, its axes, and its main numbers.

    The numbers come from the table that the figure is drawn from.
    """
    return " ".join(_DESCRIBE[answer.name](answer.source))


def _span(values: pd.Series, unit: str) -> str:
    known = values.dropna().astype("float64")
    return f"{number(known.min(), unit)} to {number(known.max(), unit)}" if len(known) else "none"


def _value(row: marks.Row, unit: str) -> str:
    return f"{number(row['x'], unit)} {interval(row['lower'], row['upper'], unit)}".strip()


def _first(rows: pd.DataFrame) -> marks.Row | None:
    found = marks.records(rows)
    return found[0] if found else None


def _missing(rows: pd.DataFrame) -> str:
    return f"nothing to draw ({marks.reasons(rows)})."


def _flow(source: pd.DataFrame) -> list[str]:
    records = marks.pick(source, panel="records")
    n = {mark: int(part["y"].sum()) for mark, part in records.groupby("mark")}
    held = marks.records(marks.pick(source, panel="released"))
    people = marks.records(marks.pick(source, panel="people"))
    reasons = marks.records(
        marks.pick(source, panel="refused").sort_values("y", ascending=False, kind="stable")
    )
    lines = [
        "Flow diagram, read from top to bottom.",
        f"Of {n.get('read', 0)} records read from {records['series'].nunique()} sites, "
        f"{n.get('accepted', 0)} were accepted, {n.get('refused', 0)} refused and "
        f"{n.get('blank', 0)} declared blank.",
        "Released: " + ", ".join(f"{int(r['y'])} {r['mark']}" for r in held) + ".",
    ]
    if people:
        lines.append(
            "Of the participants, "
            + " and ".join(f"{int(p['y'])} come {p['label']}" for p in people)
            + "."
        )
    if reasons:
        first = "; ".join(f"{r['label']} ({int(r['y'])})" for r in reasons[:3])
        lines.append(f"Most frequent reasons for refusal: {first}.")
    sets = marks.pick(source, panel="set")
    for name in marks.series_of(sets):
        steps = marks.records(marks.pick(sets, series=name))
        lines.append(
            f"{name}: from {marks.n_text(steps[0])} at the start to {marks.n_text(steps[-1])} "
            "in the set."
        )
    return lines


def _agreement(source: pd.DataFrame) -> list[str]:
    lines = [
        "Above, one panel per stratum: difference of two raters in mm (vertical) against the mean "
        "of their two readings in mm (horizontal), with lines for bias and limits of agreement."
    ]
    for name in marks.series_of(marks.pick(source, panel="difference")):
        rows = marks.pick(source, panel="difference", series=name)
        pairs = marks.pick(rows, mark="pair")
        told = [
            f"{said} {_value(row, 'mm')}"
            for mark, said in (
                ("bias", "bias"), ("lower_limit", "lower limit"), ("upper_limit", "upper limit"),
            )
            if (row := _first(marks.pick(rows, mark=mark)))
        ]  # fmt: skip
        if told:
            lines.append(
                f"{name}: {len(pairs)} pairs, means {_span(pairs['x'], 'mm')} mm, differences "
                f"{_span(pairs['y'], 'mm')} mm; {', '.join(told)} mm."
            )
        else:
            lines.append(f"{name}: {_missing(rows)}")
    lines.append(
        "Below, points with intervals: forms of the ICC from 0 to 1 (left), and error in mm (right)."
    )
    for panel, unit in (("icc", "1"), ("error", "mm")):
        for row in marks.records(marks.pick(source, panel=panel, mark="estimate")):
            if row["label"] in ("icc_a_1", "sdc_agreement"):
                said = words.estimate(row["label"])
                lines.append(f"{row['series']}: {said} {_value(row, unit)}.")
    return lines


def _reference(source: pd.DataFrame) -> list[str]:
    lines = [
        "Histograms, one per stratum: number of uninjured adults (vertical) by gap in steps of "
        "0.1 mm (horizontal), with dashed lines at the reference limits and their intervals in grey."
    ]
    for name in marks.series_of(source):
        rows = marks.pick(source, series=name)
        bars = marks.pick(rows, mark="count")
        seen = bars[bars["y"] > 0]
        told: list[str] = []
        for mark in ("lower_limit", "upper_limit"):
            row = _first(marks.pick(rows, mark=mark))
            if row is not None and not pd.isna(row["x"]):
                told.append(f"{words.estimate(mark)} {_value(row, 'mm')} mm")
            elif row is not None:
                told.append(f"{words.estimate(mark)} too small to be seen")
        n = int(bars["y"].sum()) + int(marks.pick(rows, mark="unseen")["y"].sum())
        body = ", ".join(told) or _missing(rows)
        lines.append(f"{name}: {n} participants, gaps {_span(seen['x'], 'mm')} mm; {body}.")
    return lines


def _thresholds(source: pd.DataFrame) -> list[str]:
    lines = [
        "One row per stratum. Left, ROC curve: sensitivity (vertical) against 1 - specificity "
        "(horizontal), both 0 to 1. Middle, sensitivity and specificity (vertical, 0 to 1) by cut "
        "in mm (horizontal). Right, the best cut in mm of all sites and without each site."
    ]
    for name in marks.series_of(source):
        rows = marks.pick(source, series=name)
        auc = _first(marks.pick(rows, mark="auc"))
        if auc is None:
            lines.append(f"{name}: {_missing(rows)}")
            continue
        told = [f"area under the ROC curve {_value(auc, '1')}, {marks.n_text(auc)}"]
        stated = marks.pick(rows, mark="stated_cut")["x"].iloc[0]
        told.append(f"stated cut {number(stated, 'mm')} mm")
        best = _first(marks.pick(rows, panel="cut", mark="cut_point"))
        if best:
            told.append(f"best cut {_value(best, 'mm')} mm")
        sites = marks.pick(rows, panel="sites", mark="cut_point")
        if len(sites):
            told.append(f"without one site {_span(sites['x'], 'mm')} mm")
        lines.append(f"{name}: {'; '.join(told)}.")
    return lines


def _outcomes(source: pd.DataFrame) -> list[str]:
    days = marks.pick(source, mark="at_risk")["x"]
    lines = [
        "Two panels: share returned to full climbing (vertical, 0 to 1) against days since onset "
        f"(horizontal, {_span(days, 'd')}), a line for each grade, numbers at risk below. Left, the "
        "return known between visits only; right, on the days of the visits."
    ]
    for panel, said in (("turnbull", "Between visits"), ("kaplan_meier", "Days of the visits")):
        rows = marks.pick(source, panel=panel)
        if marks.pick(rows, mark="group").empty:
            lines.append(f"{said}: {_missing(rows)}")
            continue
        told = []
        for row in marks.records(marks.pick(rows, mark="median")):
            shares = marks.pick(rows, mark="share", series=row["series"]).sort_values("y")
            by = ", ".join(
                f"{number(s['x'], '1')} by day {number(s['y'], 'd')}" for s in marks.records(shares)
            )
            told.append(f"{row['series']}: half by day {_value(row, 'd')}, share {by}")
        lines.append(f"{said}. {'; '.join(told)}.")
    return lines


def _reliability(source: pd.DataFrame) -> list[str]:
    lines = [
        "Top left, stacked bars: share of the variance of each source (horizontal, 0 to 1). Top "
        "right, the same as standard deviations in mm with intervals. Middle, smallest detectable "
        "change in mm by number of raters (horizontal) and of readings by each (vertical). Bottom, "
        "each rater's shift from the mean in mm (horizontal), raters in order (vertical)."
    ]
    for name in marks.series_of(source):
        rows = marks.pick(source, series=name)
        shares = marks.pick(rows, panel="variance", mark="share").sort_values(
            "x", ascending=False, kind="stable"
        )
        if shares.empty:
            lines.append(f"{name}: {_missing(rows)}")
            continue
        largest = ", ".join(
            f"{words.COMPONENTS[r['label']]} {100 * r['x']:.0f} %"
            for r in marks.records(shares.head(3))
        )
        lines.append(f"{name}: largest shares of variance {largest}.")
        plans = marks.records(marks.pick(rows, panel="decision", mark="plan"))
        if plans:
            ends = [
                f"{number(float(p['label']), 'mm')} {interval(p['lower'], p['upper'], 'mm')} mm with "
                + words.group(f"raters={int(p['x'])}; reads={int(p['y'])}")
                for p in (plans[0], plans[-1])
            ]
            lines.append(f"Smallest detectable change {' and '.join(ends)}.")
        effects = marks.pick(rows, panel="raters", mark="effect")
        if len(effects):
            lines.append(f"Shifts of {len(effects)} raters {_span(effects['x'], 'mm')} mm.")
    return lines


def _assumptions(source: pd.DataFrame) -> list[str]:
    lines = [
        "Three panels per stratum: difference of two raters in mm (vertical) against the mean of "
        "their readings in mm (horizontal), with fitted line; distance from that line (vertical) "
        "against the same mean (horizontal), with fitted line; differences in order (vertical) "
        "against those expected if normal (horizontal), with band."
    ]
    for name in marks.series_of(source):
        rows = marks.pick(source, series=name)
        checks = {r["panel"]: r for r in marks.records(marks.pick(rows, mark="check"))}
        told = [
            f"slope of the {said} {_value(checks[panel], 'mm')} ({p_value(checks[panel]['y'])})"
            for panel, said in (("bias", "difference"), ("spread", "distance"))
            if panel in checks
        ]
        if "normal" in checks:
            w = checks["normal"]
            told.append(f"Shapiro-Wilk W {number(w['x'], '1')} ({p_value(w['y'])})")
        n = len(marks.pick(rows, panel="spread", mark="point"))
        body = f"{n} participants; {', '.join(told)}." if told else _missing(rows)
        lines.append(f"{name}: {body}")
    return lines


_DESCRIBE: dict[str, Callable[[pd.DataFrame], list[str]]] = {
    FLOW: _flow,
    AGREEMENT: _agreement,
    REFERENCE: _reference,
    THRESHOLDS: _thresholds,
    OUTCOMES: _outcomes,
    RELIABILITY: _reliability,
    ASSUMPTIONS: _assumptions,
}
