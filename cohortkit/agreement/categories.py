"""Which categories a rating can take, and in which order."""

from __future__ import annotations

import numbers
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from cohortkit.errors import ArgumentError, TableError
from cohortkit.tables import schema
from cohortkit.tables.grades import GRADES


def ordered_categories(
    values: pd.Series, column: str, given: Sequence[Any] | None, *, order_matters: bool
) -> tuple[Any, ...]:
    """Categories in rising order.

    Parameters
    ----------
    values
        Ratings, none missing.
    column
        Name of their column. A coded column of the table format has the order of
        its codes in the schema (tear status: none, strain, partial, complete);
        ``grade`` has I to IV.
    given
        The caller's categories in order; None takes the schema's, else the values
        found, numbers in numerical order. Whole numbers come as such, 2.0 as 2.
    order_matters
        Whether the answer depends on the order, so that it may not be guessed.

    Raises
    ------
    ArgumentError
        `given` repeats or is empty, or the order matters and is not known.
    TableError
        A rating outside the categories given.
    """
    found = list(dict.fromkeys(values.tolist()))
    if given is not None:
        return tuple(map(_whole, _checked(given, found, column)))
    coded = _from_format(found, column)
    if coded:
        return coded
    if all(isinstance(v, numbers.Real) for v in found):
        return tuple(map(_whole, sorted(found)))
    if order_matters:
        raise ArgumentError(
            "The order of the categories is not known, and the answer depends on it",
            where=f"column '{column}'",
            found=", ".join(sorted(map(str, found))[:12]),
            next_step="give them in rising order, as categories=('mild', 'moderate', 'severe'), or "
            "make the column an ordered Categorical",
        )
    return tuple(sorted(found, key=str))


def _whole(category: Any) -> Any:
    """2 for 2.0, as a column of whole numbers with gaps is read."""
    return int(category) if isinstance(category, float) and category.is_integer() else category


def declared_order(values: pd.Series) -> tuple[Any, ...] | None:
    """Categories of an ordered Categorical, in its order and with those not used; else None."""
    dtype = values.dtype
    if isinstance(dtype, pd.CategoricalDtype) and dtype.ordered:
        return tuple(dtype.categories.tolist())
    return None


def encode(values: pd.Series, categories: Sequence[Any]) -> np.ndarray:
    """Position of each rating among the categories."""
    place = {category: position for position, category in enumerate(categories)}
    return np.array([place[v] for v in values.tolist()], dtype=np.intp)


def _checked(given: Sequence[Any], found: list[Any], column: str) -> tuple[Any, ...]:
    listed = () if isinstance(given, str) else tuple(given)
    if not listed or len(set(listed)) < len(listed):
        raise ArgumentError(
            "Argument 'categories' takes different categories in rising order",
            found=repr(given),
            next_step="list each category once",
        )
    outside = [v for v in found if v not in set(listed)]
    if outside:
        raise TableError(
            "A rating is none of the categories given",
            where=f"column '{column}'",
            found=", ".join(map(str, outside[:6])),
            next_step="add it to categories=..., or correct those rows",
        )
    return listed


def _from_format(found: list[Any], column: str) -> tuple[Any, ...]:
    """Codes of a column of the table format that has this name and holds all values."""
    coded = [
        tuple(field.codes)
        for name in schema.TABLE_NAMES
        for field in schema.table(name).fields
        if field.name == column and field.codes
    ]
    if column == "grade":
        coded.append(GRADES)
    return next((codes for codes in coded if set(found) <= set(codes)), ())
