"""How the eliminated levels meet the lead: two ways to the same sums.

With W = L^-1 D C S (L from the blocks, D and S the relative standard deviations
of eliminated levels and lead, C counts of shared rows), one evaluation needs
W'W and, per eliminated level, its part of the trace of an inverse. `Dense`
multiplies matrices. `Pairs` lists, for each eliminated level, the pairs of lead
levels that it ties together: with many sparse levels that is far less work.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.linalg import lapack

from cohortkit.mixed.blocks import Roots
from cohortkit.mixed.design import Floats

# One entry of a pair list costs about this many multiplications of a dense product.
PAIR_COST = 30
MOST_PAIRS = 40_000_000


@dataclass(frozen=True)
class Dense:
    """Counts C of shared rows with all lead columns, dense (eliminated, lead)."""

    counts: Floats

    def times(self, lead: Floats) -> Floats:
        """C `lead`."""
        return self.counts @ lead

    def transposed_times(self, eliminated: Floats) -> Floats:
        """C' `eliminated`."""
        return self.counts.T @ eliminated

    def square(self, roots: Roots, root: Floats, scale: Floats) -> Floats:
        """W'W, shape (lead, lead)."""
        w = roots.half(self.counts * root[:, None]) * scale
        return w.T @ w

    def spread(self, roots: Roots, root: Floats, scale: Floats, half: Floats) -> Floats:
        """Diagonal of G H'H G' with G = L'^-1 W, for each eliminated level.

        `half` is H, lower triangular, for the first columns of the lead.
        """
        used = len(half)
        if not used:
            return np.zeros(len(root))
        w = roots.half(self.counts[:, :used] * root[:, None]) * scale[:used]
        g = roots.half_transposed(w) @ half.T
        return np.einsum("ij,ij->i", g, g)


@dataclass(frozen=True)
class Pairs:
    """The same, for blocks of size 1 and many sparse lead levels.

    `levels` is C for the random levels, sparse (eliminated, R); `fixed` for the
    fixed columns, (eliminated, p); `pairs` has one row per pair of lead levels
    (numbered row * R + column, row >= column) and one column per eliminated level.
    """

    levels: sparse.csr_array
    fixed: Floats
    pairs: sparse.csc_array

    def times(self, lead: Floats) -> Floats:
        """C `lead`."""
        return (
            self.levels @ lead[: self.levels.shape[1]] + self.fixed @ lead[self.levels.shape[1] :]
        )

    def transposed_times(self, eliminated: Floats) -> Floats:
        """C' `eliminated`."""
        return np.concatenate([self.levels.T @ eliminated, self.fixed.T @ eliminated])

    def square(self, roots: Roots, root: Floats, scale: Floats) -> Floats:
        """W'W, shape (lead, lead); only the lower triangle is filled."""
        r = self.levels.shape[1]
        weight = roots.inverse_diagonal() * root**2
        out = np.zeros((len(scale), len(scale)))
        out[:r, :r] = (self.pairs @ weight).reshape(r, r)
        weighted = self.fixed * weight[:, None]
        out[r:, :r] = (self.levels.T @ weighted).T
        out[r:, r:] = self.fixed.T @ weighted
        out *= scale[:, None]
        out *= scale
        return out

    def spread(self, roots: Roots, root: Floats, scale: Floats, half: Floats) -> Floats:
        """Diagonal of G H'H G' with G = L'^-1 W, for each eliminated level."""
        r, used = self.levels.shape[1], len(half)
        # Only the lower triangle of H'H is formed; pairs below the diagonal count twice.
        inner = lapack.dlauum(half, lower=1)[0]
        inner *= scale[:used, None]
        inner *= 2 * scale[:used]
        inner.flat[:: used + 1] /= 2
        sums = self.pairs.T @ np.ravel(inner[:r, :r])
        if used > r:
            sums = sums + ((self.levels @ inner[r:, :r].T) * self.fixed).sum(axis=1)
            sums = sums + ((self.fixed @ np.tril(inner[r:, r:])) * self.fixed).sum(axis=1)
        return roots.inverse_diagonal() ** 2 * root**2 * sums


def pair_list(levels: sparse.csr_array) -> sparse.csc_array:
    """All pairs of lead levels that share an eliminated level, with products of counts."""
    levels.sort_indices()
    r = levels.shape[1]
    width = np.diff(levels.indptr)
    place = np.arange(levels.nnz) - np.repeat(levels.indptr[:-1], width)
    repeats = place + 1
    first = np.repeat(np.arange(levels.nnz), repeats)
    run = np.cumsum(repeats) - repeats
    second = np.repeat(np.arange(levels.nnz) - place, repeats) + (
        np.arange(len(first)) - np.repeat(run, repeats)
    )
    index = levels.indices.astype(np.int64)
    rows = index[first] * r + index[second]
    data = levels.data[first] * levels.data[second]
    ends = np.concatenate([[0], np.cumsum(width * (width + 1) // 2)])
    return sparse.csc_array((data, rows, ends), shape=(r * r, levels.shape[0]))


def couple(levels: sparse.csr_array, fixed: Floats, largest_block: int) -> Dense | Pairs:
    """The cheaper of the two ways for this design."""
    eliminated, r = levels.shape
    width = np.diff(levels.indptr).astype(float)
    pairs = float((width * (width + 1) / 2).sum())
    dense = float(eliminated) * r * r / 2
    if largest_block == 1 and pairs < MOST_PAIRS and pairs * PAIR_COST < dense:
        return Pairs(levels, fixed, pair_list(levels))
    return Dense(np.hstack([levels.toarray(), fixed]))
