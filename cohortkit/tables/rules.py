"""All rules over several columns, rows or tables, and the judgement of a set of tables.

Words, severity and next step of each rule stand in ``schemas/rules.json``; the
function of the same name does the judging.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.errors import TableError
from cohortkit.tables import (
    rules_days,
    rules_keys,
    rules_persons,
    rules_readings,
    rules_repeats,
    rules_slips,
    rules_units,
)
from cohortkit.tables.conversion import DTYPES
from cohortkit.tables.fields import TABLE_NAMES, read_json, table
from cohortkit.tables.verdicts import Tables, Verdict

RuleFunction = Callable[[Tables], list[Verdict]]

RULES: dict[str, RuleFunction] = {
    rule.__name__: rule
    for rule in (
        rules_keys.primary_key_unique,
        rules_keys.foreign_key_found,
        rules_readings.gap_above_zero,
        rules_readings.below_resolution_has_limit,
        rules_readings.below_resolution_has_no_gap,
        rules_readings.gap_present,
        rules_readings.gap_at_most_8_mm,
        rules_readings.gap_not_below_limit,
        rules_readings.reference_structure_fits_pulley,
        rules_readings.caliper_site_fits_pulley,
        rules_readings.rest_has_no_load,
        rules_readings.loaded_has_method,
        rules_readings.force_has_gauge,
        rules_readings.averaged_reading_not_repeated,
        rules_repeats.read_no_consecutive,
        rules_repeats.loaded_gap_not_below_rest,
        rules_repeats.rater_at_own_site,
        rules_units.clinic_gap_not_in_cm,
        rules_units.clinic_gap_not_tenfold,
        rules_slips.rater_gap_not_in_cm,
        rules_slips.reading_not_in_cm,
        rules_slips.reading_not_tenfold,
        rules_persons.climbing_years_fit_age,
        rules_persons.scan_finger_is_episode_finger,
        rules_persons.injured_finger_names_its_episode,
        rules_persons.episode_not_entered_twice,
        rules_persons.injury_has_tears,
        rules_persons.device_at_own_site,
        rules_persons.tear_basis_present,
        rules_persons.tear_status_single,
        rules_persons.operation_recorded,
        rules_days.scan_not_before_onset,
        rules_days.verification_not_before_onset,
        rules_days.treatment_not_before_onset,
        rules_days.treatment_ends_after_start,
        rules_days.visit_not_before_onset,
        rules_days.visit_days_rise,
        rules_days.attended_visit_has_day,
        rules_days.no_return_after_giving_up,
    )
}
"""Rule id to the function that judges it."""


@dataclass(frozen=True)
class Rule:
    """What ``schemas/rules.json`` says of one rule."""

    id: str
    table: str
    columns: tuple[str, ...]
    severity: str
    scope: str
    sentence: str
    next_step: str


@cache
def rule_entries() -> tuple[Rule, ...]:
    """The rules in the order in which they are judged."""
    entries = read_json("rules.json")["rules"]
    return tuple(Rule(**{**entry, "columns": tuple(entry["columns"])}) for entry in entries)


@dataclass(frozen=True)
class Judgement:
    """What the rules say of a set of tables.

    Parameters
    ----------
    breaches
        One row per broken rule and table row: rule, severity (``refuse`` or
        ``warning``), table, row (position in that table, from 0), columns
        (comma separated), message, next_step.
    counts
        One row per rule, table and columns judged: rule, severity, table, kept,
        broken, not_judged, columns. The three numbers add up to the table's rows.
    """

    breaches: pd.DataFrame
    counts: pd.DataFrame

    def refused(self, name: str) -> np.ndarray:
        """Positions of the rows of table `name` that a refusing rule breaks, rising."""
        checks.one_of("name", name, TABLE_NAMES)
        hit = (self.breaches["table"] == name) & (self.breaches["severity"] == "refuse")
        return np.unique(self.breaches.loc[hit, "row"].to_numpy(dtype="int64"))


def _is_typed(column: pd.Series, type_word: str) -> bool:
    if type_word == "string":
        return bool(pd.api.types.is_string_dtype(column))
    return str(column.dtype) == DTYPES[type_word]


def _checked(tables: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    ready = {}
    for name, frame in tables.items():
        schema = table(name)
        wrong = [
            f.name
            for f in schema.fields
            if f.name not in frame.columns or not _is_typed(frame[f.name], f.type)
        ]
        if wrong or len(frame.columns) != len(schema.fields):
            raise TableError(
                "Rules judge typed tables of the format",
                where=f"table '{name}'",
                found="absent or of another type: " + ", ".join(wrong)
                if wrong
                else "further columns",
                next_step="bring the table to the format with typed(frame, name) first",
            )
        ready[name] = frame.reset_index(drop=True)
    return ready


def _breaches(rule: Rule, verdict: Verdict) -> pd.DataFrame:
    rows = np.flatnonzero(verdict.broken).astype("int64")
    return pd.DataFrame(
        {
            "rule": pd.Series([rule.id] * len(rows), dtype="string"),
            "severity": pd.Series([rule.severity] * len(rows), dtype="string"),
            "table": pd.Series([verdict.table] * len(rows), dtype="string"),
            "row": pd.Series(rows, dtype="int64"),
            "columns": pd.Series([verdict.columns] * len(rows), dtype="string"),
            "message": pd.Series(verdict.messages, dtype="string"),
            "next_step": pd.Series([rule.next_step] * len(rows), dtype="string"),
        }
    )


def judge(tables: Mapping[str, pd.DataFrame]) -> Judgement:
    """Judge every row of typed tables by every rule.

    Parameters
    ----------
    tables
        Typed tables of the format by name, of one clinic or of several. Tables
        may be absent or empty. A code that points to an absent table is not
        judged; one that points to an empty table is broken.

    Returns
    -------
    Judgement
        All breaches, and the counts of rows kept, broken and not judged.

    Raises
    ------
    ArgumentError
        If the format has no table of that name.
    TableError
        If a table does not have the columns and types of `typed`.
    """
    ready = _checked(tables)
    found: list[pd.DataFrame] = []
    counts: list[tuple[str, str, str, int, int, int, str]] = []
    for rule in rule_entries():
        for verdict in RULES[rule.id](ready):
            broken, judged = int(verdict.broken.sum()), int(verdict.judged.sum())
            numbers = (judged - broken, broken, len(verdict.judged) - judged)
            counts.append((rule.id, rule.severity, verdict.table, *numbers, verdict.columns))
            if broken or not found:
                found.append(_breaches(rule, verdict))
    columns = ["rule", "severity", "table", "kept", "broken", "not_judged", "columns"]
    return Judgement(pd.concat(found, ignore_index=True), pd.DataFrame(counts, columns=columns))
