"""From a tidy table to a response, random factors and fixed columns.

Nothing here is fitted. The response is centred and scaled, the fixed columns
are made orthonormal, and both maps are kept, so that a large offset (1e10)
costs no digits and estimates come back in the caller's units.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortkit.errors import ArgumentError, EstimateError

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

RANK_TOLERANCE = 1e-9
ROUNDING = 16 * float(np.finfo(float).eps)


@dataclass(frozen=True)
class Factor:
    """One random factor: which level each row belongs to.

    `codes` has shape (n,), with values 0..`size` - 1; every level occurs.
    """

    name: str
    columns: tuple[str, ...]
    codes: Ints
    size: int


@dataclass(frozen=True)
class FixedPart:
    """The fixed columns as an orthonormal basis, with the way back.

    Parameters
    ----------
    names
        One per coefficient; the intercept first.
    basis
        Orthonormal columns, shape (n, p).
    back
        Maps coefficients of `basis` to those of the caller's columns, (p, p).
    log_det
        log |X'X| of the caller's columns.
    columns
        The caller's columns.
    units
        What one step of each column is: empty for the intercept and for
        categories, else the column's name.
    """

    names: tuple[str, ...]
    basis: Floats
    back: Floats
    log_det: float
    columns: tuple[str, ...]
    units: tuple[str, ...]


@dataclass(frozen=True)
class Design:
    """Response, random factors and fixed part of one model.

    The caller's response is ``offset + basis @ shift + scale * response``;
    `response` is orthogonal to the fixed columns and has mean square 1.
    """

    response: Floats
    offset: float
    shift: Floats
    scale: float
    factors: tuple[Factor, ...]
    fixed: FixedPart

    @property
    def n(self) -> int:
        """Number of rows."""
        return len(self.response)


def factor_names(random: Sequence[Sequence[str]]) -> list[str]:
    """Names of the factors: their columns joined by ':'.

    Raises
    ------
    ArgumentError
        If `random` is empty, is not a list of lists of names, or repeats itself.
    """
    shaped = not isinstance(random, str) and all(
        not isinstance(entry, str) and len(entry) and all(isinstance(c, str) for c in entry)
        for entry in random
    )
    if not shaped or not len(random):
        raise ArgumentError(
            "Argument 'random' is a list of random factors, each a list of column names",
            found=repr(random),
            next_step='write for example random=[["participant_id"], ["rater_id"]]',
        )
    sets = [frozenset(entry) for entry in random]
    for position, entry in enumerate(random):
        if len(sets[position]) < len(entry) or sets[position] in sets[:position]:
            raise ArgumentError(
                "Argument 'random' names the same columns twice",
                found=repr(list(entry)),
                next_step="name each column once in a factor, and each factor once",
            )
    return [":".join(entry) for entry in random]


def level_codes(frame: pd.DataFrame, columns: Sequence[str]) -> tuple[Ints, int]:
    """Number the combinations of values that occur, in sorted order."""
    codes = np.zeros(len(frame), dtype=np.intp)
    for column in columns:
        values = frame[column]
        one, levels = pd.factorize(values, sort=True)
        codes = codes * max(len(levels), 1) + one
        codes = np.unique(codes, return_inverse=True)[1].reshape(-1).astype(np.intp)
    return codes, int(codes.max(initial=-1)) + 1


def is_number(column: pd.Series) -> bool:
    """Whether a column enters the fixed part as it is (yes/no counts as a category)."""
    return pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)


def treatment_columns(column: pd.Series, name: str) -> tuple[list[str], Floats]:
    """0/1 columns for every level but the first (treatment coding).

    Raises
    ------
    EstimateError
        If the column has one level only.
    """
    if isinstance(column.dtype, pd.CategoricalDtype):
        column = column.cat.remove_unused_categories()
        codes, levels = column.cat.codes.to_numpy(), list(column.cat.categories)
    else:
        codes, index = pd.factorize(column, sort=True)
        levels = list(index)
    if len(levels) < 2:
        raise EstimateError(
            f"The fixed column '{name}' has one level, so it has no effect to estimate",
            found=", ".join(map(str, levels)),
            next_step=f"leave '{name}' out of fixed",
        )
    kept = range(1, len(levels))
    block = np.column_stack([codes == k for k in kept])
    return [f"{name}[{levels[k]}]" for k in kept], block.astype(float)


def fixed_columns(
    frame: pd.DataFrame, fixed: Sequence[str]
) -> tuple[list[str], list[str], Floats, Floats]:
    """Intercept and fixed columns; numbers are centred.

    Returns
    -------
    tuple
        Names, units, columns (n, p), and the map from coefficients of these
        columns to those of the columns as the caller gave them (p, p).
    """
    names, units, parts = ["intercept"], [""], [np.ones((len(frame), 1))]
    means = [0.0]
    for name in fixed:
        column = frame[name]
        if is_number(column):
            values = column.to_numpy(dtype=float)
            if not np.isfinite(values).all():
                raise EstimateError(
                    "A fixed column holds infinite values",
                    where=f"column '{name}'",
                    next_step="correct those rows or leave them out",
                )
            centre = float(values.mean()) if len(values) else 0.0
            names, units, means = [*names, name], [*units, name], [*means, centre]
            parts.append((values - centre)[:, None])
        else:
            more, block = treatment_columns(column, name)
            names, units = [*names, *more], [*units, *[""] * len(more)]
            means += [0.0] * len(more)
            parts.append(block)
    back = np.eye(len(names))
    back[0, 1:] = -np.array(means[1:])
    return names, units, np.hstack(parts), back


def orthonormal(columns: Floats) -> tuple[Floats, Floats, list[int]]:
    """QR of the columns after scaling, and which columns the others explain.

    Returns
    -------
    tuple
        Basis (n, p), upper triangle (p, p), positions of redundant columns.
    """
    size = np.sqrt((columns**2).sum(axis=0))
    if columns.shape[1] > columns.shape[0]:
        return columns, np.eye(columns.shape[1]), list(range(columns.shape[0], columns.shape[1]))
    unit = columns / np.where(size > 0, size, 1.0)
    basis, triangle = np.linalg.qr(unit)
    redundant = np.flatnonzero(np.abs(np.diag(triangle)) < RANK_TOLERANCE)
    return basis, triangle * size, [int(j) for j in redundant]


def fixed_part(frame: pd.DataFrame, fixed: Sequence[str]) -> FixedPart:
    """The fixed part of the model: an intercept, and the columns named.

    Raises
    ------
    EstimateError
        If some columns are explained by others.
    """
    names, units, columns, centred_back = fixed_columns(frame, fixed)
    basis, triangle, redundant = orthonormal(columns)
    if redundant:
        raise EstimateError(
            "The fixed columns do not carry separate effects",
            where="fixed " + ", ".join(fixed),
            found="explained by the columns before: " + ", ".join(names[j] for j in redundant),
            next_step="leave out one of the columns that say the same",
        )
    log_det = 2 * float(np.log(np.abs(np.diag(triangle))).sum())
    back = centred_back @ np.linalg.inv(triangle)
    return FixedPart(tuple(names), basis, back, log_det, tuple(fixed), tuple(units))


def project_out(basis: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Residual of `values` on an orthonormal basis, and the coefficients.

    Twice, because one pass leaves a rest of the size of rounding times `values`.
    """
    first = basis.T @ values
    rest = values - basis @ first
    second = basis.T @ rest
    return rest - basis @ second, first + second


