"""The mixed-model equations of a design, ordered for fast elimination.

One random factor, with all factors nested in it, falls into blocks that do not
touch each other: these are eliminated block by block. What is left (the
*lead*: the other factors and the fixed columns) is one dense matrix. Only
cross-products of the design stand here; no row is needed any more.

Notation: Z holds the indicator columns of all random levels, Q the orthonormal
fixed columns. E are the eliminated levels, R the others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from cohortkit.mixed.blocks import Blocks, group_blocks
from cohortkit.mixed.coupling import Dense, Pairs, couple
from cohortkit.mixed.design import Design, Floats, Ints


@dataclass(frozen=True)
class Equations:
    """Cross-products of one design; the response is kept apart.

    Parameters
    ----------
    n, p
        Rows and fixed columns.
    sizes
        Levels of each factor, (K,).
    most
        Rows of the level that has most, for each factor, (K,).
    order
        Level (numbered through all factors) at each position, (q,).
    factor_of
        Factor of the level at each position, (q,).
    cross
        Z'Z in this order, sparse (q, q).
    fixed
        Z'Q in this order, (q, p).
    blocks
        The eliminated levels, positions 0..`blocks.size` - 1.
    coupling
        How eliminated levels meet the lead.
    lead
        Cross-products of the lead: R levels, then fixed columns.
    log_det_fixed
        log |X'X| in the caller's units.
    """

    n: int
    p: int
    sizes: Ints
    most: Floats
    order: Ints
    factor_of: Ints
    cross: sparse.csr_array
    fixed: Floats
    blocks: Blocks
    coupling: Dense | Pairs
    lead: Floats
    log_det_fixed: float

    @property
    def remaining(self) -> int:
        """Number of random levels in the lead."""
        return len(self.lead) - self.p


@dataclass(frozen=True)
class Response:
    """Cross-products of one response with a design: Z'y in order, Q'y, y'y."""

    levels: Floats
    fixed: Floats
    square: float


def indicator(design: Design) -> sparse.csr_array:
    """Z: one row per reading, one column per level, factors side by side."""
    starts = np.concatenate([[0], np.cumsum([f.size for f in design.factors])])
    columns = np.column_stack([f.codes + s for f, s in zip(design.factors, starts, strict=False)])
    count = len(design.factors)
    rows = np.arange(design.n + 1) * count
    data = np.ones(design.n * count)
    return sparse.csr_array((data, columns.ravel(), rows), shape=(design.n, int(starts[-1])))


def factor_starts(sizes: Ints) -> Ints:
    """Where each factor's levels begin, and the end: (K + 1,)."""
    return np.concatenate([[0], np.cumsum(sizes)]).astype(np.intp)


def nested_in(cross: sparse.csr_array, sizes: Ints, top: int) -> list[tuple[int, Ints]]:
    """Factors whose every level lies in one level of `top`, with that level."""
    starts = factor_starts(sizes)
    found = []
    for k in range(len(sizes)):
        part = cross[starts[k] : starts[k + 1], starts[top] : starts[top + 1]].tocsr()
        if part.nnz == sizes[k]:
            found.append((k, part.indices.astype(np.intp)))
    return found


def elimination_cost(cross: sparse.csr_array, sizes: Ints, nested: list[tuple[int, Ints]]) -> float:
    """Rough count of multiplications of one evaluation."""
    inside = [k for k, _ in nested]
    block = np.bincount(np.concatenate([b for _, b in nested])).astype(float)
    levels = float(sizes[inside].sum())
    left = float(sizes.sum() - levels)
    starts = factor_starts(sizes)
    touched = sum(
        cross[starts[k] : starts[k + 1], starts[j] : starts[j + 1]].nnz
        for k in inside
        for j in range(len(sizes))
        if j not in inside
    )
    spread = min(left, touched / levels * (1 if block.max() == 1 else np.inf if touched else 0))
    return float((block**3).sum() + 10 * levels * spread**2 + left**3)


def elimination_order(cross: sparse.csr_array, sizes: Ints) -> tuple[Ints, Ints]:
    """Levels in elimination order, and the block of each eliminated level.

    Finer factors come first: what they leave to the coarser ones keeps more digits.
    """
    options = [nested_in(cross, sizes, top) for top in range(len(sizes))]
    costs = [elimination_cost(cross, sizes, option) for option in options]
    nested = options[int(np.argmin(costs))]
    starts = factor_starts(sizes)
    inside = {k for k, _ in nested}
    levels = np.concatenate([np.arange(starts[k], starts[k + 1]) for k, _ in nested])
    block = np.concatenate([b for _, b in nested])
    size = np.bincount(block)[block]
    coarse = -np.repeat(sizes, sizes)[levels]
    by_block = np.lexsort((levels, coarse, block, size))
    others = sorted((k for k in range(len(sizes)) if k not in inside), key=lambda k: -sizes[k])
    rest = [np.arange(starts[k], starts[k + 1]) for k in others]
    return np.concatenate([levels[by_block], *rest]).astype(np.intp), block[by_block]


def assemble(design: Design) -> Equations:
    """Cross-products of a design, ordered."""
    z = indicator(design)
    sizes = np.array([f.size for f in design.factors], dtype=np.intp)
    plain = sparse.csr_array(z.T @ z)
    rows = plain.diagonal()
    order, block = elimination_order(plain, sizes)
    cross = sparse.csr_array(plain[order][:, order])
    cross.sort_indices()
    fixed = np.asarray(z.T @ design.fixed.basis)[order]
    gone, p = len(block), fixed.shape[1]
    lead = np.zeros((len(order) - gone + p,) * 2)
    lead[: -p or None, : -p or None] = cross[gone:, gone:].toarray()
    if p:
        lead[:-p, -p:], lead[-p:, :-p] = fixed[gone:], fixed[gone:].T
        lead[-p:, -p:] = np.eye(p)
    blocks = group_blocks(sparse.csr_array(cross[:gone, :gone]), block)
    coupling = couple(sparse.csr_array(cross[:gone, gone:]), fixed[:gone], blocks.largest)
    return Equations(
        n=design.n,
        p=p,
        sizes=sizes,
        most=np.maximum.reduceat(rows, factor_starts(sizes)[:-1]),
        order=order,
        factor_of=np.repeat(np.arange(len(sizes)), sizes)[order].astype(np.intp),
        cross=cross,
        fixed=fixed,
        blocks=blocks,
        coupling=coupling,
        lead=lead,
        log_det_fixed=design.fixed.log_det,
    )


def respond(equations: Equations, design: Design, values: Floats) -> Response:
    """Cross-products of `values` (n,) with the design, after the fixed part is taken out."""
    sums = [np.bincount(f.codes, weights=values, minlength=f.size) for f in design.factors]
    return Response(
        np.concatenate(sums)[equations.order].astype(float),
        design.fixed.basis.T @ values,
        float(values @ values),
    )
