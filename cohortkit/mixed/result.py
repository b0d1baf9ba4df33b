"""The shape of a variance-component result."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from cohortkit.estimate import Result


@dataclass(frozen=True, repr=False, kw_only=True)
class VarianceComponents(Result):
    """Variances of random factors and residual, with the fixed coefficients.

    The estimates are, in order: ``var_<factor>`` per factor and ``var_residual``,
    ``sd_<factor>`` and ``sd_residual``, then ``fixed_<name>``. A factor of several
    columns has their names joined by ':'.

    Parameters
    ----------
    components
        One row per factor, then the residual: component, levels, variance, sd,
        share of the sum of variances, at_zero.
    fixed
        One row per coefficient: name, estimate, se, df, lower, upper, unit.
    log_likelihood
        Maximised (restricted) log likelihood with all constants.
    criterion
        -2 `log_likelihood`.
    singular
        Components estimated as exactly zero.
    levels
        Number of levels of each factor.
    n_dropped
        Rows left out for missing values.
    draws
        Bootstrap refits, one row each, with columns named as the estimates
        (``var_...``, ``fixed_...``); None without a bootstrap.
    """

    components: pd.DataFrame
    fixed: pd.DataFrame
    log_likelihood: float
    criterion: float
    singular: tuple[str, ...]
    levels: dict[str, int] = field(default_factory=dict)
    n_dropped: int = 0
    draws: pd.DataFrame | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain, JSON-ready parts at full precision."""
        return super().to_dict() | {
            "log_likelihood": self.log_likelihood,
            "criterion": self.criterion,
            "singular": list(self.singular),
            "levels": dict(self.levels),
            "n_dropped": self.n_dropped,
        }