def build(
    frame: pd.DataFrame,
    *,
    value: str,
    random: Sequence[Sequence[str]],
    fixed: Sequence[str],
) -> Design:
    """The design of a table without missing values.

    Raises
    ------
    EstimateError
        If there are fewer than three rows, the fixed columns are redundant, or
        the values have no spread beyond the fixed part.
    """
    if len(frame) < 3:
        raise EstimateError(
            "Variance components need at least three rows",
            found=f"{len(frame)} rows without missing values",
            next_step="add readings",
        )
    factors = tuple(
        Factor(name, tuple(columns), *level_codes(frame, columns))
        for name, columns in zip(factor_names(random), random, strict=True)
    )
    part = fixed_part(frame, fixed)
    values = frame[value].to_numpy(dtype=float)
    offset = float(values.mean())
    rest, shift = project_out(part.basis, values - offset)
    scale = float(np.sqrt((rest**2).mean()))
    if scale <= ROUNDING * float(np.abs(values).max()):
        raise EstimateError(
            "The values have no spread"
            if len(part.names) == 1
            else "The fixed columns explain every value, nothing is left to divide up",
            where=f"column '{value}'",
            found=f"{len(frame)} rows",
            next_step="check that the column holds the readings, at their full precision",
        )
    return Design(rest / scale, offset, shift, scale, factors, part)
