"""One shape for every answer to a question of the plan."""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

import pandas as pd

from cohortkit import display
from cohortkit.cohort.analysis_sets import AnalysisSet
from cohortkit.errors import EstimateError, TableError
from cohortkit.estimate import Result
from cohortkit.figures import words

R = TypeVar("R", bound=Result)


FLOW, AGREEMENT, REFERENCE, THRESHOLDS, OUTCOMES, RELIABILITY, ASSUMPTIONS = (
    "fig1_flow",
    "fig2_agreement",
    "fig3_reference_range",
    "fig4_thresholds",
    "fig5_outcomes",
    "fig6_reliability",
    "fig7_assumptions",
)


@dataclass(frozen=True, repr=False)
class Answer:
    """What the plan asked, and what came out.

    Parameters
    ----------
    name
        Name of the question, which is also the name of its figure.
    question
        The question in words.
    results
        Every result, in the order of the strata.
    sets
        The analysis sets that the results rest on.
    tables
        Tables of the answer by name. ``estimates`` holds the estimates of all
        strata, ``not_estimated`` why a stratum has none.
    source
        The numbers behind the figure, one row per mark.
    findings
        One plain sentence per stratum, with interval and n.
    strata
        Name of the stratum of each result.
    set_names
        Name of each analysis set, in words.
    notices
        What has to stand on everything made from the release.
    """

    name: str
    question: str
    results: tuple[Result, ...]
    sets: tuple[AnalysisSet, ...]
    tables: dict[str, pd.DataFrame]
    source: pd.DataFrame
    findings: tuple[str, ...]
    strata: tuple[str, ...] = ()
    set_names: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()

    @property
    def cautions(self) -> tuple[str, ...]:
        """Each caution once, with the strata it belongs to."""
        belongs: dict[str, list[str]] = {}
        for stratum, result in zip(self.strata, self.results, strict=True):
            for caution in result.cautions:
                belongs.setdefault(words.plain(caution.message), []).append(stratum)
        return tuple(
            f"{'; '.join(dict.fromkeys(names))}: {message}" for message, names in belongs.items()
        )

    def __repr__(self) -> str:
        notes = [f"Note. {line}" for line in self.notices]
        cautions = [f"Caution. {line}" for line in self.cautions]
        lines = [*notes, self.question, *self.findings, *cautions]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        parts = [f"<p><strong>Note.</strong> {html.escape(n)}</p>" for n in self.notices]
        parts += [f"<p><strong>{html.escape(self.question)}</strong></p>"]
        parts += [f"<p>{html.escape(line)}</p>" for line in self.findings]
        parts += [f"<p><strong>Caution.</strong> {html.escape(c)}</p>" for c in self.cautions]
        if "estimates" in self.tables:
            headings, rows = estimate_rows(self.tables["estimates"])
            parts.append(display.html_table(headings, rows))
        return "".join(parts)


def attempt(call: Callable[..., R], *args: Any, **kwargs: Any) -> R | str:
    """What an estimator returns, or in words why there is no estimate.

    Only refusals that the data cause are turned into words; anything else is raised.
    """
    try:
        return call(*args, **kwargs)
    except (EstimateError, TableError) as error:
        found = f" Found: {error.found}." if error.found else ""
        return words.plain(f"Not estimated. {error.what.rstrip('.')}.{found}")


def gather(outcomes: Mapping[tuple[str, str], Result | str]) -> dict[str, Any]:
    """Results, strata and their tables from (stratum, estimator) to outcome.

    Returns
    -------
    dict
        ``results``, ``strata`` and ``tables`` for an `Answer`.
    """
    done = {key: r for key, r in outcomes.items() if not isinstance(r, str)}
    frames = [r.to_frame().assign(stratum=s, estimator=e) for (s, e), r in done.items()]
    lost = [(s, e, r) for (s, e), r in outcomes.items() if isinstance(r, str)]
    tables = {"not_estimated": pd.DataFrame(lost, columns=["stratum", "estimator", "reason"])}
    if frames:
        estimates = pd.concat(frames, ignore_index=True)
        first = ["stratum", "estimator"]
        rest = [name for name in estimates.columns if name not in first]
        tables = {"estimates": estimates[first + rest], **tables}
    return {
        "results": tuple(done.values()),
        "strata": tuple(stratum for stratum, _ in done),
        "tables": tables,
    }


HEADINGS = (
    "stratum",
    "estimate",
    "group",
    "value",
    "interval",
    "from",
    "participants",
    "fingers",
    "readings",
    "episodes",
)


def estimate_rows(estimates: pd.DataFrame) -> tuple[list[str], list[list[str]]]:
    """Estimates as text for people: headings and rows, columns that say nothing left out."""
    several = {name: estimates[name].nunique() > 1 for name in ("stratum", "estimator")}
    told_apart = (estimates.groupby(["stratum", "estimator"])["group"].nunique() > 1).any()
    rows = []
    for e in estimates.to_dict("records"):
        estimator = str(e["estimator"])
        counts = (e[f"n_{level_}"] for level_ in display.LEVELS)
        rows.append(
            [
                str(e["stratum"]) if several["stratum"] else "",
                words.estimate(str(e["name"]), estimator),
                words.group(str(e["group"])) if told_apart else "",
                *_value(e),
                words.estimator(estimator) if several["estimator"] else "",
                *("" if pd.isna(n) else str(int(n)) for n in counts),
            ]
        )
    used = [i for i in range(len(HEADINGS)) if any(row[i] for row in rows)]
    return [HEADINGS[i] for i in used], [[row[i] for i in used] for row in rows]


def _value(e: Mapping[Any, Any]) -> tuple[str, str]:
    """Value and interval as text. A limit among gaps too small to be seen has no value."""
    unit = str(e["unit"])
    limits = display.interval(e["lower"], e["upper"], unit)
    level = f" ({100 * e['level']:g} %)" if limits and e["level"] == e["level"] else ""
    if e["estimator"] == "reference_interval" and math.isnan(e["value"]):
        if math.isinf(e["upper"]):
            return "too small to be seen", "no interval"
        top = display.with_unit(display.number(e["upper"], unit), unit)
        return "too small to be seen", f"below {top}{level}"
    value = display.with_unit(display.number(e["value"], unit), unit)
    return value, (limits + level) or "no interval"
