"""Differences that come in fingers within participants, and about a line: their components.

`limit_components` knows one level of groups. Here a finger may be read several times and
a participant give several fingers; and the differences may lie about a line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cohortkit.agreement.limit_components import (
    FLOOR,
    Array,
    Total,
    effective_df,
    squared_share,
)


@dataclass(frozen=True)
class Fingered:
    """What an analysis of differences on two levels needs, by participant.

    All of shape (..., k): `size` pairs, `mean` of the differences, `fingers` read,
    `squares` sum over fingers of the squared number of pairs, `among` sum of squares of
    the fingers' means about the participant's, `inner` about the finger's own mean.
    """

    size: np.ndarray
    mean: np.ndarray
    fingers: np.ndarray
    squares: np.ndarray
    among: np.ndarray
    inner: np.ndarray

    def take(self, rows: np.ndarray) -> Fingered:
        """Some participants, or the same one several times."""
        return Fingered(*(getattr(self, name)[..., rows] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class Levels:
    """Mean squares of participants, fingers and pairs, with what they are expected to be.

    E(pairs) = e; E(fingers) = e + c f; E(participants) = e + d f + g p, with p, f, e the
    variances; `trace`, `square` of participants as `effective_df` takes them.
    """

    squares: tuple[Array, Array, Array]
    df: tuple[Array, Array, Array]
    c: Array
    d: Array
    g: Array
    trace: Array
    square: Array

    def variances(self) -> tuple[Array, Array, Array]:
        """Moment estimates of p, f, e; p and f may be negative."""
        participants, fingers, pairs = self.squares
        finger = (fingers - pairs) / self.c
        return (participants - self.d * finger - pairs) / self.g, finger, pairs

    def total(self, bias: Array, shares: tuple[Array, Array, Array], bias_df: Array) -> Total:
        """With a bias whose variance is the sum of `shares` times p, f and e."""
        p, f, e = self.variances()
        of_p, of_f = 1 / self.g, (1 - self.d / self.g) / self.c
        variance = shares[0] * p + shares[1] * f + shares[2] * e
        # Beside the pairs, the sum of squares of participants sees p + f d / g.
        own = effective_df(self.trace, self.square, (p + f * self.d / self.g, e), self.df[0])
        weights = np.broadcast_arrays(of_p, of_f, 1 - of_p - of_f)
        return Total(
            bias=bias,
            bias_variance=np.maximum(variance, FLOOR * shares[2] * e),
            bias_df=bias_df,
            weights=np.stack(weights, axis=-1),
            squares=np.stack(np.broadcast_arrays(*self.squares), axis=-1),
            df=np.stack(np.broadcast_arrays(own, *self.df[1:]), axis=-1),
            between=p,
            within=f + e,
        )


def fingered(difference: np.ndarray, cluster: np.ndarray, finger: np.ndarray) -> Fingered:
    """Sums by participant of differences, shape (n,), codes 0..k-1 and fingers' own codes."""
    centred = difference - difference.mean()
    number = np.bincount(finger)
    mean = np.bincount(finger, centred) / number
    owner = np.zeros(len(number), dtype=np.intp)
    owner[finger] = cluster
    size = np.bincount(cluster).astype(float)
    person = np.bincount(cluster, centred) / size
    return Fingered(
        size=size,
        mean=person + difference.mean(),
        fingers=np.bincount(owner).astype(float),
        squares=np.bincount(owner, number.astype(float) ** 2),
        among=np.bincount(owner, number * (mean - person[owner]) ** 2),
        inner=np.bincount(cluster, (centred - mean[finger]) ** 2),
    )


def has_levels(cluster: np.ndarray, finger: np.ndarray | None) -> bool:
    """Whether somebody gave several fingers, and some finger was read several times."""
    if finger is None:
        return False
    fingers = len(np.unique(finger))
    return len(np.unique(cluster)) < fingers < len(finger)


def two_way(parts: Fingered) -> Total:
    """Components of differences between participants, between fingers, and the rest.

    Sums of squares of the nested analysis of variance set equal to what they are expected
    to be (Searle 1971). Total variance = p + f + e, nothing cut off at zero.
    """
    size = parts.size
    count, k = size.sum(axis=-1), size.shape[-1]
    fingers = parts.fingers.sum(axis=-1)
    bias = (size * parts.mean).sum(axis=-1) / count
    participants = (size * (parts.mean - bias[..., None]) ** 2).sum(axis=-1) / (k - 1)
    within, alone = (parts.squares / size).sum(axis=-1), parts.squares.sum(axis=-1) / count
    finger_df, pair_df = fingers - k, count - fingers
    with np.errstate(invalid="ignore", divide="ignore"):
        levels = Levels(
            squares=(
                participants,
                parts.among.sum(axis=-1) / finger_df,
                parts.inner.sum(axis=-1) / pair_df,
            ),
            df=(k - 1.0, finger_df, pair_df),
            c=(count - within) / finger_df,
            d=(within - alone) / (k - 1),
            g=(count - (size**2).sum(axis=-1) / count) / (k - 1),
            trace=count - (size**2).sum(axis=-1) / count,
            square=squared_share(size),
        )
        shares = ((size**2).sum(axis=-1) / count**2, alone / count, 1 / count)
        return levels.total(bias, shares, k - 1)


