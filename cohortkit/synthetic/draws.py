"""Random numbers that stay the same from one library version to the next."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Numbers = NDArray[np.float64]
Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]


class Draws:
    """A named stream of random numbers.

    Only the raw 64-bit output of the generator is used, because NumPy promises
    that output for ever, and promises nothing for its distributions. So the
    same seed writes the same files under any version.

    Parameters
    ----------
    seed
        The design's seed.
    stream
        What is drawn, such as ``"people"``. Streams do not disturb one another:
        one more draw in one of them leaves the others as they were.
    """

    def __init__(self, seed: int, stream: str) -> None:
        words = [seed, *stream.encode("utf-8")]
        self._bits = np.random.PCG64(np.random.SeedSequence(words))

    def uniform(self, *shape: int) -> Numbers:
        """Even numbers strictly between 0 and 1."""
        raw = self._bits.random_raw(int(np.prod(shape, dtype=np.int64)))
        high_bits = (np.asarray(raw) >> np.uint64(11)).astype(np.float64)
        return (high_bits + 0.5).reshape(shape) * 2.0**-53

    def normal(self, *shape: int) -> Numbers:
        """Standard normal numbers, by inversion."""
        return ndtri(self.uniform(*shape))

    def happens(self, chance: Numbers | float, n: int) -> Flags:
        """One yes/no per row, yes with `chance`."""
        return self.uniform(n) < chance

    def index(self, shares: Sequence[float] | Numbers, n: int) -> Whole:
        """Positions 0..k-1 drawn with the given shares."""
        edges = np.cumsum(np.asarray(shares, dtype=np.float64))
        drawn = np.searchsorted(edges / edges[-1], self.uniform(n), side="right")
        return np.minimum(drawn, len(edges) - 1).astype(np.int64)

    def choice(self, codes: Sequence[str], shares: Sequence[float], n: int) -> NDArray[np.object_]:
        """Codes drawn with the given shares."""
        return np.array(codes, dtype=object)[self.index(shares, n)]

    def whole(self, low: int, high: int, n: int) -> Whole:
        """Whole numbers from `low` to `high`, both included, all alike likely."""
        return low + np.floor(self.uniform(n) * (high - low + 1)).astype(np.int64)

    def order(self, n: int) -> Whole:
        """The numbers 0..n-1 in random order."""
        return np.argsort(self.uniform(n), kind="stable").astype(np.int64)
