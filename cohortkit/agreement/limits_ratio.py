"""Limits of agreement for the ratio of two reads: spread that grows in proportion to size."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Unpack

import numpy as np
import pandas as pd

from cohortkit.agreement.limit_reads import Linked, ReadOptions, linked
from cohortkit.agreement.limits import AgreementLimits
from cohortkit.agreement.limits_clustered import checked, nested_limits
from cohortkit.display import counted
from cohortkit.errors import EstimateError
from cohortkit.estimate import Estimate

_NAMES = {
    "bias": ("ratio_bias", "geometric mean of the ratios"),
    "lower_limit": ("ratio_lower_limit", "limit of the ratio"),
    "upper_limit": ("ratio_upper_limit", "limit of the ratio"),
    "sd_difference": ("sd_log_ratio", "SD of the log ratio"),
}


def limits_ratio(
    data: Any,
    *,
    raters: Sequence[Any] | None = None,
    interval: str = "components",
    level: float = 0.95,
    coverage: float = 0.95,
    **options: Unpack[ReadOptions],
) -> AgreementLimits:
    """Between which factors the first of two raters reads most subjects, against the second.

    Parameters
    ----------
    data
        One row per read; values above zero. As for `limits_clustered`: one read by
        each rater per subject, any number of subjects per participant.
    raters
        The two raters, first over second. None if the table holds just two.
    interval, level, coverage, **options
        As for `limits_clustered`.

    Returns
    -------
    AgreementLimits
        ``ratio_bias, ratio_lower_limit, ratio_upper_limit`` (pure numbers, 1 where
        the raters agree) and ``sd_log_ratio``. In `pairs` the difference is the log
        ratio, and mean the mean of the logarithms.

    Raises
    ------
    EstimateError
        Values at or below zero; and what `limits_clustered` raises.
    TableError
        Missing values or absent columns.

    Notes
    -----
    Limits of agreement of the natural logarithms, and their antilogarithms (Bland &
    Altman 1999, section 3.1). Intervals keep their coverage under the logarithm.
    """
    how = checked(coverage, level, interval)
    result = nested_limits(logs := _logarithms(linked(data, raters, options)), how, logs.cluster)
    two = result.settings["raters"]
    kept = {e.name: e for e in result.estimates}
    estimates = [_ratio(kept[name]) for name in _NAMES]
    return replace(
        result,
        question=f"By what factor do two reads differ? ({two[0]} over {two[1]})",
        estimates=tuple(estimates),
        cautions=tuple(replace(c, message=_on_logarithms(c.message)) for c in result.cautions),
        settings={**result.settings, "scale": "log"},
    )


def _on_logarithms(message: str) -> str:
    """A caution about differences as one about ratios."""
    return message.replace("limits_ratio and ", "").replace(
        "whether their differences", "whether the differences of their logarithms"
    )


def _ratio(estimate: Estimate) -> Estimate:
    name, words = _NAMES[estimate.name]
    method = f"{words}; logarithms, {estimate.method}"
    if name == "sd_log_ratio":
        return replace(estimate, name=name, unit="1", method=method)
    low, value, high = (math.exp(x) for x in (estimate.lower, estimate.value, estimate.upper))
    return replace(estimate, name=name, value=value, lower=low, upper=high, unit="1", method=method)


def _logarithms(pairs: Linked) -> Linked:
    both = np.concatenate([pairs.first, pairs.second])
    if (both <= 0).any():
        raise EstimateError(
            "A ratio needs values above zero",
            found=f"{int((both <= 0).sum())} of {counted(len(both), 'value')} at or below zero",
            next_step="use limits_clustered or limits_regression, which take any values",
        )
    first, second = np.log(pairs.first), np.log(pairs.second)
    columns = {"mean": (first + second) / 2, "difference": first - second}
    table = pairs.table.assign(**columns)
    reads = replace(pairs.reads, settings={**pairs.reads.settings, "unit": "1"})
    parts = {"first": first, "second": second, "table": pd.DataFrame(table), "reads": reads}
    return replace(pairs, logarithms=True, **parts)
