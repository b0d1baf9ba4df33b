"""Small dense blocks along a diagonal: factorised together, size by size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from cohortkit.mixed.design import Floats, Ints


@dataclass(frozen=True)
class Group:
    """Blocks of one size, in consecutive positions.

    `base` has shape (count, size, size); (count,) if the size is 1.
    """

    start: int
    count: int
    size: int
    base: Floats

    @property
    def place(self) -> slice:
        """Positions that the group covers."""
        return slice(self.start, self.start + self.count * self.size)


@dataclass(frozen=True)
class Blocks:
    """A block-diagonal matrix B; `factor` takes the roots of I + D B D."""

    groups: tuple[Group, ...]
    size: int

    @property
    def largest(self) -> int:
        """Size of the largest block."""
        return max(group.size for group in self.groups)

    def factor(self, root: Floats) -> Roots:
        """Inverse Cholesky factors of I + D B D with D = diag(`root`)."""
        parts, log_det = [], 0.0
        for group in self.groups:
            scale = root[group.place]
            if group.size == 1:
                full = 1 + scale**2 * group.base
                parts.append(1 / np.sqrt(full))
                log_det += float(np.log(full).sum())
                continue
            scale = scale.reshape(group.count, group.size)
            full = np.eye(group.size) + scale[:, :, None] * group.base * scale[:, None, :]
            lower = np.linalg.cholesky(full)
            log_det += 2 * float(np.log(np.diagonal(lower, axis1=1, axis2=2)).sum())
            parts.append(np.linalg.inv(lower))
        return Roots(self.groups, tuple(parts), log_det)


@dataclass(frozen=True)
class Roots:
    """L^-1 of a block-diagonal matrix L L', and log |L L'|."""

    groups: tuple[Group, ...]
    inverse: tuple[Floats, ...]
    log_det: float

    def half(self, values: Floats) -> Floats:
        """L^-1 `values`; `values` has shape (size, k)."""
        return self._multiply(values, transpose=False)

    def half_transposed(self, values: Floats) -> Floats:
        """L'^-1 `values`; `values` has shape (size, k)."""
        return self._multiply(values, transpose=True)

    def _multiply(self, values: Floats, *, transpose: bool) -> Floats:
        out = np.empty_like(values)
        for group, inverse in zip(self.groups, self.inverse, strict=True):
            here = values[group.place]
            if group.size == 1:
                out[group.place] = inverse[:, None] * here
                continue
            shaped = here.reshape(group.count, group.size, -1)
            matrix = inverse.transpose(0, 2, 1) if transpose else inverse
            out[group.place] = (matrix @ shaped).reshape(here.shape)
        return out

    def inverse_diagonal(self) -> Floats:
        """Diagonal of (L L')^-1, shape (size,)."""
        return np.concatenate(
            [
                inverse**2 if group.size == 1 else (inverse**2).sum(axis=1).ravel()
                for group, inverse in zip(self.groups, self.inverse, strict=True)
            ]
        )


def group_blocks(cross: sparse.csr_array, block: Ints) -> Blocks:
    """Cut a block-diagonal sparse matrix into its blocks.

    Parameters
    ----------
    cross
        Square, in the order of `block`.
    block
        Block of each position: blocks are consecutive, and sorted by size.
    """
    change = np.flatnonzero(np.diff(block)) + 1
    first = np.concatenate([[0], change])
    sizes = np.diff(np.concatenate([first, [len(block)]]))
    entries = cross.tocoo()
    row, column = entries.coords
    groups = []
    for size in np.unique(sizes):
        starts = first[sizes == size]
        start, count = int(starts[0]), len(starts)
        inside = (row >= start) & (row < start + count * size)
        base = np.zeros((count, int(size), int(size)))
        r, c = row[inside] - start, column[inside] - start
        base[r // size, r % size, c % size] = entries.data[inside]
        groups.append(Group(start, count, int(size), base.ravel() if size == 1 else base))
    return Blocks(tuple(groups), len(block))
