"""The statistical analysis plan: read from TOML, checked, and fixed by its hash."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cohortkit.errors import PlanError
from cohortkit.report.answer import ASSUMPTIONS, OUTCOMES, REFERENCE
from cohortkit.tables.schema import shipped_folder, table

PLAN_VERSION = 1


@dataclass(frozen=True)
class AgreementPlan:
    """One stratum of the agreement question. `fingers` is uninjured, injured or all."""

    name: str
    pulley: str
    load: str
    fingers: str
    read_mode: str
    coverage: float


@dataclass(frozen=True)
class ReliabilityPlan:
    """One stratum of the reliability question.

    `read_mode` is ``"both"`` for live and stored readings put together. `raters` and `reads` are the most that the decision study tries; `raters_of` says
    whose agreement it is about: raters of a site, or of a new site.
    """

    name: str
    pulley: str
    load: str
    fingers: str
    read_mode: str
    raters_of: str
    raters: int
    reads: int


@dataclass(frozen=True)
class ReferencePlan:
    """One stratum of the reference question. `level` is the coverage of each limit's interval."""

    name: str
    pulley: str
    load: str
    coverage: float
    sides: str
    level: float


@dataclass(frozen=True)
class ThresholdPlan:
    """One stratum of the threshold question.

    `positive` and `negative` are tear statuses; `stated_cut_mm` is the cut fixed
    before the data were looked at.
    """

    name: str
    pulley: str
    load: str
    positive: tuple[str, ...]
    negative: tuple[str, ...]
    us_gap: str
    within_days: int
    stated_cut_mm: float


@dataclass(frozen=True)
class OutcomePlan:
    """The outcome question: the rule set that turns tears into grades."""

    rule_set: str


@dataclass(frozen=True)
class Plan:
    """The whole plan. `widths`: figures and their width in mm; `sha256`: the file's bytes."""

    title: str
    seed: int
    level: float
    bootstrap_samples: int
    smallest_count: int
    agreement: tuple[AgreementPlan, ...]
    reference: tuple[ReferencePlan, ...]
    thresholds: tuple[ThresholdPlan, ...]
    reliability: tuple[ReliabilityPlan, ...]
    outcomes: OutcomePlan
    widths: Mapping[str, int]
    sha256: str


Check = Callable[[Any], bool]


def _codes(table_name: str, column: str) -> tuple[str, ...]:
    return tuple(table(table_name).field(column).codes)


def _word(*allowed: str) -> tuple[Check, str]:
    return lambda v: v in allowed, "one of " + ", ".join(allowed)


def _words(*allowed: str) -> tuple[Check, str]:
    def good(value: Any) -> bool:
        return isinstance(value, list) and bool(value) and all(v in allowed for v in value)

    return good, "a list of some of " + ", ".join(allowed)


def _whole(minimum: int) -> tuple[Check, str]:
    def good(value: Any) -> bool:
        return isinstance(value, int) and not isinstance(value, bool) and value >= minimum

    return good, f"a whole number of at least {minimum}"


_TEXT: tuple[Check, str] = (lambda v: isinstance(v, str) and bool(v.strip()), "text")
_FRACTION: tuple[Check, str] = (
    lambda v: isinstance(v, float) and 0 < v < 1,
    "a fraction between 0 and 1, such as 0.95",
)
_MILLIMETRES: tuple[Check, str] = (
    lambda v: isinstance(v, float) and 0 < v <= 12,
    "a gap in mm above 0 and up to 12, such as 2.0",
)
_PULLEY = _word(*_codes("readings", "pulley"))
_LOAD = _word(*_codes("readings", "load"))
_STATUS = _words(*_codes("tears", "status"))

_TOP: dict[str, tuple[Check, str]] = {
    "plan_version": _whole(1),
    "title": _TEXT,
    "seed": _whole(0),
    "level": _FRACTION,
    "bootstrap_samples": _whole(100),
    "smallest_count": _whole(1),
}
_BLOCKS: dict[str, tuple[type, dict[str, tuple[Check, str]]]] = {
    "agreement": (
        AgreementPlan,
        {
            "name": _TEXT,
            "pulley": _PULLEY,
            "load": _LOAD,
            "fingers": _word("uninjured", "injured", "all"),
            "read_mode": _word(*_codes("readings", "read_mode")),
            "coverage": _FRACTION,
        },
    ),
    "reference": (
        ReferencePlan,
        {
            "name": _TEXT,
            "pulley": _PULLEY,
            "load": _LOAD,
            "coverage": _FRACTION,
            "sides": _word("two", "upper", "lower"),
            "level": _FRACTION,
        },
    ),
    "thresholds": (
        ThresholdPlan,
        {
            "name": _TEXT,
            "pulley": _PULLEY,
            "load": _LOAD,
            "positive": _STATUS,
            "negative": _STATUS,
            "us_gap": _word("leave_out", "keep"),
            "within_days": _whole(1),
            "stated_cut_mm": _MILLIMETRES,
        },
    ),
    "reliability": (
        ReliabilityPlan,
        {
            "name": _TEXT,
            "pulley": _PULLEY,
            "load": _LOAD,
            "fingers": _word("uninjured", "injured"),
            "read_mode": _word(*_codes("readings", "read_mode"), "both"),
            "raters_of": _word("site", "new_site"),
            "raters": _whole(1),
            "reads": _whole(1),
        },
    ),
}
_WIDTH: tuple[Check, str] = (
    lambda v: isinstance(v, int) and not isinstance(v, bool) and v in (89, 183),
    "89 or 183, the width in mm of one or two columns",
)
# The other figures need two columns.
_WIDTHS = dict.fromkeys((REFERENCE, OUTCOMES, ASSUMPTIONS), _WIDTH)
_OUTCOMES = {"rule_set": _word("schoffl2003", "lutter2021")}


