"""Table 1: who the participants are, injured and uninjured apart, with missing counts."""

from __future__ import annotations

from typing import Any

import pandas as pd

from cohortkit.display import number
from cohortkit.report.plan import Plan
from cohortkit.report.small_counts import shown
from cohortkit.tables.schema import Field, table

NOTE = (
    "Numbers are participants, or the median with its quartiles. Counts below {smallest} are "
    "hidden, and with them the next smallest ones of the same variable and column, until no "
    "hidden count can be worked out from a total. There is no column for all participants, "
    "since it would give hidden counts away. "
    "Injured: at least one injury episode. Missing values are counted, never filled in."
)
COLUMNS = ("variable", "level", "injured", "uninjured")
_SKIP = ("participant_id",)


def table1(release: Any, plan: Plan) -> pd.DataFrame:
    """Describe the participants of a release.

    Parameters
    ----------
    release
        An open release.
    plan
        Gives the smallest count that may be shown.

    Returns
    -------
    pandas.DataFrame
        Text columns variable, level, injured, uninjured. If one of the two
        groups has fewer participants than the smallest count, the groups are
        not told apart: the columns are variable, level, all.
    """
    people = release.tables["participants"]
    injured = people["participant_id"].isin(release.tables["episodes"]["participant_id"])
    groups = {"injured": people[injured], "uninjured": people[~injured]}
    if any(len(rows) < plan.smallest_count for rows in groups.values()):
        groups = {"all": people}
    rows = [["Participants", ""] + [_total(len(g), plan.smallest_count) for g in groups.values()]]
    for field in table("participants").fields:
        if field.name in _SKIP:
            continue
        described = [_describe(g[field.name], field, plan, people) for g in groups.values()]
        levels = list(described[0])
        rows += [[_title(field), level, *(d[level] for d in described)] for level in levels]
    return pd.DataFrame(rows, columns=["variable", "level", *groups]).astype("string")


def _title(field: Field) -> str:
    units = {"a": "years", "cm": "cm", "h/wk": "hours a week", "1": ""}
    unit = units.get(field.unit or "", field.unit or "")
    return f"{field.title} ({unit})" if unit and unit not in field.title else field.title


def _total(n: int, smallest: int) -> str:
    return str(n) if n == 0 or n >= smallest else f"<{smallest}"


def _describe(values: pd.Series, field: Field, plan: Plan, people: pd.DataFrame) -> dict[str, str]:
    """Level to text for one variable of one group."""
    if field.type in ("integer", "number"):
        # A count of years or a step on a scale needs one decimal, not a pure number's three.
        unit = "a" if field.type == "integer" else field.unit or "1"
        return _spread(values, unit, plan.smallest_count)
    if field.name == "site_id":
        levels = {site: site for site in sorted(people["site_id"].dropna().astype(str).unique())}
    else:
        levels = field.codes
    counts = [int((values == code).sum()) for code in levels]
    counts.append(len(values) - sum(counts))
    texts = shown(counts, plan.smallest_count)
    return dict(zip([*levels.values(), "missing"], texts, strict=True))


def _spread(values: pd.Series, unit: str, smallest: int) -> dict[str, str]:
    known = values.dropna().astype("float64")
    counts = [len(known), int(values.isna().sum())]
    if len(known) < smallest:
        middle = "hidden" if len(known) else "no values"
    else:
        low, half, high = (number(float(known.quantile(q)), unit) for q in (0.25, 0.5, 0.75))
        middle = f"{half} ({low} to {high})"
    recorded, missing = shown(counts, smallest)
    return {"median (quartiles)": middle, "recorded": recorded, "missing": missing}
