"""Lines through points that err in both directions: three models of the error, arrays in."""

from __future__ import annotations

import math

import numpy as np

from cohortkit.errors import EstimateError

Line = tuple[float, float]
_ROUNDS = 500
_TOLERANCE = 1e-13
_SETTLED = 1e-12  # change of the slope in one round, relative to it


def deming_line(x: np.ndarray, y: np.ndarray, ratio: float) -> Line:
    """Intercept and slope for a constant ratio of error variances.

    Raises
    ------
    EstimateError
        If the points define no line, or only a vertical one.
    """
    return _line_of_weights(x, y, ratio, np.ones(len(x)))


def proportional_line(x: np.ndarray, y: np.ndarray, ratio: float) -> Line:
    """Intercept and slope where both errors grow in proportion to the true size.

    The SD of an error is a constant times `proportional_sizes`, for y times
    sqrt(`ratio`) more. Weights 1 / size^2 and line are renewed in turn until they
    agree (Linnet 1990, 1993).

    Raises
    ------
    EstimateError
        If the points define no line, the iteration does not settle, or a size on
        the line is not above zero.
    """
    size = (ratio * x + y) / (ratio + 1)
    slope, change, step = math.nan, math.inf, 1.0
    for _ in range(_ROUNDS):
        line = _line_of_weights(x, y, ratio, 1 / size**2)
        renewed = proportional_sizes(x, y, line, ratio)
        if (renewed <= 0).any():
            raise EstimateError(
                "On the fitted line a size is not above zero, so no error can be in proportion to it",
                found=f"{int((renewed <= 0).sum())} of {len(x)} points",
                next_step="fit with constant errors, or look at the points nearest to zero",
            )
        last, change = change, abs(line[1] - slope)
        if change <= _SETTLED * max(1.0, abs(line[1])):
            return line
        # Whole steps can swing between two lines where few points weigh much.
        step = 0.5 if change >= last else step
        size, slope = size + step * (renewed - size), line[1]
    raise EstimateError(
        "Line and weights did not settle",
        found=f"{len(x)} points",
        next_step="look at the pairs, or fit with constant errors",
    )


def proportional_sizes(x: np.ndarray, y: np.ndarray, line: Line, ratio: float) -> np.ndarray:
    """Size of each point as the line has it: the mean of its two true values.

    True values are those nearest to the point when both errors are scaled alike; the
    mean weighs them by `ratio` and 1, by how precise they are.
    """
    intercept, slope = line
    off = (y - y[0]) - slope * (x - x[0]) + (y[0] - slope * x[0] - intercept)
    true_x = x + slope * off / (ratio + slope**2)
    true_y = y - ratio * off / (ratio + slope**2)
    return (ratio * true_x + true_y) / (ratio + 1)


def _line_of_weights(x: np.ndarray, y: np.ndarray, ratio: float, weight: np.ndarray) -> Line:
    share = weight / weight.sum()
    dx, dy = x - x[0], y - y[0]
    dx, dy = dx - share @ dx, dy - share @ dy
    sxx, syy, sxy = (float(share @ (a * b)) for a, b in ((dx, dx), (dy, dy), (dx, dy)))
    balance = syy - ratio * sxx
    root = math.hypot(balance, 2 * math.sqrt(ratio) * sxy)
    # Two forms of one quadratic root; the other one cancels.
    above, below = (balance + root, 2 * sxy) if balance > 0 else (2 * ratio * sxy, root - balance)
    if below == 0:
        raise EstimateError(
            "The points define no line, or only a vertical one",
            found=f"{len(x)} points, spread of the first method {math.sqrt(sxx):g}",
            next_step="look at the pairs: a line needs values that differ between subjects",
        )
    slope = above / below
    return _through_mean(x, y, slope, weight), slope


def weighted_line(
    x: np.ndarray, y: np.ndarray, se_x: np.ndarray, se_y: np.ndarray, start: float | None = None
) -> Line:
    """Intercept and slope where the standard error of each value is known.

    York's iteration from `start`, by default the best of a grid of directions, so
    that it does not stop in a second minimum.

    Raises
    ------
    EstimateError
        If the iteration does not settle.
    """
    slope = _best_direction(x, y, se_x, se_y) if start is None else start
    dx, dy = x - x[0], y - y[0]
    vx, vy = se_x**2, se_y**2
    for _ in range(_ROUNDS):
        weight = 1 / (vy + slope**2 * vx)
        u = dx - weight @ dx / weight.sum()
        v = dy - weight @ dy / weight.sum()
        beta = weight * (u * vy + slope * v * vx)
        below = float(weight @ (beta * u))
        if below == 0:
            break
        new = float(weight @ (beta * v)) / below
        if abs(new - slope) <= _TOLERANCE * max(1.0, abs(new)):
            return _through_mean(x, y, new, 1 / (vy + new**2 * vx)), new
        slope = new
    raise EstimateError(
        "The weighted line did not settle",
        found=f"{len(x)} points",
        next_step="look at the pairs, or fit with a constant ratio of error variances",
    )


def weighted_sum_of_squares(
    x: np.ndarray, y: np.ndarray, se_x: np.ndarray, se_y: np.ndarray, slope: float
) -> float:
    """Sum of squared weighted distances from the best line of this slope."""
    weight = 1 / (se_y**2 + slope**2 * se_x**2)
    rest = (y - y[0]) - slope * (x - x[0])
    rest = rest - weight @ rest / weight.sum()
    return float(weight @ rest**2)


def _best_direction(x: np.ndarray, y: np.ndarray, se_x: np.ndarray, se_y: np.ndarray) -> float:
    unit = np.ptp(y) / np.ptp(x) if np.ptp(x) > 0 and np.ptp(y) > 0 else 1.0
    slopes = unit * np.tan(np.linspace(-np.pi / 2, np.pi / 2, 362)[1:-1])
    sums = [weighted_sum_of_squares(x, y, se_x, se_y, float(b)) for b in slopes]
    return float(slopes[int(np.argmin(sums))])


def _through_mean(x: np.ndarray, y: np.ndarray, slope: float, weight: np.ndarray) -> float:
    rest = (y - y[0]) - slope * (x - x[0])
    return float(weight @ rest / weight.sum() + (y[0] - slope * x[0]))
