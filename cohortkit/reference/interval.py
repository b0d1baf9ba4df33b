"""Reference interval of uninjured fingers, by ranks."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.errors import EstimateError, TableError
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.reference.ranks import (
    Ranks,
    limit_ranks,
    smallest_sample,
    smallest_sample_with_limits,
)

_ADVISED = 120
_ALONE = 1 / 3  # share of the range that sets an extreme value apart (Reed et al. 1971)


@dataclass(frozen=True, repr=False, eq=False)
class ReferenceInterval(Result):
    """One or two reference limits, and the ranks that carry them.

    `ranks` has one row per limit: name, share (of the population below the
    limit), n, rank, lower_rank, upper_rank.
    """

    ranks: pd.DataFrame = field(default_factory=pd.DataFrame)


@dataclass(frozen=True)
class _Ordered:
    """Values in order, the unseen ones first.

    `floor` is the value below which the order is not known: minus infinity if
    every gap was seen. `unseen` counts the gaps below resolution.
    """

    values: np.ndarray
    unseen: int
    floor: float
    n_dropped: int
    n_fingers: int | None


def reference_interval(
    data: Any,
    *,
    value: str = "gap_mm",
    participant: str | None = "participant_id",
    below: str | None = "below_resolution",
    coverage: float = 0.95,
    sides: str = "two",
    level: float = 0.90,
    unit: str = "mm",
    missing: str = "stop",
) -> ReferenceInterval:
    """Limits that hold a share of the values of uninjured participants.

    Parameters
    ----------
    data
        One row per participant: a table or an analysis set, as
        ``release.reference_population(...)`` gives it.
    value, participant, below
        Column names. `below` marks values too small to be seen, which are then
        missing in `value`; they keep their place at the low end of the order.
        ``below=None`` states that there are none, ``participant=None`` that
        every row is another, independent participant.
    coverage
        Share of the population that the interval is to hold.
    sides
        ``"two"``, or ``"upper"`` or ``"lower"`` for one limit with the whole
        remainder beyond it. One upper limit is the natural one for a gap.
    level
        Coverage of the interval of each limit, 0.90 by custom.
    unit
        UCUM code of the values.
    missing
        ``"stop"`` or ``"drop"``.

    Returns
    -------
    ReferenceInterval
        ``lower_limit, upper_limit``, or the one asked for. The value is NaN if
        it lies among gaps too small to be seen. A confidence limit that no
        rank of the sample reaches is infinite.

    Raises
    ------
    EstimateError
        Several rows of one participant, several pulleys or load states at once,
        too few participants for the ranks (39 for two-sided 95 %).
    TableError
        Missing values, absent columns, an unseen gap that has a value.

    Notes
    -----
    Limit: value at rank p (n + 1), linear between neighbours. Confidence limits:
    order statistics by the binomial, no interpolation. Source: CLSI EP28-A3c.
    No distribution is assumed, no outlier removed.
    """
    checks.proportion("coverage", coverage)
    checks.proportion("level", level)
    checks.one_of("sides", sides, ("two", "upper", "lower"))
    sample = _ordered(data, value, participant, below, missing)
    n = len(sample.values)
    shares = _shares(coverage, sides)
    _enough(n, shares, coverage)
    ranks = {name: limit_ranks(n, p, level) for name, p in shares.items()}
    estimates = tuple(_estimate(name, ranks[name], sample, level, unit) for name in shares)
    return ReferenceInterval(
        question=f"Which values are usual? ({100 * coverage:g} % of participants, {sides}-sided)"
        if sides == "two"
        else f"Which values are usual? ({100 * coverage:g} % of participants, {sides} limit)",
        estimates=estimates,
        cautions=_cautions(sample, estimates, shares, level, unit),
        settings={
            "value": value,
            "participant": participant,
            "below": below,
            "coverage": coverage,
            "sides": sides,
            "level": level,
            "unit": unit,
            "missing": missing,
        },
        ranks=pd.DataFrame(
            {
                "name": list(shares),
                "share": list(shares.values()),
                "n": n,
                "rank": [r.rank for r in ranks.values()],
                "lower_rank": [r.lower for r in ranks.values()],
                "upper_rank": [r.upper for r in ranks.values()],
            }
        ),
    )


def value_at_rank(values: np.ndarray, rank: float) -> float:
    """Value at a rank counted from 1, linear between neighbours.

    `values` are in order; ranks below 1 and above n have none and give minus
    and plus infinity.
    """
    if rank < 1:
        return -math.inf
    if rank > len(values):
        return math.inf
    left = math.floor(rank)
    share = rank - left
    low = float(values[left - 1])
    if share < 1e-9 or math.isinf(low):
        return low
    return low + share * (float(values[left]) - low)


def _shares(coverage: float, sides: str) -> dict[str, float]:
    outside = 1 - coverage
    if sides == "two":
        return {"lower_limit": outside / 2, "upper_limit": 1 - outside / 2}
    return {"upper_limit": coverage} if sides == "upper" else {"lower_limit": outside}


def _ordered(
    data: Any, value: str, participant: str | None, below: str | None, missing: str
) -> _Ordered:
    frame = checks.as_frame(data)
    checks.one_quantity(frame)
    if below is not None and below not in frame.columns:
        raise TableError(
            f"The table has no column '{below}' that marks values too small to be seen",
            found="columns " + ", ".join(map(str, frame.columns)),
            next_step="name it with below=..., or pass below=None if every value was seen",
        )
    rows = checks.columns(frame, {"value": value, "participant": participant, "below": below})
    for extra in ("resolution_mm", "finger_id"):
        if extra in frame.columns:
            rows[extra] = frame[extra].reset_index(drop=True)
    rows["value"] = checks.numeric(rows, "value", value)
    unseen = _unseen(rows)
    named = [role for role in ("participant", "below") if role in rows]
    asked = rows[named].assign(value=rows["value"].mask(unseen, 0.0))
    _, n_dropped = checks.without_missing(asked, missing)
    kept = asked.notna().all(axis=1)
    _one_row_each(rows[kept])
    low = rows["value"][kept & unseen]
    seen = np.sort(rows["value"][kept & ~unseen].to_numpy())
    return _Ordered(
        values=np.concatenate([np.full(len(low), -math.inf), seen]),
        unseen=len(low),
        floor=_floor(rows[kept & unseen], seen),
        n_dropped=n_dropped,
        n_fingers=int(rows["finger_id"][kept].nunique()) if "finger_id" in rows else None,
    )


def _unseen(rows: pd.DataFrame) -> pd.Series:
    if "below" not in rows:
        return pd.Series(False, index=rows.index)
    marked = rows["below"]
    known = marked.dropna().unique()
    if not set(known) <= {True, False}:
        raise TableError(
            "The column that marks values too small to be seen takes yes or no",
            found=", ".join(map(repr, known[:5])),
            next_step="give booleans; read a table of the format with open_release",
        )
    unseen = checks.marked(marked)
    both = unseen & rows["value"].notna()
    if both.any():
        raise TableError(
            "A value is marked as too small to be seen and yet has a number",
            found=f"{int(both.sum())} rows, the first {float(rows['value'][both].iloc[0])!r}",
            next_step="leave the value empty where it was not seen, or take the mark away",
        )
    return unseen


def _one_row_each(rows: pd.DataFrame) -> None:
    if "participant" not in rows:
        return
    each = rows.groupby("participant").size()
    if (each > 1).any():
        raise EstimateError(
            "Several rows come from one participant, and fingers of one person are not "
            "independent, so the ranks would not hold",
            found=f"{int((each > 1).sum())} of {len(each)} participants have up to {each.max()} "
            f"rows, the first {each[each > 1].index.tolist()[0]!r}",
            next_step="use one finger per participant, as release.reference_population(...) does",
        )


def _floor(unseen: pd.DataFrame, seen: np.ndarray) -> float:
    """Value below which an unseen gap may stand among the seen ones."""
    if unseen.empty:
        return -math.inf
    limits = unseen.get("resolution_mm")
    if limits is None or limits.isna().all():
        return float(seen[0]) if len(seen) else math.inf
    return float(limits.max())


def _enough(n: int, shares: dict[str, float], coverage: float) -> None:
    needed = max(smallest_sample(p) for p in shares.values())
    if n < needed:
        raise EstimateError(
            "There are too few participants for a reference limit by ranks",
            found=f"{n} participants",
            next_step=f"at least {needed} are needed for {100 * coverage:g} % "
            f"({len(shares)} limit{'s' if len(shares) > 1 else ''}), {_ADVISED} are advised; "
            "pool more, or report the values themselves",
        )


def _estimate(name: str, ranks: Ranks, sample: _Ordered, level: float, unit: str) -> Estimate:
    """The limit at its ranks; what lies below the floor is not known."""
    at = value_at_rank(sample.values, ranks.rank)
    low = value_at_rank(sample.values, ranks.lower)
    high = value_at_rank(sample.values, ranks.upper)
    return Estimate(
        name=name,
        value=at if at >= sample.floor and not math.isinf(at) else math.nan,
        lower=low if low >= sample.floor else -math.inf,
        upper=max(high, sample.floor),
        level=level,
        unit=unit,
        method=f"value at rank {ranks.rank:g} of {len(sample.values)}, linear between "
        f"neighbours; ranks {ranks.lower} and {ranks.upper} by the binomial (CLSI EP28-A3c)",
        n_participants=len(sample.values),
        n_fingers=sample.n_fingers,
        n_readings=len(sample.values),
    )


def _cautions(
    sample: _Ordered,
    estimates: tuple[Estimate, ...],
    shares: dict[str, float],
    level: float,
    unit: str,
) -> tuple[Caution, ...]:
    n = len(sample.values)
    hidden = ", ".join(e.name for e in estimates if math.isnan(e.value))
    needed = max(smallest_sample_with_limits(p, level) for p in shares.values())
    constant = n > 1 and sample.unseen == 0 and np.ptp(sample.values) == 0
    found = {
        "left_out": (
            sample.n_dropped > 0,
            f"Rows with a missing value, left out: {sample.n_dropped}.",
        ),
        "few_participants": (
            n < _ADVISED,
            f"{n} participants: at least {_ADVISED} are advised for a limit by ranks "
            "(CLSI EP28-A3c); each limit rests on very few of them.",
        ),
        "open_interval": (
            n < needed,
            f"With {n} participants no rank reaches the outer {100 * level:g} % confidence limit "
            f"({needed} are needed): it is open.",
        ),
        "limit_below_resolution": (
            bool(hidden),
            f"Among gaps too small to be seen: {hidden}. All that is known is that it lies below "
            + (f"{sample.floor:g} {unit}." if math.isfinite(sample.floor) else "the resolution."),
        ),
        "below_resolution": (
            sample.unseen > 0,
            f"Gaps too small to be seen: {sample.unseen}; they hold the lowest ranks.",
        ),
        "constant_values": (constant, "All values are the same."),
        "lone_extreme": (
            _lone_extreme(sample),
            "An extreme value stands apart from its neighbour by more than a third of the range "
            "(rule of Reed et al. 1971). It was kept: look it up, a wrong unit is usual.",
        ),
    }
    return tuple(Caution(code, message) for code, (holds, message) in found.items() if holds)


def _lone_extreme(sample: _Ordered) -> bool:
    seen = sample.values[sample.unseen :]
    if len(seen) < 3 or np.ptp(seen) == 0:
        return False
    gaps = np.diff(seen)
    return bool(max(gaps[0], gaps[-1]) > _ALONE * np.ptp(seen))
