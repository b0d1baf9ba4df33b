"""Can these variances be told apart from these rows? Asked before fitting.

With M the projection that takes out the fixed part, the variance of the
readings that is left is sum_k v_k M Z_k Z_k' M (the residual with Z_0 = I). The
v_k are identified if and only if these matrices are linearly independent, that
is if their matrix of inner products tr(M Z_k Z_k' M Z_l Z_l') has full rank
(Rao 1972, J Am Stat Assoc 67: 112-115). The same matrix gives the fit's start.
"""

from __future__ import annotations

import numpy as np

from cohortkit.errors import EstimateError
from cohortkit.mixed.design import Design, Factor, Floats
from cohortkit.mixed.equations import Equations, Response

NULL = 1e-9  # eigenvalue, of a matrix with unit diagonal, that counts as zero
SHARE = 1e-3  # entry of a null vector that counts as taking part
START_SHARE = 0.01  # smallest start of the residual variance, as a share of the whole


def inner_products(equations: Equations) -> Floats:
    """tr(M V_k M V_l) for residual and factors, (K + 1, K + 1)."""
    count = len(equations.sizes)
    entries = equations.cross.tocoo()
    row, column = entries.coords
    block = equations.factor_of[row] * count + equations.factor_of[column]
    plain = np.bincount(block, weights=entries.data**2, minlength=count**2)
    # M = I - QQ', so Z_k'MZ_l = Z_k'Z_l - F_k F_l' with F = Z'Q; its squared norm has three sums.
    grams, mixed = np.empty((count, equations.p, equations.p)), np.empty((count, count))
    for k in range(count):
        part = equations.fixed * (equations.factor_of == k)[:, None]
        grams[k] = part.T @ part
        tied = ((equations.cross @ part) * equations.fixed).sum(axis=1)
        mixed[:, k] = np.bincount(equations.factor_of, weights=tied, minlength=count)
    out = np.empty((count + 1, count + 1))
    out[1:, 1:] = plain.reshape(count, count) - 2 * mixed + np.einsum("kab,jab->kj", grams, grams)
    diagonal = np.bincount(
        equations.factor_of,
        weights=equations.cross.diagonal() - (equations.fixed**2).sum(axis=1),
        minlength=count,
    )
    out[0, 1:] = out[1:, 0] = diagonal
    out[0, 0] = equations.n - equations.p
    return out


def start_values(equations: Equations, response: Response, products: Floats) -> Floats:
    """Quadratic estimates with unit weights (MINQUE(0)), none below zero, (K + 1,).

    In a balanced design they are the REML estimates, unless one is negative.
    """
    sums = np.bincount(
        equations.factor_of, weights=response.levels**2, minlength=len(equations.sizes)
    )
    right = np.concatenate([[response.square], sums])
    size = np.sqrt(np.diag(products))
    found = np.linalg.solve(products / np.outer(size, size), right / size) / size
    lowest = np.zeros_like(found)
    lowest[0] = START_SHARE * response.square / equations.n
    return np.maximum(found, lowest)


def confusion(products: Floats) -> list[int]:
    """Positions (0 for the residual) whose variances cannot be told apart; empty if all can."""
    size = np.sqrt(np.maximum(np.diag(products), 0.0))
    gone = np.flatnonzero(size[1:] ** 2 <= NULL * products[0, 0]) + 1
    if len(gone):
        return [int(gone[0])]
    values, vectors = np.linalg.eigh(products / np.outer(size, size))
    if values[0] > NULL:
        return []
    vector = np.abs(vectors[:, 0])
    return [int(k) for k in np.flatnonzero(vector > SHARE * vector.max())]


def same_partition(a: Factor, b: Factor) -> bool:
    """Whether two factors split the rows in the same way."""
    pairs = len(np.unique(a.codes * np.intp(b.size) + b.codes))
    return a.size == b.size == pairs


def check_levels(design: Design) -> None:
    """Refuse factors with one level, with one row per level, or doubled by another.

    Raises
    ------
    EstimateError
        Naming the factor and what its variance is mixed up with.
    """
    for position, factor in enumerate(design.factors):
        others = [f.name for f in design.factors if f is not factor]
        if factor.size == 1:
            raise EstimateError(
                f"The variance of '{factor.name}' cannot be estimated from one level",
                found=f"all {design.n} rows have the same {factor.name}",
                next_step=f"leave '{factor.name}' out of random, or add rows with other levels",
            )
        if factor.size == design.n:
            raise EstimateError(
                f"The variance of '{factor.name}' and the residual variance are not separable",
                found=f"{factor.size} levels in {design.n} rows, one row per level; "
                + separable(others, design),
                next_step=f"leave '{factor.name}' out of random and read the residual as the sum "
                "of both, or add repeated readings of the same level",
            )
        for other in design.factors[:position]:
            if same_partition(factor, other):
                left = [name for name in [*others, "residual"] if name != other.name]
                raise EstimateError(
                    f"The variances of '{other.name}' and '{factor.name}' are not separable",
                    found=f"both split the {design.n} rows in the same way, into {factor.size} "
                    "levels; " + separable(left, design),
                    next_step="keep one of the two and read its variance as the sum of both, "
                    "or add rows in which they differ",
                )


def separable(names: list[str], design: Design) -> str:
    """The half of the message that says what else can be told apart, and what cannot."""
    size = {factor.name: factor.size for factor in design.factors}
    one = [name for name in names if size.get(name) == 1]
    all_rows = [name for name in names if size.get(name) == design.n]
    told = [name for name in names if name not in (*one, *all_rows)]
    parts = ["separable: " + ", ".join(told)] if told else []
    parts += [f"not separable either, having one level: {', '.join(one)}"] if one else []
    parts += [f"not separable either: {', '.join(all_rows)}, one row per level"] if all_rows else []
    return "; ".join(parts) or "nothing else is in the model"


def check_products(design: Design, products: Floats) -> None:
    """Refuse designs in which some combination of variances leaves no trace.

    Raises
    ------
    EstimateError
        Naming the factors that are mixed up, and those that are not.
    """
    mixed = confusion(products)
    if not mixed:
        return
    names = ["residual", *(f.name for f in design.factors)]
    left = [name for k, name in enumerate(names) if k not in mixed]
    if len(mixed) == 1:
        fixed = ", ".join(design.fixed.columns)
        raise EstimateError(
            f"The variance of '{names[mixed[0]]}' is not separable from the fixed effects",
            found=f"the fixed columns ({fixed}) already tell all of its levels apart, as when every "
            f"level of a fixed column has one level of it; {separable(left, design)}",
            next_step=f"leave '{names[mixed[0]]}' out of random, or leave the column out of fixed",
        )
    raise EstimateError(
        "The variances of " + ", ".join(f"'{names[k]}'" for k in mixed) + " are not separable",
        found=f"in these {design.n} rows some combination of them leaves no trace; "
        + separable(left, design),
        next_step="leave out one of them, or add rows in which they vary apart from each other",
    )
