"""The report: one self-contained HTML page, readable on a phone, on a screen and on paper."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
import pandas as pd

from cohortkit import __version__
from cohortkit.cohort.analysis_sets import AnalysisSet
from cohortkit.cohort.release import Release
from cohortkit.cohort.writing import atomic_write
from cohortkit.display import number
from cohortkit.figures import style, words
from cohortkit.report import answers as questions
from cohortkit.report.answer import Answer, estimate_rows
from cohortkit.report.figure_words import CAPTIONS, alt_text
from cohortkit.report.grid import Table, text_table
from cohortkit.report.plan import Plan, read_plan
from cohortkit.report.record_tables import record_tables
from cohortkit.report.stamp import SAFETY, footer, stamp, versions
from cohortkit.report.table1 import NOTE, table1

_PX_PER_PT = 96 / 72
_NARROW_PX = 500  # between a figure of one column and one of two
_SIZE = re.compile(
    rb'<svg[^>]*?width="([\d.]+)pt"[^>]*?height="([\d.]+)pt"|'
    rb'<svg[^>]*?height="([\d.]+)pt"[^>]*?width="([\d.]+)pt"'
)

ABOUT = (
    "This page answers the questions of the analysis plan from one frozen release of pooled "
    "finger-pulley ultrasound readings. The gap is the distance from the flexor tendons to the "
    "bone (A2, A4) or to the volar plate (A3), in mm. Every number stands with its interval, the "
    "number of participants it rests on, and the cautions that belong to it."
)
UNITS = ("participants", "fingers", "episodes", "readings")
TRACE = (
    "Beside every figure lie three files of the same name: a CSV with the number behind each mark, "
    "a JSON stamp with the hashes of release and plan, the seed and the software, and the picture.",
    "Every number in a sentence has an id in numbers_in_text.csv, with its full precision and "
    "method.",
    "The stamp names the analysis set and its settings. The same call on the release gives the rows "
    "behind the estimate, each with its id code.",
    "provenance.csv in the release leads from table and id code to the site, the source, the hash "
    "of the clinic's file and the line in it.",
    "The clinic opens that line of its own file. Only the clinic can turn a code back into its id.",
)
_LOADS = {"rest": "at rest", "loaded": "under load"}


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("report.html.j2")


def write_report(
    release: Release,
    target: str | Path,
    *,
    plan: Plan | None = None,
    answers: Mapping[str, Answer] | None = None,
    figures: str | Path | None = None,
) -> Path:
    """Write the report of a release.

    Parameters
    ----------
    release
        An open release.
    target
        The HTML file to write; in a folder, ``report.html`` is written.
    plan
        The analysis plan; the shipped one if not given.
    answers
        From `answers.answer_all`, if they are at hand; else they are computed.
    figures
        Folder in which figures of the same release, plan and software may already
        lie; those are taken, others are drawn.

    Returns
    -------
    Path
        The file written. It holds its figures and needs no network.
    """
    used = plan or read_plan()
    at_hand = questions.answer_all(release, used) if answers is None else answers
    folder = None if figures is None else Path(figures)
    pictures = {name: _picture(answer, release, used, folder) for name, answer in at_hand.items()}
    path = Path(target)
    if path.is_dir():
        path = path / "report.html"
    path.parent.mkdir(parents=True, exist_ok=True)
    atomic_write(path, render(release, used, at_hand, pictures).encode("utf-8"))
    return path


def _picture(answer: Answer, release: Release, plan: Plan, folder: Path | None) -> bytes:
    """The SVG of an answer: the one in `folder` if its stamp is ours, else a new one."""
    if folder is not None:
        drawn, said = folder / f"{answer.name}.svg", folder / f"{answer.name}.json"
        ours = style.plain(stamp(answer, release, plan))
        if drawn.is_file() and said.is_file() and json.loads(said.read_text("utf-8")) == ours:
            return drawn.read_bytes()
    lines, width = footer(answer, release, plan), plan.widths.get(answer.name)
    return style.picture(questions.figure(answer, lines, width), "svg")


def render(
    release: Release,
    plan: Plan,
    answers: Mapping[str, Answer],
    pictures: Mapping[str, bytes],
) -> str:
    """The page as text. Every value is escaped; pictures are inlined.

    Parameters
    ----------
    release, plan, answers
        As in `write_report`.
    pictures
        SVG bytes by name of the answer.
    """
    everybody = len(release.tables["participants"])
    sections = [
        _section(i, answer, pictures[name], everybody)
        for i, (name, answer) in enumerate(answers.items(), start=1)
    ]
    flow, *rest = sections
    contents = [
        ("about", "What this is, and what it is not"),
        ("release", "The release"),
        ("flow", "From records read to the rows behind each answer"),
        ("table1", "Table 1: the participants"),
        *((str(s["id"]), str(s["question"])) for s in rest),
        ("methods", "Methods, as computed"),
        ("trace", "How to trace a number"),
    ]
    return _template().render(
        title=plan.title,
        label=release.label,
        version=__version__,
        notices=list(release.notices),
        contents=[{"id": anchor, "title": title} for anchor, title in contents],
        about=ABOUT,
        safety=SAFETY,
        stamp=_stamp_table(release, plan),
        flow=flow | {"tables": [*record_tables(release), *flow["tables"]]},
        table1=text_table("Participants by injury", table1(release, plan)),
        table1_note=NOTE.format(smallest=plan.smallest_count),
        answers=rest,
        methods=_methods(release, plan),
        method_table=_method_table(answers.values()),
        versions=Table("Software", ["software", "version"], [list(v) for v in versions().items()]),
        trace=TRACE,
        footer=" ".join(SAFETY[:1]) + f" Release {release.label}, plan {plan.sha256[:12]}.",
    )


def _section(place: int, answer: Answer, svg: bytes, everybody: int) -> dict[str, Any]:
    """What the template shows of one answer."""
    width, height = _size(svg)
    return {
        "id": answer.name,
        "question": answer.question,
        "findings": answer.findings,
        "cautions": answer.cautions,
        "tables": _answer_tables(answer, everybody),
        "figure": {
            "number": place,
            "data_uri": "data:image/svg+xml;base64," + base64.b64encode(svg).decode("ascii"),
            "alt": alt_text(answer),
            "caption": CAPTIONS[answer.name],
            "width": width,
            "height": height,
            "narrow": width < _NARROW_PX,
        },
    }


def _size(svg: bytes) -> tuple[int, int]:
    """Width and height of an SVG in CSS pixels."""
    match = _SIZE.search(svg)
    if match is None:
        return 692, 400
    width, height = (float(g) for g in match.groups() if g is not None)
    if match.group(1) is None:
        width, height = height, width
    return round(width * _PX_PER_PT), round(height * _PX_PER_PT)


def _answer_tables(answer: Answer, everybody: int) -> list[Table]:
    tables = []
    if "estimates" in answer.tables:
        by_stratum = _told(answer.tables["estimates"]).groupby("stratum", sort=False)
        tables += [Table(f"Estimates: {s}", *estimate_rows(part)) for s, part in by_stratum]
    lost = answer.tables.get("not_estimated")
    if lost is not None and len(lost):
        tables.append(text_table("Not estimated, and why", lost))
    for result in answer.results:
        at_risk = getattr(result, "at_risk", None)
        if isinstance(at_risk, pd.DataFrame) and len(at_risk):
            tables.append(_risk_table(f"Numbers at risk: {result.question}", at_risk))
    names = answer.set_names or tuple(one.question for one in answer.sets)
    if answer.name != questions.FLOW:
        tables += [
            _set_table(name, one, everybody) for name, one in zip(names, answer.sets, strict=True)
        ]
    return tables


def _told(estimates: pd.DataFrame) -> pd.DataFrame:
    """The estimates that the page lists.

    A decision study has three figures for each plan; the page has the one in mm. The
    repeatability and reproducibility coefficients are smallest detectable changes by
    another name.
    """
    long = estimates["estimator"].eq("decision_study") & estimates["name"].ne("sdc")
    same = estimates["name"].str.contains("_coefficient")
    return estimates[~long & ~same]


def _risk_table(caption: str, at_risk: pd.DataFrame) -> Table:
    shown = at_risk.assign(
        group=[words.group(str(group)) for group in at_risk["group"]],
        day=[number(float(day), "d") for day in at_risk["day"]],
    )
    return text_table(caption, shown)


def _set_table(name: str, chosen: AnalysisSet, everybody: int) -> Table:
    """Who is in a set and who was left out; rules that left nobody out are named together."""
    flow = chosen.flow
    units = [unit for unit in UNITS if unit in flow and flow[unit].notna().any()]
    rows, idle = [], []
    for step in flow.to_dict("records"):
        reason = "" if pd.isna(step["reason"]) else words.left_out(str(step["reason"]))
        n = [int(step[unit]) for unit in units]
        if reason and not any(n):
            idle.append(reason)
        else:
            head = f"left out: {reason}" if reason else str(step["step"])
            rows.append([head, *(str(k) for k in n)])
    if idle:
        rows.insert(-1, ["nobody left out by: " + "; ".join(idle), *("0" for _ in units)])
    outside = everybody - int(flow["participants"].iloc[0])
    note = (
        f"Not counted here: {outside} of the {everybody} participants of the release, "
        f"{_without(chosen)}."
    )
    return Table(f"Who is in the set: {name}", ["step", *units], rows, note if outside > 0 else "")


def _without(chosen: AnalysisSet) -> str:
    """What participants lack who do not even stand at the start of a set."""
    pulley = str(chosen.settings.get("pulley"))
    load = _LOADS.get(str(chosen.settings.get("load")), "")
    return {
        "readings": "without a reading",
        "reference_population": f"without a reading of {pulley} {load}",
        "graded_tears": f"without an injury in which the state of {pulley} was recorded",
        "outcomes": "without an injury episode",
    }.get(chosen.question, "without what the set asks about")


def _stamp_table(release: Release, plan: Plan) -> Table:
    rows = [
        ["Release", release.release_hash],
        ["Table format", release.schema_version],
        ["Sites", ", ".join(release.sites)],
        ["Analysis plan (SHA-256)", plan.sha256],
        ["Seed", str(plan.seed)],
        ["Bootstrap resamples of participants", str(plan.bootstrap_samples)],
        ["Coverage of intervals, unless said otherwise", f"{100 * plan.level:g} %"],
    ]
    return Table("What every number on this page rests on", ["what", "value"], rows)


def _methods(release: Release, plan: Plan) -> list[str]:
    used = versions()
    return [
        f"The plan '{plan.title}' was read by cohortkit {__version__} and carried out on release "
        f"{release.label} (table format {release.schema_version}) with Python {used['python']}, "
        f"numpy {used['numpy']}, pandas {used['pandas']} and scipy {used['scipy']}.",
        "Readings of one finger and fingers of one participant are not independent. Intervals are "
        "made over participants; the table below says how for each number. Pulleys, load states "
        "and reference structures are not pooled. Adults only, unless a set says otherwise.",
        f"Wherever random numbers are used the seed is {plan.seed}; bootstrap intervals use "
        f"{plan.bootstrap_samples} resamples of participants. Random numbers come from numpy's "
        "SeedSequence, one child per replicate, so that the number of workers changes nothing.",
        "Grades are derived from the tear status of each pulley by the published rules "
        f"{words.rule_set(plan.outcomes.rule_set)}, not stored. Treatment was not randomised: "
        "every comparison of grades or treatments is associational.",
    ]


def _method_table(answers: Iterable[Answer]) -> Table:
    rows: dict[tuple[str, str], list[str]] = {}
    for answer in answers:
        for e in _told(answer.tables["estimates"]).to_dict("records") if answer.results else []:
            names = rows.setdefault((str(e["estimator"]), str(e["method"])), [])
            names.append(words.estimate(str(e["name"]), str(e["estimator"])))
    listed = [
        [words.estimator(estimator), "; ".join(dict.fromkeys(names)), words.plain(method)]
        for (estimator, method), names in rows.items()
    ]
    return Table("How each number was computed", ["from", "estimates", "method"], listed)