@dataclass(frozen=True)
class Line:
    """Differences about a line: its coefficients (slope, intercept) and their components."""

    slope: float
    intercept: float
    levels: Levels
    shares: tuple[np.ndarray, np.ndarray, np.ndarray]
    bias_df: int

    def at(self, sizes: np.ndarray, *, slope_only: bool = False) -> Total:
        """The line, or its slope alone, at sizes of shape (m,)."""
        one = np.zeros_like(sizes) if slope_only else np.ones_like(sizes)
        x = np.column_stack([one, sizes])
        p, f, e = (np.einsum("ij,jk,ik->i", x, share, x) for share in self.shares)
        return self.levels.total(self.intercept * one + self.slope * sizes, (p, f, e), self.bias_df)


def line(
    mean: np.ndarray, difference: np.ndarray, cluster: np.ndarray, finger: np.ndarray | None
) -> Line | None:
    """Least squares line of difference on mean, with components of what lies about it.

    Parameters
    ----------
    mean, difference
        Of n pairs, shape (n,).
    cluster, finger
        Codes of participants, and of fingers where those are a level of their own.

    Returns
    -------
    Line or None
        Sums of squares are taken out in order: line, participants, fingers, pairs
        (Henderson 1953, method 3). None where a level has no degree of freedom.
    """
    n, finger = len(mean), finger if has_levels(cluster, finger) else None
    centre = mean.mean()
    x = np.column_stack([np.ones(n), mean - centre])
    gram = np.linalg.inv(x.T @ x)
    fit = gram @ x.T @ difference
    rest = difference - x @ fit
    people = _Groups(cluster, x)
    own, own_df, inner, inner_squares = people.within(mean - centre, rest)
    df = [n - 2 - own_df, 0, own_df]
    squares = [float(rest @ rest) - own, 0.0, own]
    c = np.inf  # without fingers as a level, theirs has no weight
    d = 0.0
    trace, square = people.trace(gram), people.square(gram)
    shares = [people.share(gram), np.zeros((2, 2)), gram]
    if finger is not None:
        hands = _Groups(finger, x)
        least, least_df, _, _ = hands.within(mean - centre, rest)
        df[1:], squares[1:] = [own_df - least_df, least_df], [own - least, least]
        shares[1] = hands.share(gram)
        within = _squares_within(cluster, finger)
        if inner_squares > 0:
            within += float((np.bincount(finger, inner) ** 2).sum()) / inner_squares
        c = (n - within) / df[1] if df[1] > 0 else np.nan
        d = (within - n + hands.trace(gram)) / df[0] if df[0] > 0 else np.nan
    if df[0] < 2 or df[2] < 1 or (finger is not None and df[1] < 1):
        return None
    scaled = [s / f if f else squares[2] / df[2] for s, f in zip(squares, df, strict=True)]
    levels = Levels(
        (scaled[0], scaled[1], scaled[2]), (float(df[0]), float(df[1]), float(df[2])),
        np.asarray(c), np.asarray(d), trace / df[0], trace, square,
    )  # fmt: skip
    move = np.array([[1.0, -centre], [0.0, 1.0]])  # from coefficients about the centre
    moved = [move @ share @ move.T for share in shares]
    return Line(
        float(fit[1]), float(fit[0] - fit[1] * centre), levels, (moved[0], moved[1], moved[2]),
        len(people.size) - 2,
    )  # fmt: skip


class _Groups:
    """Sums over groups of the columns of a line."""

    def __init__(self, codes: np.ndarray, x: np.ndarray) -> None:
        self.codes, self.size = codes, np.bincount(codes).astype(float)
        self.sums = np.column_stack([np.bincount(codes, column) for column in x.T])

    def within(self, mean: np.ndarray, rest: np.ndarray) -> tuple[float, int, np.ndarray, float]:
        """Squares about the groups' own levels and one common slope, their df, the centred mean."""

        def centred(values: np.ndarray) -> np.ndarray:
            return values - (np.bincount(self.codes, values) / self.size)[self.codes]

        x, y = centred(mean), centred(rest)
        seen = float(x @ x)
        seen = seen if seen > 1e-12 * float(mean @ mean) else 0.0
        squares, df = float(y @ y), len(mean) - len(self.size)
        if seen:
            squares, df = squares - float(x @ y) ** 2 / seen, df - 1
        return max(squares, 0.0), df, x, seen

    def share(self, gram: np.ndarray) -> np.ndarray:
        """Covariance of the coefficients for a variance of 1 between these groups."""
        return np.asarray(gram @ self.sums.T @ self.sums @ gram)

    def trace(self, gram: np.ndarray) -> float:
        """Trace of Z' (I - P) Z, P the projection on the line."""
        return float(self.size.sum() - np.trace(gram @ self.sums.T @ self.sums))

    def square(self, gram: np.ndarray) -> float:
        """Trace of the square of the same."""
        weighted = gram @ (self.sums.T * self.size) @ self.sums
        twice = gram @ self.sums.T @ self.sums
        return float((self.size**2).sum() - 2 * np.trace(weighted) + np.trace(twice @ twice))


def _squares_within(cluster: np.ndarray, finger: np.ndarray) -> float:
    """Sum over participants of the fingers' squared numbers over the participant's number."""
    number = np.bincount(finger).astype(float)
    owner = np.zeros(len(number), dtype=np.intp)
    owner[finger] = cluster
    return float((np.bincount(owner, number**2) / np.bincount(cluster)).sum())
