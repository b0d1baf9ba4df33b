"""Generalised draws of variance components from sequential sums of squares.

Factors are taken out of the readings one after another. Q_j is the sum of squares
that factor j explains beyond those before it. Factors before j leave no trace in
it, so that with w_j a standard normal vector in the space of Q_j

    Q_j  has the distribution of  sum_{k >= j} v_k |Z_k' w_j|^2 + v_0 |w_j|^2

(Z_k the indicator columns of factor k, v_0 the residual variance). Solved for v_0
first, then for the last factor, then upwards, each draw of the w_j gives one set of
variances that the sums of squares seen do not contradict; quantiles of any function
of them are a generalised interval. In a balanced table these are the usual pivots
from independent chi-squares; without balance each Q_j keeps its own distribution,
but their dependence on one another is neglected.

A draw of a single variance may be below zero, as a moment estimate may. That is kept:
sums of variances stay free of the bias that cutting each part off would bring. Cut off
what must not be negative after it was put together.

Sources: Weerahandi 1993, J Am Stat Assoc 88: 899-905 (the idea); Burdick, Quiroz &
Iyer 2006, and E, Hannig & Iyer 2008, J Am Stat Assoc 103: 854-865, for variance
components without balance (all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg, sparse
from threadpoolctl import threadpool_limits

from cohortkit.errors import EstimateError
from cohortkit.mixed.cautions import nested
from cohortkit.mixed.design import Design, Factor, Floats, Ints

MOST_CELLS = 200_000  # different combinations of levels; the work grows with their number
MOST_WORK = 6.4e10  # cells times the square of the levels that do not nest: seconds to minutes
MOST_BASIS = 40_000_000  # cells times those levels: 320 MB
RANK = 1e-8
CHUNK = 500  # draws made at once, to bound memory
MOST_NUMBERS = 4_000_000  # cells times draws made at once
_WAY_OUT = "ask for intervals='bootstrap', or leave a random factor out"


class NoFreedom(EstimateError):
    """A factor, or the residual, has no degree of freedom left beyond those before it.

    Attributes
    ----------
    factor
        Name of the factor; of the last one if it is the residual that has none.
    """

    def __init__(self, factor: str, what: str, found: str) -> None:
        super().__init__(what, found=found, next_step=_WAY_OUT)
        self.factor = factor


@dataclass(frozen=True)
class Spread:
    """What the draws of w_j say, the same whatever was read.

    `shared` (K, K, m) holds |Z_k' w_j|^2 at [j, k], `own` (K, m) |w_j|^2, `rest`
    (m,) the chi-squares of the residual.
    """

    shared: Floats
    own: Floats
    rest: Floats


@dataclass(frozen=True)
class Dense:
    """A space by an orthonormal basis (cells, rank)."""

    basis: Floats

    @property
    def rank(self) -> int:
        """Dimensions."""
        return int(self.basis.shape[1])

    def project(self, values: Floats) -> Floats:
        """Projection of (cells, m)."""
        return self.basis @ (self.basis.T @ values)


@dataclass(frozen=True)
class Nested:
    """What a factor adds to those that it lies in: means of its levels less theirs.

    `inner` and `outer` have orthonormal columns, one per level; no basis is needed.
    """

    inner: sparse.csr_array
    outer: sparse.csr_array

    @property
    def rank(self) -> int:
        """Dimensions."""
        return int(self.inner.shape[1] - self.outer.shape[1])

    def project(self, values: Floats) -> Floats:
        """Projection of (cells, m)."""
        within = self.inner @ (self.inner.T @ values)
        return np.asarray(within - self.outer @ (self.outer.T @ values))


Space = Dense | Nested


@dataclass(frozen=True)
class Steps:
    """The spaces of one design's sequential sums of squares.

    Rows with the same level of every factor are one cell, of weight root(count).

    Parameters
    ----------
    of_row
        Cell of each row, (n,).
    root
        Root of the number of rows of each cell, (cells,).
    indicators
        Indicator columns of each factor, scaled by `root`, (cells, levels).
    spaces
        Of the intercept, then of each factor. The last is None if that factor takes
        all that the others leave of the cells.
    ranks
        Degrees of freedom of each factor, then of the residual, (K + 1,).
    """

    of_row: Ints
    root: Floats
    indicators: tuple[sparse.csr_array, ...]
    spaces: tuple[Space | None, ...]
    ranks: Ints

    def cells(self, values: Floats) -> Floats:
        """Coordinates of readings (n, m) in the space of cells, (cells, m)."""
        n = len(self.of_row)
        rows = sparse.csr_array((np.ones(n), (np.arange(n), self.of_row)), (n, len(self.root)))
        return np.asarray(rows.T @ values) / self.root[:, None]

    def project(self, position: int, values: Floats) -> Floats:
        """Projection of (cells, m) on the space of a factor; 0 is the intercept's."""
        space = self.spaces[position]
        if space is not None:
            return space.project(values)
        out = values
        for other in self.spaces[:-1]:
            if other is not None:
                out = out - other.project(values)
        return out

    def sums_of_squares(self, values: Floats) -> Floats:
        """Q_1..Q_K, then the residual's, of m responses (n, m), shape (K + 1, m)."""
        centred = values - values.mean(axis=0)
        seen = self.cells(centred)
        parts = [(self.project(j, seen) ** 2).sum(axis=0) for j in range(1, len(self.spaces))]
        total = (centred**2).sum(axis=0)
        return np.array([*parts, np.maximum(total - np.sum(parts, axis=0), 0.0)])

    def spread(self, n_draws: int, seed: int) -> Spread:
        """Draws of the w_j and of the residual."""
        rng = np.random.default_rng(np.random.SeedSequence(seed))
        count, chunk = len(self.indicators), min(CHUNK, max(1, MOST_NUMBERS // len(self.root)))
        shared, own = np.zeros((count, count, n_draws)), np.empty((count, n_draws))
        for j in range(count):
            for start in range(0, n_draws, chunk):
                part = slice(start, min(start + chunk, n_draws))
                # Projected, not built from the basis: rounding may turn the basis, not this.
                normal = rng.standard_normal((len(self.root), part.stop - start))
                w = self.project(j + 1, normal)
                own[j, part] = (w**2).sum(axis=0)
                for k in range(j, count):
                    tied = self.indicators[k].T @ w
                    shared[j, k, part] = (tied**2).sum(axis=0)
        return Spread(shared, own, rng.chisquare(self.ranks[-1], n_draws))


def steps(design: Design) -> Steps:
    """Split the space of a design, its factors taken in the order given.

    Raises
    ------
    EstimateError
        If there are fixed columns or too many cells.
    NoFreedom
        If a factor or the residual has nothing left beyond those before it.
    """
    if len(design.fixed.names) > 1:
        raise _stop("Generalised intervals take no fixed columns", ", ".join(design.fixed.columns))
    codes = np.column_stack([factor.codes for factor in design.factors])
    of_row, count = np.unique(codes, axis=0, return_inverse=True, return_counts=True)[1:]
    of_row = of_row.reshape(-1)
    if len(count) > MOST_CELLS:
        raise _stop(
            "The table is too large for generalised intervals",
            f"{len(count)} combinations of levels; at most {MOST_CELLS}",
        )
    root = np.sqrt(count)
    indicators = tuple(_indicator(f.codes, f.size, of_row, root) for f in design.factors)
    spaces = _spaces(design.factors, indicators, root)
    ranks = [0 if space is None else space.rank for space in spaces[1:]]
    if spaces[-1] is None:
        ranks[-1] = len(count) - 1 - sum(ranks)
    for factor, rank in zip(design.factors, ranks, strict=True):
        if rank == 0:
            raise NoFreedom(
                factor.name,
                f"'{factor.name}' explains nothing beyond the factors before it",
                f"{factor.size} levels, no degree of freedom",
            )
    rest = design.n - 1 - sum(ranks)
    if rest <= 0:
        raise NoFreedom(
            design.factors[-1].name,
            "No degree of freedom is left for the residual",
            f"{design.n} rows",
        )
    return Steps(of_row, root, indicators, spaces, np.array([*ranks, rest], dtype=np.intp))


def _spaces(
    factors: tuple[Factor, ...], indicators: tuple[sparse.csr_array, ...], root: Floats
) -> tuple[Space | None, ...]:
    """The space of each factor beyond those before it, the intercept's first."""
    whole = sparse.csr_array(root[:, None])
    spaces: list[Space | None] = [Dense((root / np.linalg.norm(root))[:, None])]
    outer, others = _unit(whole), 0
    for position, factor in enumerate(factors):
        before = factors[:position]
        if not others and all(nested(factor, one) for one in before):
            inner = _unit(indicators[position])
            spaces.append(Nested(inner, outer))
            outer = inner
            continue
        others += factor.size
        if position == len(factors) - 1 and factor.size == len(root):
            spaces.append(None)
        elif len(root) * others > MOST_BASIS or len(root) * float(others) ** 2 > MOST_WORK:
            raise _stop(
                "The table is too large for generalised intervals",
                f"{len(root)} combinations of levels, and {others} levels that do not lie within "
                "one another",
            )
        else:
            spaces.append(Dense(_beyond(indicators[position].toarray(), spaces)))
    return tuple(spaces)


def _unit(columns: sparse.csr_array) -> sparse.csr_array:
    """Columns without a common row, each of length 1."""
    size = np.sqrt(np.asarray(columns.multiply(columns).sum(axis=0))).reshape(-1)
    return sparse.csr_array(columns @ sparse.diags_array(1 / size))


def _stop(what: str, found: str) -> EstimateError:
    return EstimateError(what, found=found, next_step=_WAY_OUT)


def _indicator(codes: Ints, size: int, of_row: Ints, root: Floats) -> sparse.csr_array:
    level = np.empty(len(root), dtype=np.intp)
    level[of_row] = codes
    return sparse.csr_array((root, (np.arange(len(root)), level)), (len(root), size))


def _beyond(columns: Floats, spaces: list[Space | None]) -> Floats:
    """Orthonormal basis of what the columns span beyond the spaces."""
    size = np.sqrt((columns**2).sum(axis=0))
    rest = columns / size
    for _ in range(2):  # twice, since one pass leaves rounding
        for space in spaces:
            if space is not None and space.rank:
                rest = rest - space.project(rest)
    rest = rest[:, (rest**2).sum(axis=0) > RANK**2]
    if not rest.shape[1]:
        return np.empty((len(columns), 0))
    found, triangle, _ = linalg.qr(rest, mode="economic", pivoting=True, check_finite=False)
    rank = int((np.abs(np.diag(triangle)) > RANK).sum())
    return np.asarray(found[:, :rank])


def solve(spread: Spread, seen: Floats) -> Floats:
    """Variances that match sums of squares (K + 1,), one row per draw: (m, K + 1).

    Residual first, then the factors in their order; entries may be negative.
    """
    count, m = spread.own.shape
    out = np.empty((m, count + 1))
    out[:, 0] = seen[-1] / spread.rest
    for j in range(count - 1, -1, -1):
        left = seen[j] - out[:, 0] * spread.own[j]
        for k in range(j + 1, count):
            left = left - out[:, k + 1] * spread.shared[j, k]
        out[:, j + 1] = left / spread.shared[j, j]
    return out


def draws(design: Design, *, n_draws: int, seed: int) -> Floats:
    """Generalised draws of the variances, in the caller's units, (n_draws, K + 1).

    Residual first, then the factors in the order of the design; entries may be
    negative. The same seed gives the same draws.
    """
    with threadpool_limits(1):  # more threads would turn the last digits
        split = steps(design)
        seen = split.sums_of_squares(design.response[:, None])[:, 0]
        return solve(split.spread(n_draws, seed), seen) * design.scale**2
