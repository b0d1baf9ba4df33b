"""Which rows a threshold question takes, which it leaves out, and what that costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.errors import ArgumentError, EstimateError, TableError
from cohortkit.estimate import Caution
from cohortkit.thresholds.sample import DEFAULTS, Classes, Options, Sample

CIRCULAR_BASES = ("us_gap",)
CONDITIONS = ("pulley", "load", "reference_structure")
FEW_PARTICIPANTS = 10
_NEEDED = ("value", "status", "participant")
_NO_COLUMN = ("unit", "pool")


def draw_sample(
    data: Any,
    classes: tuple[Classes, Classes],
    circular: str,
    missing: str,
    options: Options,
) -> Sample:
    """Choose the rows of two classes, and say what was left out.

    Raises
    ------
    ArgumentError
        If a class is empty or a status stands in both, or an option is unknown.
    TableError
        If a named column is absent, a value is missing and `missing` is "stop".
    EstimateError
        If one class has no row, all gaps are equal, or a condition column holds
        more than one value.
    """
    checks.one_of("circular", circular, ("leave_out", "keep"))
    rows, settings, spec = read_rows(data, options)
    positive, negative = both_classes(*classes)
    notes: list[Caution] = []
    counts = {"rows_given": len(rows)}
    rows = _without_circular(rows, circular, notes, counts)
    rows = _without_other_statuses(rows, positive + negative, notes, counts)
    rows = _complete(rows, missing, notes, counts)
    return build_sample(rows, (positive, negative), (settings, spec), notes, counts)


def build_sample(
    rows: pd.DataFrame,
    classes: tuple[tuple[Any, ...], tuple[Any, ...]],
    context: tuple[dict[str, Any], dict[str, Any]],
    notes: list[Caution],
    counts: dict[str, int],
    only_verified: bool = False,
) -> Sample:
    """Arrays of the rows that were chosen, after the checks on class and condition.

    `only_verified` says that the status of other rows is not to be read.
    """
    positive, negative = classes
    settings, spec = context
    is_positive = rows["status"].isin(positive).to_numpy()
    verified = rows["verified"].to_numpy() if "verified" in rows else np.ones(len(rows), bool)
    known = verified if only_verified else np.ones(len(rows), bool)
    _both_present(is_positive, known, positive, negative)
    condition = _condition(rows, settings, spec["pool"], notes)
    value = rows["value"].to_numpy()
    if len(np.unique(value)) < 2:
        raise EstimateError(
            "All gaps are equal, so no cut can separate the classes",
            found=f"{len(value)} rows with the same value",
            next_step="check the readings; a curve needs at least two different gaps",
        )
    _below_notes(rows, notes, spec["unit"])
    target = "+".join(map(str, positive))
    sample = Sample(
        value=value,
        positive=is_positive,
        cluster=_codes(rows, "participant"),
        verified=verified,
        finger=_codes(rows, "finger") if "finger" in rows else None,
        site=rows["site"].astype("string").fillna("").to_numpy() if "site" in rows else None,
        resolution=rows["resolution"].to_numpy() if "resolution" in rows else None,
        group="; ".join([f"target={target}", *condition]),
        contrast=f"{' or '.join(map(str, positive))} against {' or '.join(map(str, negative))}",
        unit=spec["unit"],
        has_participants="participant" in rows,
        cautions=(),
        counts=counts,
    )
    return replace(sample, cautions=(*notes, *_few_participants(sample, known)))


def read_rows(data: Any, options: Options) -> tuple[pd.DataFrame, dict[str, Any], dict[str, Any]]:
    """Columns by role, the settings of an analysis set, and the options in full."""
    unknown = sorted(set(options) - set(DEFAULTS))
    if unknown:
        raise ArgumentError(
            "A threshold estimator does not take that argument",
            found=", ".join(unknown),
            next_step="use one of " + ", ".join(DEFAULTS),
        )
    spec = {**DEFAULTS, **options}
    frame = checks.as_frame(data)
    wanted: dict[str, str | None] = {}
    for role, name in spec.items():
        optional = role not in _NEEDED and role not in options
        if role in _NO_COLUMN or (optional and name not in frame.columns):
            continue
        wanted[role] = name
    wanted |= {c: c for c in CONDITIONS if c in frame.columns}
    rows = checks.columns(frame, wanted)
    rows["value"] = checks.numeric(rows, "value", spec["value"])
    for flag in ("below", "verified"):
        if flag in rows:
            rows[flag] = _flag(rows[flag], spec[flag])
    if "below" in rows:
        rows["value"] = rows["value"].mask(rows["below"], -np.inf)
    if "resolution" in rows:
        rows["resolution"] = checks.numeric(rows, "resolution", spec["resolution"])
    return rows, dict(getattr(data, "settings", None) or {}), spec


def both_classes(positive: Classes, negative: Classes) -> tuple[tuple[Any, ...], tuple[Any, ...]]:
    """The two lists of statuses, each with something in it and nothing in both."""
    lists = [tuple([c] if isinstance(c, str) else c) for c in (positive, negative)]
    shared = [s for s in lists[0] if s in lists[1]]
    if not all(lists) or shared:
        raise ArgumentError(
            "The positive and the negative class each need a status, and none may be in both",
            found=f"positive {lists[0]!r}, negative {lists[1]!r}",
            next_step="name the target condition, as positive=('complete',)",
        )
    return lists[0], lists[1]


def _flag(column: pd.Series, name: str) -> pd.Series:
    """A yes/no column as plain bool; missing counts as no."""
    known = column[column.notna()]
    if not known.isin([True, False]).all():
        raise TableError(
            f"Column '{name}' must hold true or false",
            found=repr(known[~known.isin([True, False])].iloc[0]),
            next_step="turn it into a yes/no column",
        )
    return column.notna() & column.isin([True])


def _codes(rows: pd.DataFrame, role: str) -> np.ndarray:
    if role not in rows:
        return np.arange(len(rows))
    return pd.factorize(rows[role], use_na_sentinel=False)[0]


def _without_circular(
    rows: pd.DataFrame, circular: str, notes: list[Caution], counts: dict[str, int]
) -> pd.DataFrame:
    if "basis" not in rows:
        return rows
    from_gap = rows["basis"].isin(CIRCULAR_BASES).to_numpy()
    n = int(from_gap.sum())
    if n and circular == "keep":
        notes.append(
            Caution(
                "circular_basis_kept",
                f"CIRCULAR: {n} of {len(rows)} rows have a status that was given from the gap "
                "itself. They agree with the gap by construction, so this is not "
                "accuracy and must not be read as such.",
            )
        )
        return rows
    counts["left_out_circular"] = n
    if n:
        notes.append(
            Caution(
                "circular_basis_left_out",
                f"{n} of {len(rows)} rows were left out because their status was given from the "
                "gap itself.",
            )
        )
    return rows[~from_gap].reset_index(drop=True)


def _without_other_statuses(
    rows: pd.DataFrame, known: tuple[Any, ...], notes: list[Caution], counts: dict[str, int]
) -> pd.DataFrame:
    other = (rows["status"].notna() & ~rows["status"].isin(known)).to_numpy()
    counts["left_out_other_status"] = int(other.sum())
    if other.any():
        words = ", ".join(sorted({str(s) for s in rows.loc[other, "status"]}))
        notes.append(
            Caution(
                "other_status_left_out",
                f"{int(other.sum())} rows are in neither class and were left out (status {words}).",
            )
        )
    return rows[~other].reset_index(drop=True)


def _complete(
    rows: pd.DataFrame, missing: str, notes: list[Caution], counts: dict[str, int]
) -> pd.DataFrame:
    needed = [role for role in _NEEDED if role in rows]
    _, dropped = checks.without_missing(rows[needed], missing)
    counts["dropped_missing"] = dropped
    if dropped:
        notes.append(
            Caution(
                "missing_dropped",
                f"{dropped} rows with a missing gap, status or participant were dropped.",
            )
        )
    return rows[rows[needed].notna().all(axis=1)].reset_index(drop=True)


def _both_present(
    is_positive: np.ndarray,
    known: np.ndarray,
    positive: tuple[Any, ...],
    negative: tuple[Any, ...],
) -> None:
    n_positive = int((is_positive & known).sum())
    n_negative = int((~is_positive & known).sum())
    if n_positive and n_negative:
        return
    raise EstimateError(
        "Both classes need at least one row",
        found=f"{n_positive} rows with status {', '.join(map(str, positive))} and "
        f"{n_negative} with {', '.join(map(str, negative))}",
        next_step="widen the classes, or pool more sites before asking this question",
    )


def _condition(
    rows: pd.DataFrame, settings: dict[str, Any], pool: Sequence[str], notes: list[Caution]
) -> list[str]:
    """The condition in words; more than one value in a column stops, unless pooled by name."""
    parts = []
    for name in CONDITIONS:
        if name not in rows:
            if isinstance(settings.get(name), str):
                parts.append(f"{name}={settings[name]}")
            continue
        found = sorted({str(v) for v in rows[name].dropna()})
        if len(found) > 1 and name not in pool:
            raise EstimateError(
                f"The rows hold more than one {name}, and those are different quantities",
                found=", ".join(found),
                next_step=f"choose one {name}, or write pool=('{name}',) to mix them knowingly",
            )
        if len(found) > 1:
            notes.append(
                Caution(
                    "pooled_conditions",
                    f"Different quantities are mixed: {name} {', '.join(found)}. The curve belongs "
                    "to none of them.",
                )
            )
        if found:
            parts.append(f"{name}={'+'.join(found)}")
    return parts


def _below_notes(rows: pd.DataFrame, notes: list[Caution], unit: str) -> None:
    below = np.isneginf(rows["value"].to_numpy())
    if not below.any():
        return
    notes.append(
        Caution(
            "below_resolution",
            f"{int(below.sum())} of {len(rows)} gaps were too small to be seen; they rank below "
            "every seen gap.",
        )
    )
    if "resolution" not in rows:
        return
    limit = rows.loc[below, "resolution"].max()
    unclear = int((rows.loc[~below, "value"] < limit).sum())
    if unclear:
        notes.append(
            Caution(
                "below_resolution_order",
                f"{unclear} seen gaps are smaller than the largest limit of an unseen one "
                f"({limit:g} {unit}), so their order is assumed, not known.",
            )
        )


def _few_participants(sample: Sample, with_status: np.ndarray) -> list[Caution]:
    notes = []
    for word, rows in (("positive", sample.positive), ("negative", ~sample.positive)):
        known = rows & with_status
        n = len(np.unique(sample.cluster[known]))
        if n < FEW_PARTICIPANTS:
            notes.append(
                Caution(
                    f"few_{word}",
                    f"Only {n} {'participant has' if n == 1 else 'participants have'} a {word} "
                    f"row ({int(known.sum())} rows); expect a wide and unstable answer.",
                )
            )
    return notes
