"""Non-parametric maximum likelihood for times known only as intervals (Turnbull 1976).

Arrays in, arrays out. The likelihood depends on the distribution only through
the mass in each innermost interval; where in the interval the mass lies, the
data cannot say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from cohortkit.errors import EstimateError

TOLERANCE = 1e-7
_MAX_STEPS = 500
_EM_STEPS = 20
_NO_MASS = 1e-10
_LEFT_CLOSED, _RIGHT, _LEFT_OPEN = 0, 1, 2


@dataclass(frozen=True)
class Npmle:
    """Masses of the k innermost intervals, and the proof that they are the maximum.

    Interval j is (`after[j]`, `by[j]`], or the single day `by[j]` where the two are
    equal; the last may be open to infinity. `gradient_gap` is max_j d_j - n, where
    d_j is the derivative of the log-likelihood in the direction of interval j: by
    the Kuhn-Tucker conditions it is 0 at the maximum, and n times the mean
    log-likelihood lies within it of the best possible one (Gentleman & Geyer 1994;
    Lindsay 1983).
    """

    after: np.ndarray
    by: np.ndarray
    mass: np.ndarray
    log_likelihood: float
    gradient_gap: float
    steps: int

    @property
    def converged(self) -> bool:
        """Whether the log-likelihood is within 1e-7 of its maximum."""
        return self.gradient_gap <= TOLERANCE

    def happened(self, day: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
        """Smallest and largest share with the event by each day that the data allow."""
        days = np.atleast_1d(np.asarray(day, dtype=float))[:, None]
        surely = self.by <= days
        perhaps = surely | (self.after < days)
        return surely @ self.mass, perhaps @ self.mass

    def happened_evenly(self, day: float) -> float:
        """Share with the event by a day, with each mass spread evenly over its interval."""
        width = self.by - self.after
        with np.errstate(divide="ignore", invalid="ignore"):
            part = np.where(np.isfinite(width), (day - self.after) / width, 0.0)
        part = np.where(width > 0, np.clip(part, 0, 1), self.by <= day)
        return float(part @ self.mass)

    def quantile(self, share: float) -> tuple[float, float, float]:
        """Earliest, evenly spread and latest day by which `share` have had the event.

        Infinite (earliest, latest) or NaN (evenly spread) where it is not reached.
        """
        total = np.cumsum(self.mass)
        reached = np.flatnonzero(total >= share - 1e-9)
        j = int(reached[0])
        latest = float(self.by[j])
        if np.isinf(latest):
            return float(self.after[j]), float("nan"), float("inf")
        before = total[j] - self.mass[j]
        part = (share - before) / self.mass[j]
        middle = float(self.after[j] + min(part, 1.0) * (latest - self.after[j]))
        return float(self.after[j]), middle, latest


def innermost_intervals(left: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The intervals that can hold mass: each a left end followed at once by a right end.

    Rows are (left, right], or the day itself if both are equal. At one day a closed
    left end comes before a right end, and that before an open left end.

    Returns
    -------
    tuple
        `after` and `by`, each (k,), in order and without overlap.
    """
    exact = left == right
    day = np.concatenate([left, right])
    kind = np.concatenate([np.where(exact, _LEFT_CLOSED, _LEFT_OPEN), np.full(len(right), _RIGHT)])
    order = np.lexsort((kind, day))
    day, kind = day[order], kind[order]
    starts = np.flatnonzero((kind[:-1] != _RIGHT) & (kind[1:] == _RIGHT))
    return day[starts], day[starts + 1]


def covered(
    left: np.ndarray, right: np.ndarray, after: np.ndarray, by: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """First and one-past-last innermost interval inside each row's interval."""
    exact = left == right
    point = after == by
    first = np.searchsorted(after, left, side="left")
    first = np.where(exact, np.searchsorted(by, left, side="left"), first)
    skip = (first < len(after)) & ~exact
    at = np.minimum(first, len(after) - 1)
    first = first + (skip & point[at] & (after[at] == left))
    return first, np.searchsorted(by, right, side="right")


def npmle(left: np.ndarray, right: np.ndarray) -> Npmle:
    """Maximum-likelihood distribution of times known to lie in (left, right].

    Parameters
    ----------
    left, right
        (n,) days, as in `Outcome`.

    Returns
    -------
    Npmle
        Intervals with no mass at the maximum are left out.

    Raises
    ------
    EstimateError
        If there is no row, or the maximum was not reached.

    Notes
    -----
    Maximises sum_i log(sum_j a_ij p_j) over p >= 0 with sum 1, a_ij = 1 if innermost
    interval j lies inside row i. A few EM steps are followed by constrained Newton
    steps: each solves a non-negative least-squares problem and halves the step
    until the log-likelihood rises (Wang 2008). It stops by the Kuhn-Tucker gap.
    """
    if not len(left):
        raise EstimateError(
            "No row is left to estimate from", next_step="check the group and the days"
        )
    after, by = innermost_intervals(left, right)
    first, last = covered(left, right, after, by)
    pairs, weight = np.unique(np.column_stack([first, last]), axis=0, return_counts=True)
    columns = np.arange(len(after))
    inside = ((columns >= pairs[:, :1]) & (columns < pairs[:, 1:])).astype(float)
    mass, gap, steps = _maximise(inside, weight.astype(float))
    kept = mass > _NO_MASS
    mass = np.where(kept, mass, 0.0) / mass[kept].sum()
    likelihood = float(weight @ np.log(inside @ mass))
    return Npmle(after[kept], by[kept], mass[kept], likelihood, gap, steps)


def _maximise(inside: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, float, int]:
    total = weight.sum()
    mass = np.full(inside.shape[1], 1 / inside.shape[1])
    for _ in range(_EM_STEPS):
        mass = mass * (inside.T @ (weight / (inside @ mass))) / total
    gap = np.inf
    for step in range(_MAX_STEPS):
        chance = inside @ mass
        gap = float((inside.T @ (weight / chance)).max() - total)
        if gap <= TOLERANCE:
            return mass, gap, step
        mass = _ascend(inside, weight, mass, chance)
    raise EstimateError(
        "The maximum of the likelihood was not reached",
        found=f"Kuhn-Tucker gap {gap:.3g} after {_MAX_STEPS} steps",
        next_step="report this with the table; it is a fault of the solver",
    )


def _ascend(
    inside: np.ndarray, weight: np.ndarray, mass: np.ndarray, chance: np.ndarray
) -> np.ndarray:
    """One constrained Newton step, then one EM step."""
    root = np.sqrt(weight)
    slope = root[:, None] * inside / chance[:, None]
    scale = np.sqrt(len(weight) * weight.sum())
    target = np.concatenate([2 * root, [scale]])
    aim = optimize.nnls(np.vstack([slope, np.full(slope.shape[1], scale)]), target)[0]
    aim = aim / aim.sum()
    now = weight @ np.log(chance)
    size = 1.0
    for _ in range(30):
        tried = mass + size * (aim - mass)
        reach = inside @ tried
        if (reach > 0).all() and weight @ np.log(reach) > now:
            mass, chance = tried, reach
            break
        size /= 2
    return mass * (inside.T @ (weight / chance)) / weight.sum()
