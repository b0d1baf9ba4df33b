"""Is the error lost in the rounding of the values? Is a spread more than rounding?"""

from __future__ import annotations

import numpy as np

from cohortkit.estimate import Caution
from cohortkit.mixed.design import ROUNDING

COARSE = 0.5  # step of rounding, as a share of the residual SD


def grain(*values: np.ndarray) -> float:
    """Largest difference that arithmetic alone may leave between values of this size."""
    return ROUNDING * max((float(np.abs(v).max(initial=0.0)) for v in values), default=0.0)


def apart(difference: np.ndarray, smallest: float) -> tuple[float, np.ndarray]:
    """Differences as a level and the rest: (0, all of them), or (their median, zeros).

    Zeros where they differ by no more than `smallest`, the `grain` of the values: raters
    who differ by a constant have differences without any spread, and what binary fractions
    leave of one is nobody's.
    """
    if len(difference) and np.ptp(difference) <= smallest:
        return float(np.median(difference)), np.zeros_like(difference)
    return 0.0, difference


def rounding_caution(values: np.ndarray, residual: float) -> list[Caution]:
    """A caution if the values are written in steps that are large beside the error.

    Parameters
    ----------
    values
        Any shape, in the unit of `residual`.
    residual
        SD of a single reading about what the model says of it.
    """
    steps = np.diff(np.unique(np.round(np.ravel(values), 6)))
    if not len(steps) or steps.min() <= COARSE * residual:
        return []
    return [
        Caution(
            "rounded_values",
            f"Values are written in steps of {steps.min():.3g}, which is large beside the "
            f"residual SD of {residual:.2g}: rounding makes the error look larger, and its "
            "intervals covered 92 to 94 % instead of 95 % where a step was 0.7 to 0.8 of it.",
        )
    ]
