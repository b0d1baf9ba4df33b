"""Values that were not measured, or that cannot be squared: one message everywhere."""

from __future__ import annotations

import datetime
import math
import warnings
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd
import pytest

from cohortkit import agreement, checks, mixed, reference, thresholds
from cohortkit.errors import TableError
from tests.agreement.asked import AGAIN, MEASURED, METHOD, table
from tests.thresholds.planted import table as fingers

FACTORS = [["scan_id"], ["rater_id"]]
MORE: dict[str, Callable[[pd.DataFrame], Any]] = {
    "limits_regression, constant": lambda d: agreement.limits_regression(d, spread="constant"),
    "limits_clustered, bootstrap": lambda d: agreement.limits_clustered(
        d, interval="bootstrap", n_boot=100
    ),
    "deming, proportional": lambda d: agreement.deming(d, **METHOD, spread="proportional"),
    "mixed.fit": lambda d: mixed.fit(d, random=FACTORS),
}
THRESHOLDS: dict[str, Callable[[pd.DataFrame], Any]] = {
    "reference_interval": lambda d: reference.reference_interval(d, below=None),
    "roc": thresholds.roc,
    "youden_cut": lambda d: thresholds.youden_cut(d, n_boot=100),
    "accuracy_at": lambda d: thresholds.accuracy_at(d, 1.5),
    "corrected_accuracy": lambda d: thresholds.corrected_accuracy(d.assign(verified=True), 1.5),
}
EVERY = MEASURED | MORE | THRESHOLDS


def taken_by(name: str) -> pd.DataFrame:
    """Invented rows that the estimator takes."""
    if name in THRESHOLDS:
        n = np.arange(130)
        return fingers(np.round(1 + n % 17 * 0.1 + (n % 3 == 0) * 0.8, 1), n % 3 == 0)
    return table(20, reads=2 if name in AGAIN or name == "mixed.fit" else 1)


def cells(values: pd.Series, one: Any) -> pd.Series:
    """The same values as plain objects, but for the third."""
    return pd.Series([one if i == 2 else v for i, v in enumerate(values)], dtype=object)


DAY = pd.Timestamp("2020-01-01")
NO_NUMBERS: dict[str, Callable[[pd.Series], pd.Series]] = {
    "yes or no": lambda v: v > 2,
    "yes, no or missing": lambda v: (v > 2).astype("boolean"),
    "yes or no in arrow": lambda v: (v > 2).astype("bool[pyarrow]"),
    "a yes among numbers": lambda v: cells(v, True),
    "dates": lambda v: DAY + pd.to_timedelta(v, "D"),
    "dates with a zone": lambda v: (DAY + pd.to_timedelta(v, "D")).dt.tz_localize("UTC"),
    "a date among numbers": lambda v: cells(v, datetime.date(2020, 1, 1)),
    "months": lambda v: pd.Series(pd.period_range("2020-01", periods=len(v), freq="M")),
    "durations": lambda v: pd.to_timedelta(v, "D"),
    "complex numbers": lambda v: v.astype(complex),
    "a complex number among numbers": lambda v: cells(v, 1 + 2j),
    "yes or no as categories": lambda v: (v > 2).astype("category"),
}


def told(name: str, data: pd.DataFrame) -> TableError:
    """The refusal, with no word from the libraries below."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(TableError) as caught:
            EVERY[name](data)
    return caught.value


@pytest.mark.parametrize("name", EVERY)
def test_what_was_not_measured_is_refused(name):
    data = taken_by(name).reset_index(drop=True)
    assert EVERY[name](data).estimates
    for kind, made in NO_NUMBERS.items():
        values = made(data["gap_mm"])
        error = told(name, data.assign(gap_mm=values))
        assert "must be a number in every row" in error.what, kind
        kept = values.cat.categories.dtype if kind.endswith("categories") else values.dtype
        assert f"type {kept}, the first" in error.found, kind
        assert "convert it" in error.next_step


@pytest.mark.parametrize("name", EVERY)
@pytest.mark.parametrize("size", [1e155, 1e200, 1e71, 1e-72, 1e-200])
def test_what_cannot_be_squared_twice_is_refused(name, size):
    data = taken_by(name)
    error = told(name, data.assign(gap_mm=data["gap_mm"] * size))
    assert f"too {'large' if size > 1 else 'small'} to compute with" in error.what


def in_units(estimate: Any, size: float) -> tuple[float, float, float]:
    """Value and limits of values that were multiplied by `size`, divided by it again."""
    power = {"mm": 1, "mm2": 2}.get(estimate.unit, 1 if estimate.unit.startswith("mm/") else 0)
    return tuple(x / size**power for x in (estimate.value, estimate.lower, estimate.upper))


# heaping and digits belong to the millimetre, and a reference interval has no negative limits
SCALED = [n for n in EVERY if n not in ("reading_quality", "accuracy_at", "corrected_accuracy")]


@pytest.mark.parametrize("size", [1e69, 1e-69])
@pytest.mark.parametrize("name", SCALED)
@pytest.mark.filterwarnings("ignore:scipy.stats.shapiro:UserWarning")
def test_what_is_taken_is_computed_in_any_unit(name, size):
    data = taken_by(name)
    plain = EVERY[name](data)
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        found = EVERY[name](data.assign(gap_mm=data["gap_mm"] * size))
    for one, other in zip(found, plain, strict=True):
        # by hand: a factor goes into numbers in mm, and into no other
        expected = pytest.approx(in_units(other, 1), rel=2e-3, abs=1e-5, nan_ok=True)
        assert in_units(one, size) == expected, one.name


def test_text_decimals_and_categories_of_numbers_are_numbers():
    for values in (
        ["1.5", "2", None],
        [Decimal("1.5"), 2, None],
        pd.Categorical([1.5, 2, None]),
        pd.array([1.5, 2, None], dtype="Float64"),
        pd.array([1.5, 2, None], dtype="double[pyarrow]"),
        pd.array(["1.5", "2", None], dtype="string"),
        pd.array([1.5, 2, math.nan], dtype="float32"),
        [np.float32(1.5), np.int8(2), pd.NA],
    ):
        found = checks.numeric(pd.DataFrame({"value": values}), "value")
        assert found.dtype == "float64"
        assert found.tolist()[:2] == [1.5, 2]
        assert math.isnan(found[2])


def test_the_column_is_named():
    rows = pd.DataFrame({"value": [True, False]})
    with pytest.raises(TableError, match=r"Where: column 'gap'\. Found: type bool, the first True"):
        checks.numeric(rows, "value", "gap")
    with pytest.raises(TableError, match=r"the first True"):
        checks.numeric(pd.DataFrame({"value": [None, 1.0, True, False]}), "value")


def test_nothing_but_zero_or_missing_has_no_size():
    for values in ([0.0, 0.0], [None, None], []):
        rows = pd.DataFrame({"value": pd.Series(values, dtype="float64")})
        assert len(checks.numeric(rows, "value")) == len(values)