def _refuse(where: str, what: str, found: str, next_step: str) -> PlanError:
    return PlanError(what, where=where, found=found, next_step=next_step)


def _take(given: Any, wanted: Mapping[str, tuple[Check, str]], where: str) -> dict[str, Any]:
    """The keys of one block, each checked; lists become tuples."""
    if not isinstance(given, dict):
        raise _refuse(
            where, "A block of the plan is not a table", repr(given), "write it as [name]"
        )
    unknown = sorted(set(given) - set(wanted))
    if unknown:
        raise _refuse(
            where,
            f"The plan has the unknown key '{unknown[0]}'",
            ", ".join(unknown),
            "use " + ", ".join(wanted),
        )
    for key, (good, words) in wanted.items():
        if key not in given:
            raise _refuse(where, f"The plan lacks the key '{key}'", "", f"add it: {words}")
        if not good(given[key]):
            raise _refuse(
                f"{where}, key '{key}'", f"It takes {words}", repr(given[key]), "correct it"
            )
    return {k: tuple(v) if isinstance(v, list) else v for k, v in given.items()}


def _strata(content: dict[str, Any], name: str, where: str) -> tuple[Any, ...]:
    kind, wanted = _BLOCKS[name]
    blocks = content.pop(name, None)
    if not isinstance(blocks, list) or not blocks:
        raise _refuse(where, f"The plan has no [[{name}]] block", "", "add at least one")
    strata = tuple(
        kind(**_take(block, wanted, f"{where}, [[{name}]] number {i}"))
        for i, block in enumerate(blocks, start=1)
    )
    names = [stratum.name for stratum in strata]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise _refuse(
            f"{where}, [[{name}]]", "Two blocks have the same name", twice[0], "rename one of them"
        )
    for stratum in strata:
        both = set(getattr(stratum, "positive", ())) & set(getattr(stratum, "negative", ()))
        if both:
            raise _refuse(
                f"{where}, [[{name}]] '{stratum.name}'",
                "A tear status counts as positive and as negative",
                ", ".join(sorted(both)),
                "leave it in one of the two lists",
            )
    return strata


def _widths(given: Any, where: str) -> dict[str, int]:
    """Width of each figure that is named; none has to be."""
    known = isinstance(given, dict) and set(given) <= set(_WIDTHS)
    return _take(given, {key: _WIDTHS[key] for key in given} if known else _WIDTHS, where)


def read_plan(path: str | Path | None = None) -> Plan:
    """Read and check an analysis plan.

    Parameters
    ----------
    path
        A plan file. Without it, ``analysis/plan.toml`` as shipped.

    Raises
    ------
    PlanError
        If the file cannot be read, or a key is unknown, absent or has a value
        that it does not take. Names file, block and key.
    """
    file = shipped_folder("analysis") / "plan.toml" if path is None else Path(path)
    where = file.name
    try:
        data = file.read_bytes()
        content = tomllib.loads(data.decode("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise _refuse(
            str(file), "The plan cannot be read", str(error), "name a TOML file in UTF-8"
        ) from error
    strata = {name: _strata(content, name, where) for name in _BLOCKS}
    outcomes = OutcomePlan(**_take(content.pop("outcomes", {}), _OUTCOMES, f"{where}, [outcomes]"))
    widths = _widths(content.pop("widths_mm", {}), f"{where}, [widths_mm]")
    top = _take(content, _TOP, where)
    version = top.pop("plan_version")
    if version != PLAN_VERSION:
        raise _refuse(
            f"{where}, key 'plan_version'",
            "This version of cohortkit reads another version of the plan",
            str(version),
            f"write the plan for version {PLAN_VERSION}",
        )
    parts: dict[str, Any] = top | strata
    return Plan(**parts, outcomes=outcomes, widths=widths, sha256=hashlib.sha256(data).hexdigest())
