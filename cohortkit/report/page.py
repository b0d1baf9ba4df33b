"""The report: one self-contained HTML page, readable on a phone, on a screen and on paper."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
import pandas as pd

from cohortkit import __version__
from cohortkit.cohort.release import Release
from cohortkit.cohort.writing import atomic_write
from cohortkit.display import number
from cohortkit.figures import style
from cohortkit.figures.flow import reason_words
from cohortkit.report import answers as questions
from cohortkit.report.answer import Answer, estimate_rows, words
from cohortkit.report.plan import Plan, read_plan
from cohortkit.report.stamp import SAFETY, footer, stamp, versions
from cohortkit.report.table1 import NOTE, table1
from cohortkit.tables.rules import rule_entries

_PX_PER_PT = 96 / 72
_SIZE = re.compile(
    rb'<svg[^>]*?width="([\d.]+)pt"[^>]*?height="([\d.]+)pt"|<svg[^>]*?height="([\d.]+)pt"[^>]*?width="([\d.]+)pt"'
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
    "Every number in a sentence has an id in numbers_in_text.csv, with its full precision and method.",
    "The stamp names the analysis set and its settings. The same call on the release gives the rows "
    "behind the estimate, each with its id code.",
    "provenance.csv in the release leads from table and id code to the site, the source, the hash "
    "of the clinic's file and the line in it.",
    "The clinic opens that line of its own file. Only the clinic can turn a code back into its id.",
)
ALT = {
    questions.FLOW: "Flow diagram of records and analysis sets.",
    questions.AGREEMENT: "Differences of two raters against their mean, and forests of ICC forms "
    "and of measurement errors.",
    questions.REFERENCE: "Histograms of the gaps of uninjured adults with reference limits.",
    questions.THRESHOLDS: "ROC curves, sensitivity and specificity by cut, and the cut without each "
    "site.",
    questions.OUTCOMES: "Share returned to full climbing over the days since onset, by grade, with "
    "numbers at risk.",
    questions.RELIABILITY: "Shares of variance, standard deviations of its sources, smallest "
    "detectable change by raters and readings, and the shift of each rater.",
}
CAPTIONS = {
    questions.FLOW: "Records read, and the rows behind the first stratum of each question.",
    questions.AGREEMENT: "Limits of agreement of two raters (dashed) with their intervals (grey); "
    "ICC in both naming systems; standard error of measurement (SEM) and smallest detectable "
    "change (SDC).",
    questions.REFERENCE: "Values of adults without an injury episode of any finger, one per "
    "participant; limits (dashed) with the interval of each (grey).",
    questions.THRESHOLDS: "ROC curve; accuracy over all cuts; the cut with the highest sum of "
    "sensitivity and specificity, and the same without each site.",
    questions.OUTCOMES: "Left, the return known only between two visits; the curve is not defined "
    "in the shaded boxes. Right, each return placed on the visit that found it, which is late.",
    questions.RELIABILITY: "Sources of variance; smallest detectable change of the mean of several "
    "raters and readings, with intervals; each rater's shift, drawn towards the mean.",
}


@dataclass(frozen=True)
class Table:
    """A table of text for the page."""

    caption: str
    headings: list[str]
    rows: list[list[str]]


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
    notices: Sequence[str] = (),
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
    notices
        Lines shown at the top, such as that all data are invented.

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
    atomic_write(path, render(release, used, at_hand, pictures, notices).encode("utf-8"))
    return path


def _picture(answer: Answer, release: Release, plan: Plan, folder: Path | None) -> bytes:
    """The SVG of an answer: the one in `folder` if its stamp is ours, else a new one."""
    if folder is not None:
        drawn, said = folder / f"{answer.name}.svg", folder / f"{answer.name}.json"
        ours = style.plain(stamp(answer, release, plan))
        if drawn.is_file() and said.is_file() and json.loads(said.read_text("utf-8")) == ours:
            return drawn.read_bytes()
    return style.picture(questions.figure(answer, footer(answer, release, plan)), "svg")


def render(
    release: Release,
    plan: Plan,
    answers: Mapping[str, Answer],
    pictures: Mapping[str, bytes],
    notices: Sequence[str] = (),
) -> str:
    """The page as text. Every value is escaped; pictures are inlined.

    Parameters
    ----------
    release, plan, answers, notices
        As in `write_report`.
    pictures
        SVG bytes by name of the answer.
    """
    sections = [
        _section(i, answer, pictures[name])
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
        notices=list(notices),
        contents=[{"id": anchor, "title": title} for anchor, title in contents],
        about=ABOUT,
        safety=SAFETY,
        stamp=_stamp_table(release, plan),
        flow=flow | {"tables": [_sites_table(release), _refusals_table(release), *flow["tables"]]},
        table1=_text_table("Participants by injury", table1(release, plan)),
        table1_note=NOTE.format(smallest=plan.smallest_count),
        answers=rest,
        methods=_methods(release, plan),
        method_table=_method_table(answers.values()),
        versions=Table("Software", ["software", "version"], [list(v) for v in versions().items()]),
        trace=TRACE,
        footer=" ".join(SAFETY[:1]) + f" Release {release.label}, plan {plan.sha256[:12]}.",
    )


def _section(place: int, answer: Answer, svg: bytes) -> dict[str, Any]:
    """What the template shows of one answer."""
    width, height = _size(svg)
    return {
        "id": answer.name,
        "question": answer.question,
        "findings": answer.findings,
        "cautions": answer.cautions,
        "tables": _answer_tables(answer),
        "figure": {
            "number": place,
            "data_uri": "data:image/svg+xml;base64," + base64.b64encode(svg).decode("ascii"),
            "alt": " ".join((ALT[answer.name], *answer.findings)),
            "caption": CAPTIONS[answer.name],
            "width": width,
            "height": height,
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


def _text_table(caption: str, frame: pd.DataFrame) -> Table:
    """A table as text; missing cells are empty, codes lose their underscores in headings."""
    cells = frame.astype("string").fillna("")
    headings = [str(name).replace("_", " ") for name in frame.columns]
    return Table(caption, headings, cells.to_numpy().tolist())


def _answer_tables(answer: Answer) -> list[Table]:
    tables = []
    if "estimates" in answer.tables:
        estimates = answer.tables["estimates"]
        # A decision study has three figures for each plan; the page shows the one in mm.
        long = estimates["estimator"].eq("decision_study") & estimates["name"].ne("sdc")
        by_stratum = estimates[~long].groupby("stratum", sort=False)
        tables += [Table(f"Estimates: {s}", *estimate_rows(part)) for s, part in by_stratum]
    lost = answer.tables.get("not_estimated")
    if lost is not None and len(lost):
        tables.append(_text_table("Not estimated, and why", lost))
    for result in answer.results:
        at_risk = getattr(result, "at_risk", None)
        if isinstance(at_risk, pd.DataFrame) and len(at_risk):
            tables.append(_risk_table(f"Numbers at risk: {result.question}", at_risk))
    names = answer.set_names or tuple(one.question for one in answer.sets)
    if answer.name != questions.FLOW:
        tables += [_set_table(name, one.flow) for name, one in zip(names, answer.sets, strict=True)]
    return tables


def _risk_table(caption: str, at_risk: pd.DataFrame) -> Table:
    shown = at_risk.assign(
        group=at_risk["group"].astype("string").str.replace("=", " "),
        day=[number(float(day), "d") for day in at_risk["day"]],
    )
    return _text_table(caption, shown)


def _set_table(name: str, flow: pd.DataFrame) -> Table:
    """Who is in a set and who was left out; rules that left nobody out are named together."""
    units = [unit for unit in UNITS if unit in flow and flow[unit].notna().any()]
    rows, idle = [], []
    for step in flow.to_dict("records"):
        words = "" if pd.isna(step["reason"]) else reason_words(str(step["reason"]))
        n = [int(step[unit]) for unit in units]
        if words and not any(n):
            idle.append(words)
        else:
            head = f"left out: {words}" if words else str(step["step"])
            rows.append([head, *(str(k) for k in n)])
    if idle:
        rows.insert(-1, ["nobody left out by: " + "; ".join(idle), *("0" for _ in units)])
    return Table(f"Who is in the set: {name}", ["step", *units], rows)


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


def _sites_table(release: Release) -> Table:
    flow = release.flow
    records = flow[flow["unit"] == "records"]
    steps = ["read", "accepted", "refused", "blank"]
    wide = records.groupby(["site_id", "step"])["n"].sum().unstack("step").reindex(columns=steps)
    rows = [[str(site), *(str(int(n)) for n in row)] for site, row in wide.fillna(0).iterrows()]
    return Table("Records by site: read = accepted + refused + blank", ["site", *steps], rows)


def _refusals_table(release: Release) -> Table:
    sentences = {rule.id: rule.sentence for rule in rule_entries()}
    counts = release.refusals
    sites = sorted(counts["site_id"].astype(str).unique())
    wide = counts.groupby(["severity", "code", "site_id"], sort=True)["n"].sum().unstack("site_id")
    rows = []
    for r in wide.fillna(0).reset_index().to_dict("records"):
        done = "refused" if r["severity"] == "refuse" else "warning, kept"
        reason = str(r["code"]).replace("_", " ")
        rows.append([reason, done, *(str(int(r[site])) for site in sites)])
        rows[-1].append(sentences.get(str(r["code"]), ""))
    caption = "Problems by reason and site; a record can have several"
    return Table(caption, ["reason", "what happened", *sites, "the rule"], rows)


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
        f"Grades are derived from the tear status of each pulley by the rule set "
        f"{plan.outcomes.rule_set}, not stored. Treatment was not randomised: every comparison of "
        "grades or treatments is associational.",
    ]


def _method_table(answers: Iterable[Answer]) -> Table:
    rows: dict[tuple[str, str], list[str]] = {}
    for answer in answers:
        for e in answer.tables.get("estimates", pd.DataFrame()).to_dict("records"):
            names = rows.setdefault((str(e["estimator"]), str(e["method"])), [])
            names.append(words(str(e["name"])))
    listed = [
        [estimator.replace("_", " "), ", ".join(dict.fromkeys(names)), method]
        for (estimator, method), names in rows.items()
    ]
    return Table("How each number was computed", ["estimator", "estimates", "method"], listed)
