"""Which rows and columns of a table a model uses, and how many persons stand behind them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.errors import ArgumentError, TableError
from cohortkit.mixed.design import factor_names


def used_columns(
    value: str, random: Sequence[Sequence[str]], fixed: Sequence[str]
) -> tuple[list[str], list[str]]:
    """Random and fixed columns, each once.

    Raises
    ------
    ArgumentError
        If the value is also used as a factor or fixed column, or `fixed` is no
        list of different names.
    """
    factor_names(random)
    levels = list(dict.fromkeys(column for columns in random for column in columns))
    if isinstance(fixed, str) or len(set(fixed)) < len(fixed):
        raise ArgumentError(
            "Argument 'fixed' is a list of different column names",
            found=repr(fixed),
            next_step='write for example fixed=["pulley"]',
        )
    if value in levels or value in fixed:
        raise ArgumentError(
            f"Column '{value}' is the value, and cannot explain itself",
            where="arguments 'random' and 'fixed'",
            next_step="leave it out of random and fixed",
        )
    return levels, list(fixed)


def used_rows(
    data: Any,
    value: str,
    random: Sequence[Sequence[str]],
    fixed: Sequence[str],
    missing: str,
) -> tuple[pd.DataFrame, pd.Index, int]:
    """The columns of the model without missing values.

    Returns
    -------
    tuple
        The rows used, their positions in the table, and the number dropped.

    Raises
    ------
    TableError
        If a column is absent, values are missing, or a value is no number.
    """
    frame = checks.as_frame(data)
    levels, others = used_columns(value, random, fixed)
    wanted = list(dict.fromkeys([value, *levels, *others]))
    for name in wanted:
        found = list(frame.columns).count(name)
        if found != 1:
            role = "value" if name == value else "random" if name in levels else "fixed"
            raise TableError(
                f"The table has {found or 'no'} column{'s' * (found > 1)} '{name}'",
                where=f"argument '{role}'",
                found="columns " + ", ".join(map(str, frame.columns)),
                next_step=f"name the columns of your table in {role}=...",
            )
    used = pd.DataFrame({name: frame[name].reset_index(drop=True) for name in wanted})
    used[value] = checks.numeric(used, value)
    gaps = used.isna().any(axis=1)
    kept, dropped = checks.without_missing(used, missing)
    return kept, pd.Index(np.flatnonzero(~gaps)), dropped


def group_codes(frame: pd.DataFrame, columns: Sequence[str]) -> np.ndarray:
    """Number the combinations of values, a missing value being one of its own."""
    codes = np.zeros(len(frame), dtype=np.intp)
    for column in columns:
        one = pd.factorize(frame[column], use_na_sentinel=False)[0]
        codes = np.unique(codes * (one.max(initial=0) + 1) + one, return_inverse=True)[1]
    return codes.reshape(-1)


def groups(frame: pd.DataFrame, columns: Sequence[str]) -> int:
    """Number of different combinations of values."""
    return int(group_codes(frame, columns).max(initial=-1)) + 1


def counts(data: Any, kept: pd.Index, participant: str | None) -> dict[str, int | None]:
    """Participants, fingers and readings in the rows used; None where no column tells."""
    rows = checks.as_frame(data).iloc[kept]
    persons = fingers = None
    if participant is not None and participant in rows.columns:
        persons = groups(rows, [participant])
        for columns in (["finger_id"], [participant, "side", "digit"]):
            if fingers is None and set(columns) <= set(rows.columns):
                fingers = groups(rows, columns)
    return {"n_participants": persons, "n_fingers": fingers, "n_readings": len(rows)}


def persons_left_out(
    data: Any, kept: pd.Index, random: Sequence[Sequence[str]], participant: str | None
) -> bool:
    """Whether persons have several rows, and no random factor splits the rows by person."""
    rows = checks.as_frame(data).iloc[kept]
    if participant is None or participant not in rows.columns:
        return False
    persons = group_codes(rows, [participant])
    size = int(persons.max(initial=-1)) + 1
    if size == len(rows):
        return False
    for columns in random:
        codes = group_codes(rows, columns)
        pairs = np.unique(codes * np.intp(size) + persons)
        if len(pairs) == size == int(codes.max()) + 1:
            return False
    return True
