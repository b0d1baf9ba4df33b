"""Is the error lost in the rounding of the values?"""

from __future__ import annotations

import numpy as np

from cohortkit.estimate import Caution

COARSE = 0.5  # step of rounding, as a share of the residual SD


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
