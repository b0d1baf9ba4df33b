"""From single clinics to one pool: joined, checked against each other, counted.

Nothing is dropped and nothing is merged here. What cannot stand in one pool stops
the joining with a list of files and lines.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from cohortkit.cohort.flow import participant_flow
from cohortkit.cohort.kept_corrections import APPLIED
from cohortkit.cohort.row_keys import row_keys
from cohortkit.cohort.same_person import same_person_candidates
from cohortkit.errors import PoolingError
from cohortkit.tables.rules import judge
from cohortkit.tables.schema import TABLE_NAMES, table, typed

if TYPE_CHECKING:
    from cohortkit.cohort.validation import Intake

_LISTED = 200
_SHARED = ("sites", "devices", "raters")
"""Tables in which two clinics may name one and the same thing of a third or of each other."""


@dataclass(frozen=True)
class Pooled:
    """The clinics joined.

    Parameters
    ----------
    tables
        Table name to typed rows; all ten, sorted by key.
    provenance
        One line per row of a table and record that made it: ``table, key,
        site_id, source, file, file_sha256, sheet, line, corrected`` (True if a
        correction had taken the place of the clinic's own record).
    problems
        Every problem of every clinic, and the warnings that only the pool shows.
    counts
        Records read, accepted, refused and blank per site, source and file.
    duplicates
        Pairs of participants who may be one person. Never merged.
    flow
        ``step, site_id, unit, n, reason``, one site per row, so that rows add up.
    notices
        What the clinics' mapping files say has to stand on everything made from
        their data; with the sites in front if not all of them say it.
    """

    tables: dict[str, pd.DataFrame]
    provenance: pd.DataFrame
    problems: pd.DataFrame
    counts: pd.DataFrame
    duplicates: pd.DataFrame
    flow: pd.DataFrame
    notices: tuple[str, ...] = ()


def pool(intakes: Iterable[Intake]) -> Pooled:
    """Join clinics. The order in which they are given does not matter.

    The rules of the format are judged again on the joined tables. A broken rule
    that refuses stops the joining; a warning that no clinic showed by itself is
    added to the problems.

    A rater, device or site may be named by two clinics if both give the same row,
    and the row says that it belongs to another clinic than one of the two: that
    is how a rater reads scans of several sites. Any other id may stand in one
    clinic only.

    Raises
    ------
    PoolingError
        If there is no clinic, a clinic stands twice, an id stands in two clinics,
        or a rule is broken between clinics. Lists every case with file and line.
    """
    clinics = sorted(intakes, key=lambda intake: intake.site_id)
    _check_sites([clinic.site_id for clinic in clinics])
    provenance = _stacked([_marked(clinic) for clinic in clinics])
    tables = {name: _joined(clinics, name, provenance) for name in TABLE_NAMES}
    warnings = _judged(clinics, tables, provenance)
    problems = _stacked([*(clinic.problems for clinic in clinics), warnings])
    counts = _stacked([clinic.counts for clinic in clinics])
    return Pooled(
        tables=tables,
        provenance=provenance,
        problems=problems,
        counts=counts,
        duplicates=same_person_candidates(tables),
        flow=participant_flow(counts, problems, tables),
        notices=_notices(clinics),
    )


def _marked(clinic: Intake) -> pd.DataFrame:
    """The clinic's provenance, saying of each record whether it was corrected."""
    record = ["source", "file_sha256", "line"]
    applied = clinic.corrections[clinic.corrections["state"] == APPLIED]
    made = pd.MultiIndex.from_frame(applied[record].astype(object))
    read = pd.MultiIndex.from_frame(clinic.provenance[record].astype(object))
    return clinic.provenance.assign(corrected=pd.array(read.isin(made), dtype="boolean"))


def _notices(clinics: Sequence[Intake]) -> tuple[str, ...]:
    said: dict[str, list[str]] = {}
    for clinic in clinics:
        if clinic.notice:
            said.setdefault(clinic.notice, []).append(clinic.site_id)
    return tuple(
        text if len(sites) == len(clinics) else f"{', '.join(sites)}: {text}"
        for text, sites in said.items()
    )


def _check_sites(sites: Sequence[str]) -> None:
    twice = sorted({site for site in sites if sites.count(site) > 1})
    if not sites or twice:
        raise PoolingError(
            "A clinic stands twice in the pool" if twice else "There is no clinic to pool",
            where=", ".join(f"site {site}" for site in twice),
            next_step="give each clinic once, with all its sources in one mapping"
            if twice
            else "import a clinic first",
        )


def _stacked(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    full = [frame for frame in frames if len(frame)]
    return pd.concat(full or frames[:1], ignore_index=True)


def _joined(clinics: Sequence[Intake], name: str, provenance: pd.DataFrame) -> pd.DataFrame:
    """Rows of all clinics, sorted by key; ids in two clinics are refused."""
    parts = [typed(c.tables[name], name).assign(_clinic=c.site_id) for c in clinics]
    frame = _stacked(parts)
    key = list(table(name).primary_key)
    if name in _SHARED:
        frame = _without_shared(frame)
    clash = frame.duplicated(key, keep=False)
    if clash.any():
        keys = row_keys(frame[clash], name)
        raise PoolingError(
            f"{keys.nunique()} ids of table '{name}' stand in more than one clinic",
            where=_places(provenance, name, keys),
            next_step="put the site in front of the id in the mapping (with 'prefix', or in the row "
            "typed there), and import again",
        )
    frame = frame.drop(columns="_clinic").sort_values(key, kind="stable")
    return typed(frame.reset_index(drop=True), name)


def _without_shared(frame: pd.DataFrame) -> pd.DataFrame:
    """One row where several clinics name the same thing of another clinic."""
    content = [column for column in frame.columns if column != "_clinic"]
    key = content[0]
    same = frame.duplicated(content, keep=False)
    foreign = frame["_clinic"].ne(frame["site_id"])
    declared = frame.loc[foreign & same, key]
    shared = same & frame[key].isin(declared)
    return frame[~(shared & frame.duplicated(content))]


def _places(provenance: pd.DataFrame, name: str, keys: pd.Series) -> str:
    """Where rows come from, as ``S01 scans.csv line 12``, for people to look up."""
    rows = provenance[(provenance["table"] == name) & provenance["key"].isin(keys)]
    rows = rows.sort_values(["key", "site_id", "file", "line"], kind="stable")
    texts = []
    for key, group in rows.groupby("key", sort=True):
        at = [
            f"site {r['site_id']}, {r['file']}"
            + ("" if pd.isna(r["sheet"]) or not r["sheet"] else f", sheet {r['sheet']}")
            + f", line {r['line']}"
            for r in group.to_dict("records")
        ]
        texts.append(f"{key!r} in " + " and ".join(at))
    more = len(texts) - _LISTED
    return "; ".join(texts[:_LISTED]) + (f"; and {more} more" if more > 0 else "")


def _judged(
    clinics: Sequence[Intake], tables: Mapping[str, pd.DataFrame], provenance: pd.DataFrame
) -> pd.DataFrame:
    """Warnings that only the pool shows, as problems; a refusal stops the joining."""
    found = keyed_breaches(tables)
    known = pd.concat([keyed_breaches(clinic.tables) for clinic in clinics], ignore_index=True)
    names = ["rule", "table", "key"]
    new = found.merge(known[names].drop_duplicates(), on=names, how="left", indicator=True)
    new = new[new["_merge"] == "left_only"].drop(columns="_merge").reset_index(drop=True)
    refusals = new[new["severity"] == "refuse"]
    if len(refusals):
        raise PoolingError(
            f"{len(refusals)} rows break a rule once the clinics are joined",
            where="; ".join(
                f"{r['rule']}: {r['message']} "
                f"({_places(provenance, r['table'], pd.Series([r['key']]))})"
                for r in refusals.head(_LISTED).to_dict("records")
            ),
            next_step="settle between the clinics which row is right, correct it and import again",
        )
    return _as_problems(new, provenance)


def keyed_breaches(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Breaches of the format's rules, each with the key of its row."""
    breaches = judge(tables).breaches
    keys = {name: row_keys(tables[name], name) for name in breaches["table"].unique()}
    key = [
        keys[name].iloc[int(row)] if row >= 0 else ""
        for name, row in zip(breaches["table"], breaches["row"], strict=True)
    ]
    return breaches.assign(key=pd.Series(key, dtype="string", index=breaches.index))


def _as_problems(breaches: pd.DataFrame, provenance: pd.DataFrame) -> pd.DataFrame:
    first = provenance.drop_duplicates(["table", "key"])
    placed = breaches.merge(first, on=["table", "key"], how="left")
    return pd.DataFrame(
        {
            "site_id": placed["site_id"],
            "source": placed["source"],
            "file": placed["file"],
            "sheet": placed["sheet"],
            "line": placed["line"],
            "column": placed["columns"],
            "raw_value": pd.Series([pd.NA] * len(placed), dtype="string"),
            "code": placed["rule"],
            "severity": placed["severity"],
            "reason": placed["message"],
            "next_step": placed["next_step"],
        }
    )
