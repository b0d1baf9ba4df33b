"""Log-rank test of equal curves in two or more groups."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Unpack

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.outcomes.product_limit import timed_rows
from cohortkit.outcomes.rows import Columns, Group, row_notes, split

_NULL = 1e-10  # eigenvalue, beside the largest, that counts as none
_METHOD = "log-rank test, hypergeometric variance (Mantel 1966)"


@dataclass(frozen=True, repr=False)
class LogRank(Result):
    """Log-rank test. `table`: group, n, observed and expected events."""

    table: pd.DataFrame = field(default_factory=pd.DataFrame)


def log_rank(data: Any, *, missing: str = "stop", **columns: Unpack[Columns]) -> LogRank:
    """Test whether the groups return at the same rate throughout.

    Takes days as `kaplan_meier` does. Groups of fingers treated differently also
    differ otherwise: the test does not say why curves differ. Where groups were
    visited on different days, times made from visits differ for that reason alone.

    Returns
    -------
    LogRank
        `chi2` and `p_value`; degrees of freedom stand in the settings.

    Raises
    ------
    EstimateError
        If there are fewer than two groups or no event, or participants repeat:
        the test takes rows as independent, and its variance would be wrong.
    """
    rows, dropped, column, late = timed_rows(data, columns, missing)
    groups = list(split(rows, ("time", "event"), column))
    _refuse(rows, groups)
    table, chi2, freedom = log_rank_statistic([(g.first, g.second > 0) for g in groups])
    table.insert(0, "group", [g.label for g in groups])
    p_value = float(stats.chi2.sf(chi2, freedom))
    participants = rows["participant"].nunique() if "participant" in rows else None
    fingers = rows["finger"].nunique(dropna=False) if "finger" in rows else None
    nothing = float("nan")
    notes = row_notes(rows, dropped)
    if late:
        text = "Days are those of the visits that found the return, so they are too late."
        notes.append(Caution("biased_late", text))
    return LogRank(
        question="Do the groups return at the same rate?",
        estimates=tuple(
            Estimate(
                name,
                value,
                nothing,
                nothing,
                nothing,
                "1",
                _METHOD,
                n_participants=participants,
                n_fingers=fingers,
                n_episodes=len(rows),
            )
            for name, value in (("chi2", chi2), ("p_value", p_value))
        ),
        cautions=tuple(notes),
        settings={
            "missing": missing,
            **columns,
            "degrees_of_freedom": freedom,
            "dropped_missing": dropped,
        },
        table=table,
    )


def log_rank_statistic(
    groups: list[tuple[np.ndarray, np.ndarray]],
) -> tuple[pd.DataFrame, float, int]:
    """Observed and expected events, chi-square and its degrees of freedom.

    At each day with d events among y at risk, a group with y_g at risk expects
    d y_g / y, with covariance d (y - d) / (y - 1) (diag(y_g/y) - (y_g/y)(y_h/y)).
    """
    days = np.unique(np.concatenate([t[e] for t, e in groups]))
    at_risk = np.array([(t[:, None] >= days).sum(axis=0) for t, _ in groups])
    events = np.array([((t[:, None] == days) & e[:, None]).sum(axis=0) for t, e in groups])
    risk, died = at_risk.sum(axis=0), events.sum(axis=0)
    share = at_risk / risk
    observed, expected = events.sum(axis=1), (share * died).sum(axis=1)
    factor = np.where(risk > 1, died * (risk - died) / np.maximum(risk - 1, 1), 0.0)
    covariance = np.diag((share * factor).sum(axis=1)) - (share * factor) @ share.T
    difference = observed - expected
    values, vectors = np.linalg.eigh(covariance)
    kept = values > _NULL * values.max(initial=0.0)  # rows sum to 0, up to rounding
    freedom = int(kept.sum())
    standard = vectors[:, kept].T @ difference / np.sqrt(values[kept])
    chi2 = float(standard @ standard) if freedom else float("nan")
    table = pd.DataFrame(
        {"n": [len(t) for t, _ in groups], "observed": observed, "expected": expected}
    )
    return table, chi2, freedom


def _refuse(rows: pd.DataFrame, groups: list[Group]) -> None:
    if len(groups) < 2 or not rows["event"].any():
        raise EstimateError(
            "A comparison needs two groups and at least one event",
            found=f"{len(groups)} groups, {int(rows['event'].sum())} events",
            next_step="name the column of groups with group=...",
        )
    if "participant" in rows and rows["participant"].duplicated().any():
        repeated = int(rows["participant"].duplicated().sum())
        raise EstimateError(
            "The log-rank test takes rows as independent, and participants repeat",
            found=f"{repeated} further rows of participants who already have one",
            next_step="keep one episode of each participant, or compare the curves' intervals",
        )
