"""The scale on which a variance is estimated with the same precision wherever it lies.

With V linear in the variances, tr(P Z_k Z_k') falls as v_k grows, and the expected information
on v_k is half the rate at which it falls,

    F(v) = tr(P Z_k Z_k' P Z_k Z_k') / 2 = -(d/dv) tr(P Z_k Z_k') / 2 .

The scale is h(v), the integral of the root of F from zero. In a balanced design h is
sqrt(r / 2) log(1 + v / d), with r degrees of freedom and d what a level mean owes to everything
else, and the estimate less the truth is there the logarithm of a mean square over its
expectation, whatever the variance. All in ratios to the residual variance, the other ratios
held at their estimates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cohortkit.mixed.design import Floats
from cohortkit.mixed.equations import Equations
from cohortkit.mixed.likelihood import Factorisation, Method

LEAST, MOST = 1e-3, 1e8  # range of the grid, in units of what a level owes to everything else
STEPS = 48
LEAST_SHARE = 1e-12  # below it a draw would be too large to be told from infinity


@dataclass(frozen=True)
class Scale:
    """h of one factor, at rising ratios: zero, then `STEPS` of a geometric grid.

    `logs` are log(1 + ratio / d), `heights` h; `freedom` the degrees of freedom at zero.
    """

    rest: float
    logs: Floats
    heights: Floats
    freedom: float

    def height(self, ratio: float) -> float:
        """Height of a ratio."""
        return _straight(np.log1p(ratio / self.rest), self.logs, self.heights)

    def ratio(self, height: float) -> float:
        """The ratio at a height; below the height of zero, which is zero, negative."""
        if height < 0:
            log = height / np.sqrt(self.freedom / 2)
        else:
            log = _straight(height, self.heights, self.logs)
        return float(self.rest * np.expm1(log))

    def turned(self, estimate: float, again: float, share: float) -> float:
        """The ratio that lies as far from `estimate` as `again` does, on the other side.

        `share` is y'P Z Z' P y over its expectation: where `again` is zero, it says how far
        beyond zero it would lie.
        """
        height = self.height(again)
        if again == 0:
            height += np.sqrt(self.freedom / 2) * np.log(min(max(share, LEAST_SHARE), 1.0))
        return self.ratio(2 * self.height(estimate) - height)


def _straight(x: float, xs: Floats, ys: Floats) -> float:
    """Interpolation of a line, carried on beyond its end."""
    if x <= xs[-1]:
        return float(np.interp(x, xs, ys))
    return float(ys[-1] + (x - xs[-1]) * (ys[-1] - ys[-2]) / (xs[-1] - xs[-2]))


def scale_of(equations: Equations, ratios: Floats, position: int, method: Method) -> Scale:
    """The scale of one factor's ratio; `ratios` (K,) are all, each above zero.

    Between two points of the grid 1 / tr(P Z Z') is taken as a straight line, which it is
    in balanced designs, and from the first two of them its value at zero.
    """

    def inverse_trace(ratio: float) -> float:
        trial = ratios.copy()
        trial[position] = ratio
        return float(1 / Factorisation(equations, trial).traces(method, trial)[position])

    small = LEAST * equations.sizes[position] / equations.n
    near, far = inverse_trace(small), inverse_trace(2 * small)
    rest = small * near / (far - near) - small
    grid = rest * np.geomspace(LEAST, MOST, STEPS)
    inverse = np.array([inverse_trace(ratio) for ratio in grid])
    freedom = np.diff(grid) / np.diff(inverse)
    grid = np.concatenate([[0.0], grid])
    inverse = np.concatenate([[inverse[0] - grid[1] / freedom[0]], inverse])
    freedom = np.concatenate([freedom[:1], freedom])
    heights = np.cumsum(np.sqrt(freedom / 2) * np.diff(np.log(inverse)))
    return Scale(
        rest=rest,
        logs=np.log1p(grid / rest),
        heights=np.concatenate([[0.0], heights]),
        freedom=float(freedom[0]),
    )
