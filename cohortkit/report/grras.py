"""The reporting guideline for reliability and agreement, filled in as far as an analysis can.

GRRAS: Kottner et al. J Clin Epidemiol 2011;64:96-106. The items stand here in our own
words; quote them from the paper.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from cohortkit.agreement import ReliabilityResult
from cohortkit.cohort.analysis_sets import AnalysisSet
from cohortkit.cohort.release import Release
from cohortkit.cohort.writing import atomic_write
from cohortkit.display import LEVELS, interval, number, sample_sizes, with_unit
from cohortkit.estimate import Result
from cohortkit.figures import words
from cohortkit.report.answer import Answer
from cohortkit.report.plan import Plan
from cohortkit.report.stamp import versions

COLUMNS = ("item", "part", "asks", "from_the_analysis", "where", "left_to_the_author")
_ITEMS = (
    ("1", "title and abstract", "Say there that reliability or agreement was studied"),
    ("2", "introduction", "Name and describe the device or the measurement"),
    ("3", "introduction", "Say which subjects the study is about"),
    ("4", "introduction", "Say which raters the study is about"),
    ("5", "introduction", "Say what is known, and why the study is needed"),
    ("6", "methods", "Say how the numbers of raters, subjects and replicates were chosen"),
    ("7", "methods", "Say how raters and subjects were sampled"),
    ("8", "methods", "Describe the rating: interval, information at hand, blinding"),
    ("9", "methods", "Say whether ratings were made independently"),
    ("10", "methods", "Describe the statistics"),
    ("11", "results", "Give the numbers of raters, subjects and replicates that were used"),
    ("12", "results", "Describe raters and subjects, with training"),
    ("13", "results", "Give reliability and agreement with their uncertainty"),
    ("14", "discussion", "Say what the results mean in practice"),
    ("15", "additional material", "Give detailed results, if possible"),
)
_AUTHOR = {
    "1": "all of it",
    "2": "maker, model and software of the machines; presets; how the gap is measured",
    "3": "who was asked to take part, where and when",
    "4": "which raters the result is to hold for",
    "5": "all of it",
    "6": "the numbers planned, and their reason",
    "7": "consecutive, random or convenience; who was not asked; how the raters were chosen",
    "8": "time between readings (a release holds no calendar); what raters were told; training "
    "session",
    "9": "how raters were kept from seeing each other's values",
    "10": "that the plan was fixed before the data were seen; changes from it, and why",
    "11": "why any reading that was planned is missing",
    "12": "training in this measurement",
    "13": "nothing: copy the numbers with their intervals and cautions",
    "14": "all of it: hold the error in mm against what matters clinically",
    "15": "where the files lie",
}
_NOBODY = "Not known: no reading was analysed for agreement or reliability."
_HEADLINE = (
    "icc_a_1",
    "sem_agreement",
    "sdc_agreement",
    "bias",
    "lower_limit",
    "upper_limit",
    "icc_agreement",
    "icc_agreement_new_site",
    "icc_intra",
    "sem_inter",
    "sem_inter_new_site",
    "sem_intra",
    "sdc_inter",
    "sdc_inter_new_site",
    "sdc_intra",
)


def grras(release: Release, plan: Plan, answers: Iterable[Answer]) -> pd.DataFrame:
    """One row per item: what the analysis supplies, where it stands, what the author must add.

    Parameters
    ----------
    release, plan
        What was analysed, and as what.
    answers
        The answers about agreement and reliability.

    Returns
    -------
    pandas.DataFrame
        Text columns item, part, asks, from_the_analysis, where, left_to_the_author; 15
        rows. An item without `from_the_analysis` is the author's alone.
    """
    given = list(answers)

    def files(ending: str) -> str:
        return ", ".join(f"{answer.name}{ending}" for answer in given) or "nothing"

    supplied: Mapping[str, tuple[str, str]] = {
        "2": (_devices(release, given), "release: tables/devices.csv"),
        "3": (_each(given, _eligible), "figure 1; the sets listed in the report"),
        "4": (_raters(release, given), "release: tables/raters.csv"),
        "7": (_sampling(plan), "analysis plan; the sets listed in the report"),
        "8": (_each(given, _rating), "release: tables/readings.csv"),
        "9": (_each(given, lambda s: _blinded(s, "blinded_to_prior")), "the same"),
        "10": (_statistics(release, plan), f"{files('.json')}; methods of the report"),
        "11": (_numbers(given), files(".json")),
        "12": (_people(release, given), "table1; release: tables/raters.csv"),
        "13": (_estimates(given), f"{files('')}; numbers_in_text.csv"),
        "15": (
            f"Release {release.release_hash}; the number behind each mark as a CSV beside each "
            "figure; every quotable number with an id.",
            f"{files('.csv')}; numbers_in_text.csv",
        ),
    }
    rows = [
        (item, part, asks, *supplied.get(item, ("", "")), _AUTHOR[item])
        for item, part, asks in _ITEMS
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS)).astype("string")


def checklist_markdown(table: pd.DataFrame, release: Release, plan: Plan) -> str:
    """The table as a page in Markdown, one section per item."""
    lines = [
        "# Reporting of reliability and agreement (GRRAS)",
        "",
        "Items in our own words after Kottner et al. J Clin Epidemiol 2011;64:96-106. What the "
        "analysis knows is filled in; the rest is the author's. "
        f"Release {release.label}, plan {plan.sha256[:12]}.",
        *(line for notice in release.notices for line in ("", f"**{_escaped(notice)}**")),
    ]
    for row in table.to_dict("records"):
        lines += ["", f"## {row['item']}. {row['asks']} ({row['part']})", ""]
        if row["from_the_analysis"]:
            lines += [*_paragraphs(str(row["from_the_analysis"])), f"Where: {row['where']}.", ""]
        lines.append(f"Left to the author: {row['left_to_the_author']}.")
    return "\n".join(lines) + "\n"


def write_checklist(table: pd.DataFrame, release: Release, plan: Plan, folder: str | Path) -> Path:
    """Write the page as ``grras.md``."""
    path = Path(folder) / "grras.md"
    path.parent.mkdir(parents=True, exist_ok=True)
    atomic_write(path, checklist_markdown(table, release, plan).encode("utf-8"))
    return path


def _paragraphs(text: str) -> list[str]:
    return [part for line in text.split("\n") for part in (f"- {_escaped(line)}",)] + [""]


def _escaped(text: str) -> str:
    """Codes come from clinics: nothing in them may act as markup."""
    for mark in "\\`*_[]<>|#":
        text = text.replace(mark, "\\" + mark)
    return text


def _sets(answers: list[Answer]) -> list[tuple[str, AnalysisSet]]:
    return [
        (f"{answer.name}, {name}", chosen)
        for answer in answers
        for name, chosen in zip(answer.set_names, answer.sets, strict=True)
    ]


def _each(answers: list[Answer], tell: Any) -> str:
    return "\n".join(f"{name}: {tell(chosen)}." for name, chosen in _sets(answers))


def _numbers(answers: list[Answer]) -> str:
    """What each result used, and the set that it was taken from."""
    lines = []
    for answer in answers:
        for name, chosen in zip(answer.set_names, answer.sets, strict=True):
            used = [
                f"used ({words.estimator(estimator)}): {_counts(result)}"
                for stratum, estimator, result in _results(answer)
                if stratum == name and estimator != "decision_study"
            ]
            told = "; ".join(used) or "no reading was used, since nothing was estimated"
            lines.append(f"{answer.name}, {name}: {told}. In the set: {_held(chosen)}.")
    return "\n".join(lines)


def _results(answer: Answer) -> list[tuple[str, str, Result]]:
    """Stratum, estimator and result, in the order of `results`."""
    frame = answer.tables.get("estimates", pd.DataFrame(columns=["stratum", "estimator"]))
    keys = frame[["stratum", "estimator"]].drop_duplicates().itertuples(index=False)
    return [(str(s), str(e), r) for (s, e), r in zip(keys, answer.results, strict=False)]


def _counts(result: Result) -> str:
    """The n of a result, raters first."""
    most = {
        level: max((n for e in result if (n := getattr(e, f"n_{level}")) is not None), default=None)
        for level in LEVELS
    }
    sizes = sample_sizes({f"n_{level}": n for level, n in most.items()})
    raters = _raters_of(result)
    return f"{raters} raters, {sizes}" if raters else sizes


def _raters_of(result: Result) -> int:
    """How many raters a result is about; 0 if it does not tell."""
    if isinstance(result, ReliabilityResult):
        return len(result.raters)
    if result.settings.get("raters"):
        return len(result.settings["raters"])
    anova = getattr(result, "anova", None)
    if anova is not None and (anova["source"] == "raters").any():
        return int(anova.loc[anova["source"] == "raters", "df"].iloc[0]) + 1
    return 0


def _held(chosen: AnalysisSet) -> str:
    rows = chosen.rows
    per_scan = rows.groupby("scan_id", observed=True)["rater_id"].nunique()
    repeats = rows.groupby(["scan_id", "rater_id"], observed=True).size()
    return (
        f"{rows['rater_id'].nunique()} raters, {rows['participant_id'].nunique()} participants, "
        f"{rows['finger_id'].nunique()} fingers, {rows['scan_id'].nunique()} scans, {len(rows)} "
        f"readings; {int((per_scan > 1).sum())} scans read by two or more raters, "
        f"{int((repeats > 1).sum())} read more than once by the same rater"
    )


def _eligible(chosen: AnalysisSet) -> str:
    steps = chosen.flow[chosen.flow["step"] == "left out"]["reason"].dropna().astype(str)
    return "left out where " + "; ".join(steps)


def _rating(chosen: AnalysisSet) -> str:
    modes = sorted(chosen.rows["read_mode"].dropna().astype(str).unique())
    methods = sorted(chosen.rows["load_method"].dropna().astype(str).unique())
    return (
        f"read {' and '.join(modes) or 'in a mode not recorded'}; load by "
        f"{', '.join(methods).replace('_', ' ') or 'a method not recorded'}; "
        + _blinded(chosen, "blinded_to_reference")
    )


def _blinded(chosen: AnalysisSet, column: str) -> str:
    known = chosen.rows[column].dropna()
    whom = column.removeprefix("blinded_to_").replace("prior", "earlier readings")
    whom = whom.replace("reference", "the reference standard")
    if known.empty:
        return f"blinding to {whom} not recorded"
    share = 100 * float(known.astype(bool).mean())
    return (
        f"blinded to {whom} in {share:.0f} % of the {len(known)} readings that say so "
        f"({len(chosen.rows) - len(known)} do not)"
    )


def _used(release: Release, answers: list[Answer], table: str, key: str) -> pd.DataFrame:
    """Rows of a table of the release that the sets rest on."""
    seen = {code for _, chosen in _sets(answers) for code in chosen.rows[key].dropna()}
    rows = release.tables[table]
    return rows[rows[key].isin(seen)]


def _range(values: pd.Series, unit: str) -> str:
    known = values.dropna().astype(float)
    if known.empty:
        return "not recorded"
    low, high = (f"{x:g}" for x in (known.min(), known.max()))
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


def _devices(release: Release, answers: list[Answer]) -> str:
    used = _used(release, answers, "devices", "device_id")
    if used.empty:
        return _NOBODY
    return (
        f"{len(used)} ultrasound devices; transducers {_range(used['transducer_mhz'], 'MHz')}; "
        f"pixels {_range(used['pixel_mm'], 'mm')}."
    )


def _raters(release: Release, answers: list[Answer]) -> str:
    used = _used(release, answers, "raters", "rater_id")
    if used.empty:
        return _NOBODY
    trades = sorted(used["discipline"].dropna().astype(str).str.replace("_", " ").unique())
    return (
        f"{len(used)} raters of {used['site_id'].nunique()} sites; disciplines: "
        f"{', '.join(trades) or 'not recorded'}."
    )


def _people(release: Release, answers: list[Answer]) -> str:
    years = _used(release, answers, "raters", "rater_id")["years_scanning"].dropna().astype(float)
    middle = f"median {years.median():g} years of scanning" if len(years) else "not recorded"
    return (
        f"Raters: {middle} (recorded for {len(years)}).\n"
        "Participants of the whole release: table 1, injured and uninjured apart, with missing "
        "counts."
    )


def _sampling(plan: Plan) -> str:
    return (
        "All eligible readings of the release enter; for limits of agreement and ICC one finger "
        f"of each participant, drawn with seed {plan.seed}. Exclusions are counted, rule by rule."
    )


def _statistics(release: Release, plan: Plan) -> str:
    used = versions()
    software = ", ".join(f"{name} {used[name]}" for name in ("numpy", "scipy", "statsmodels"))
    return (
        f"Plan {plan.sha256}; intervals of {100 * plan.level:g} %, made "
        f"over participants; model, formula and interval of each number stand in its method; "
        f"{plan.bootstrap_samples} resamples, seed {plan.seed}; cohortkit {used['cohortkit']}, "
        f"Python {used['python']}, {software}; table format {release.schema_version}."
    )


def _estimates(answers: list[Answer]) -> str:
    lines = []
    for answer in answers:
        frame = answer.tables.get("estimates", pd.DataFrame(columns=["name"]))
        for e in frame[frame["name"].isin(_HEADLINE)].to_dict("records"):
            unit = str(e["unit"])
            value = with_unit(number(e["value"], unit), unit)
            limits = interval(e["lower"], e["upper"], unit) or "(no interval)"
            group = f" ({words.group(str(e['group']))})" if e["group"] else ""
            name = words.estimate(str(e["name"]), str(e["estimator"]))
            lines.append(
                f"{answer.name}, {e['stratum']}: {name}{group} {value} {limits}, "
                f"{e['n_participants']} participants, {e['n_readings']} readings."
            )
        lost = answer.tables.get("not_estimated")
        for row in [] if lost is None else lost.to_dict("records"):
            lines.append(f"{answer.name}, {row['stratum']}: {row['reason']}")
        lines += [f"{answer.name}: caution. {text}" for text in answer.cautions]
    return "\n".join(lines)
