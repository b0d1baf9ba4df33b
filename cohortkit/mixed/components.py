"""Variance components of readings: the public door."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution, Estimate
from cohortkit.mixed import cautions, rows
from cohortkit.mixed import intervals as ways
from cohortkit.mixed.averaged import averaged_caution, one_kind
from cohortkit.mixed.design import build
from cohortkit.mixed.intervals import Choice, Limits
from cohortkit.mixed.likelihood import Method
from cohortkit.mixed.model import Model, fit_design
from cohortkit.mixed.result import VarianceComponents
from cohortkit.mixed.threads import one_thread

DEFAULT_RANDOM = (("participant_id",), ("rater_id",))


def fit(  # noqa: PLR0913
    data: Any,
    *,
    value: str = "gap_mm",
    random: Sequence[Sequence[str]] = DEFAULT_RANDOM,
    fixed: Sequence[str] = (),
    method: Method = "reml",
    missing: Literal["stop", "drop"] = "stop",
    level: float = 0.95,
    intervals: Choice = None,
    participant: str | None = "participant_id",
    unit: str = "mm",
) -> VarianceComponents:
    """Split the variance of readings among crossed and nested random factors.

    y = X b + sum_k Z_k u_k + e, with u_k ~ N(0, var_k I) and e ~ N(0, var_residual I).

    Parameters
    ----------
    data
        A tidy table or analysis set, one row per reading. Takes readings; not
        differences, nor means of unequal numbers of readings: where the table has a
        column ``reads_averaged``, it must hold one value.
    value
        Column of the readings, in `unit`.
    random
        Random factors, each a list of columns; the combinations of their values
        are the factor's levels. ``[["participant_id"], ["rater_id"],
        ["participant_id", "rater_id"]]`` is crossed with interaction,
        ``[["site_id"], ["site_id", "rater_id"]]`` is nested.
    fixed
        Columns of the fixed part beside the intercept. Numbers enter as they
        are; text, categories and yes/no as steps from the first level.
    method
        ``"reml"`` or ``"ml"``.
    missing
        ``"drop"`` leaves rows with missing values out, and counts them.
    level
        Coverage of the intervals.
    intervals
        None, ``"profile"``, ``"bootstrap"``, or `Profile` or `Bootstrap` with
        settings. Without it the variances have no interval and the fixed
        coefficients a t interval with Satterthwaite degrees of freedom.
    participant
        Column of persons: for the counts, and for the check that persons whose
        rows repeat are a random factor. None, or a name that the table lacks,
        says that there are no persons.
    unit
        UCUM unit of the value; ``"1"`` for a pure number.

    Returns
    -------
    VarianceComponents
        Estimates ``var_<factor>``, ``var_residual``, ``sd_<factor>``,
        ``sd_residual`` and ``fixed_<name>``.

    Raises
    ------
    TableError
        If a column is absent, or values are missing and `missing` is ``"stop"``.
    EstimateError
        If the variances cannot be told apart from these rows (the message says
        which can), if the values do not vary, if means of several readings are mixed
        with single ones, or if intervals are asked for while persons repeat and are not
        in the model.

    References
    ----------
    Patterson & Thompson 1971, Biometrika 58: 545-554 (REML). For the algorithm
    see `cohortkit.mixed.likelihood`, for intervals `cohortkit.mixed.profile`.
    """
    checks.one_of("method", method, ("reml", "ml"))
    checks.proportion("level", level)
    choice = ways.chosen(intervals)
    used, kept, dropped = rows.used_rows(data, value, random, fixed, missing)
    modelled = checks.as_frame(data).iloc[kept]
    one_kind(modelled)
    left_out = rows.persons_left_out(data, kept, random, participant)
    if left_out and choice is not None:
        raise EstimateError(
            "Intervals would treat the rows of one person as independent",
            where=f"column '{participant}'",
            found="persons repeat, and no random factor is made of them",
            next_step=f"add ['{participant}'] to random, "
            "or pass participant=None if that column does not name persons",
        )
    with one_thread():
        model = fit_design(build(used, value=value, random=random, fixed=fixed), method)
        limits = ways.find(model, choice, level)
    if left_out:
        limits = Limits(limits.sds, np.full_like(limits.fixed, np.nan), "", "")
    settings = {
        "value": value,
        "random": [list(columns) for columns in random],
        "fixed": list(fixed),
        "method": method,
        "missing": missing,
        "level": level,
        "intervals": ways.words(choice),
        "participant": participant,
        "unit": unit,
    }
    notes = cautions.dropped(dropped) + cautions.persons_left_out(participant if left_out else None)
    notes += averaged_caution(modelled)
    in_model = itertools.chain(fixed, *random)
    notes += cautions.quantities_pooled(modelled, in_model)
    words = Words(model, limits, rows.counts(data, kept, participant), settings)
    return words.result(notes, dropped)


class Words:
    """Puts a fitted model into estimates and tables."""

    def __init__(
        self, model: Model, limits: Limits, counts: dict[str, Any], settings: dict[str, Any]
    ) -> None:
        self.model, self.limits, self.counts, self.settings = model, limits, counts, settings
        self.unit, self.level = settings["unit"], settings["level"]
        self.method = settings["method"].upper()
        factors = len(model.design.factors)
        self.names = [*(f.name for f in model.design.factors), "residual"]
        self.order = [*range(1, factors + 1), 0]

    def estimate(
        self, name: str, value: float, limits: tuple[float, float], unit: str, by: str
    ) -> Estimate:
        """One estimate with this result's n; without limits it has no level."""
        has = not np.isnan(limits).all()
        return Estimate(
            name=name,
            value=float(value),
            lower=float(limits[0]),
            upper=float(limits[1]),
            level=self.level if has else np.nan,
            unit=unit,
            method=f"{self.method}, average-information Newton"
            + (f"; interval: {by}" if has else ""),
            **self.counts,
        )

    def variances(self) -> list[Estimate]:
        """Variances in squared units, then standard deviations."""
        squared = "1" if self.unit == "1" else f"{self.unit}2"
        variance, sds, by = self.model.variances, self.limits.sds, self.limits.sds_by
        pairs = list(zip(self.names, self.order, strict=True))
        return [
            *(self.estimate(f"var_{n}", variance[k], sds[k] ** 2, squared, by) for n, k in pairs),
            *(
                self.estimate(f"sd_{n}", np.sqrt(variance[k]), sds[k], self.unit, by)
                for n, k in pairs
            ),
        ]

    def fixed_units(self) -> list[str]:
        """Unit of each coefficient: of the value, or of the value per step of a number."""
        own = "" if self.unit == "1" else self.unit
        steps = self.model.design.fixed.units
        return [f"{own}/{{{step}}}" if step else self.unit for step in steps]

    def coefficients(self) -> list[Estimate]:
        """Fixed coefficients."""
        found = zip(
            self.model.design.fixed.names,
            self.model.coefficients.value,
            self.limits.fixed,
            self.fixed_units(),
            strict=True,
        )
        by = self.limits.fixed_by
        return [self.estimate(f"fixed_{n}", v, pair, unit, by) for n, v, pair, unit in found]

    def component_table(self) -> pd.DataFrame:
        """One row per component."""
        variance = self.model.variances[self.order]
        levels = [f.size for f in self.model.design.factors] + [self.model.design.n]
        return pd.DataFrame(
            {
                "component": self.names,
                "levels": levels,
                "variance": variance,
                "sd": np.sqrt(variance),
                "share": variance / variance.sum(),
                "at_zero": variance == 0,
            }
        )

    def fixed_table(self) -> pd.DataFrame:
        """One row per coefficient."""
        found = self.model.coefficients
        return pd.DataFrame(
            {
                "name": list(self.model.design.fixed.names),
                "estimate": found.value,
                "se": found.error,
                "df": found.df,
                "lower": self.limits.fixed[:, 0],
                "upper": self.limits.fixed[:, 1],
                "unit": self.fixed_units(),
            }
        )

    def result(self, notes: list[Caution], dropped: int) -> VarianceComponents:
        """The whole result."""
        design = self.model.design
        components = self.component_table()
        singular = tuple(components["component"][components["at_zero"]])
        return VarianceComponents(
            question=f"Variance components of {self.settings['value']} ({self.method})",
            estimates=(*self.variances(), *self.coefficients()),
            cautions=(
                *notes,
                *cautions.boundary(singular),
                *cautions.few_levels(design),
                *cautions.undeclared_nesting(design),
                *self.limits.cautions,
            ),
            settings=self.settings,
            components=components,
            fixed=self.fixed_table(),
            log_likelihood=self.model.log_likelihood,
            criterion=-2 * self.model.log_likelihood,
            singular=singular,
            levels={f.name: f.size for f in design.factors},
            n_dropped=dropped,
            draws=self.limits.draws,
        )
