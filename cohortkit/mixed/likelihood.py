"""-2 log likelihood of variances, with slope and curvature, from cross-products.

V = v0 I + sum_k v_k Z_k Z_k', P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1.

    f = log|V| + y'Py + n log(2 pi)                                (ML)
    f = log|V| + log|X'V^-1 X| + y'Py + (n - p) log(2 pi)          (REML)
    df/dv_k = tr(P Z_k Z_k') - y'P Z_k Z_k' P y                    (REML; ML: tr(V^-1 Z_k Z_k'))
    curvature_kl = y'P Z_k Z_k' P Z_l Z_l' P y

The curvature is the average of observed and expected information (Gilmour,
Thompson & Cullis 1995, Biometrics 51: 1440-1450). Everything is read off one
Cholesky factor of the mixed-model equations (Henderson 1953, Biometrics 9:
226-252; the profiled form as in Bates, Maechler, Bolker & Walker 2015, J Stat
Softw 67(1), section 3).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import linalg
from scipy.linalg import lapack

from cohortkit.mixed.blocks import Roots
from cohortkit.mixed.design import Floats
from cohortkit.mixed.equations import Equations, Response

Method = Literal["reml", "ml"]
LEAST_REST = 1e-14
TINY = 1e-13  # variance, in units of the response's spread, whose slope needs more digits
LOG_TWO_PI = float(np.log(2 * np.pi))


class Factorisation:
    """Cholesky factor of the mixed-model equations at given variance ratios.

    `ratio` has shape (K,): v_k / v_0, each above zero.
    """

    def __init__(self, equations: Equations, ratio: Floats) -> None:
        self.equations = equations
        gone = equations.blocks.size
        root = np.sqrt(ratio)[equations.factor_of]
        self.root, self.root_gone = root, root[:gone]
        self.scale = np.concatenate([root[gone:], np.ones(equations.p)])
        self.roots: Roots = equations.blocks.factor(self.root_gone)
        lead = equations.lead * self.scale[:, None]
        lead *= self.scale
        remaining = equations.remaining
        lead.flat[: remaining * (len(lead) + 1) : len(lead) + 1] += 1
        lead -= equations.coupling.square(self.roots, self.root_gone, self.scale)
        lower = linalg.cholesky(lead, lower=True, check_finite=False, overwrite_a=True)
        diagonal = np.log(np.diag(lower))
        self.log_det = self.roots.log_det + 2 * float(diagonal[:remaining].sum())
        self.log_det_fixed = 2 * float(diagonal[remaining:].sum())
        self.inverse = lapack.dtrtri(lower, lower=1)[0] if len(lower) else lower

    def forward(self, levels: Floats, fixed: Floats) -> tuple[Floats, Floats]:
        """Half-solve for right-hand sides Z'a (q, k) and Q'a (p, k)."""
        gone = len(self.root_gone)
        first = self.roots.half(self.root_gone[:, None] * levels[:gone])
        tied = self.equations.coupling.transposed_times(
            self.root_gone[:, None] * self.roots.half_transposed(first)
        )
        right = self.scale[:, None] * (np.concatenate([levels[gone:], fixed]) - tied)
        return first, self.inverse @ right

    def backward(self, first: Floats, second: Floats) -> tuple[Floats, Floats]:
        """Solutions for levels, Z'Pa (q, k), and fixed coefficients (p, k)."""
        lead = self.inverse.T @ second
        tied = self.root_gone[:, None] * self.equations.coupling.times(self.scale[:, None] * lead)
        gone = self.roots.half_transposed(first - self.roots.half(tied))
        remaining = self.equations.remaining
        spherical = np.concatenate([gone, lead[:remaining]])
        return spherical / self.root[:, None], lead[remaining:]

    def traces(self, method: Method, ratio: Floats) -> Floats:
        """tr(Z_k' P Z_k) per factor (REML), or tr(Z_k' V^-1 Z_k) (ML), with v_0 = 1."""
        remaining = self.equations.remaining
        used = remaining if method == "ml" else len(self.inverse)
        half = self.inverse[:used, :used]
        spread = self.equations.coupling.spread(self.roots, self.root_gone, self.scale, half)
        diagonal = np.concatenate(
            [
                self.roots.inverse_diagonal() + spread,
                np.einsum("ij,ij->j", half[:, :remaining], half[:, :remaining]),
            ]
        )
        kept = np.bincount(self.equations.factor_of, weights=diagonal, minlength=len(ratio))
        return (self.equations.sizes - kept) / ratio

    def trace_of(self, position: int, method: Method) -> float:
        """One factor's entry of `traces`, for a tiny ratio by which no digit survives division."""
        equations = self.equations
        own = np.flatnonzero(equations.factor_of == position)
        columns = equations.cross[:, own].toarray()
        first, second = self.forward(columns, equations.fixed[own].T)
        if method == "ml":
            second[equations.remaining :] = 0
        return float(np.trace(self.backward(first, second)[0][own]))


@dataclass(frozen=True)
class Parts:
    """What an evaluation needs that does not depend on the residual variance.

    `rest` is y'Py, `trace` tr(P Z_k Z_k'), `score` y'P Z_k Z_k' P y and `mixed`
    y'P Z_k Z_k' P Z_l Z_l' P y, all with v_0 = 1. `shift` is the generalised less the
    ordinary least squares, in coordinates of the fixed basis, (p,). `df` is n - p, or n
    for ML.
    """

    log_det: float
    rest: float
    trace: Floats
    score: Floats
    mixed: Floats
    shift: Floats
    df: int


@dataclass(frozen=True)
class Point:
    """f, its slope and its curvature at variances `v`, (K + 1,), residual first."""

    v: Floats
    value: float
    slope: Floats
    curvature: Floats
    parts: Parts


def place(parts: Parts, v: Floats) -> Point:
    """Scale the parts of an evaluation to variances `v`."""
    v0, ratios = v[0], v[1:]
    value = parts.log_det + parts.df * (float(np.log(v0)) + LOG_TWO_PI) + parts.rest / v0
    slope = np.empty_like(v)
    slope[1:] = parts.trace / v0 - parts.score / v0**2
    # v'slope = df - y'Py, since V is linear in v; likewise for the rows of the curvature.
    slope[0] = (parts.df - parts.rest / v0 - ratios @ slope[1:]) / v0
    scores = np.empty_like(v)
    scores[1:] = parts.score / v0**2
    scores[0] = (parts.rest / v0 - ratios @ scores[1:]) / v0
    curvature = np.empty((len(v), len(v)))
    curvature[1:, 1:] = parts.mixed / v0**3
    curvature[0, 1:] = (scores[1:] - curvature[1:, 1:] @ ratios) / v0
    curvature[1:, 0] = curvature[0, 1:]
    curvature[0, 0] = (scores[0] - curvature[0, 1:] @ ratios) / v0
    return Point(v, float(value), slope, curvature, parts)


def evaluate(
    equations: Equations, response: Response, v: Floats, method: Method, *, scaled: bool = False
) -> Point:
    """F at `v`, (K + 1,), residual variance first; every entry above zero.

    With `scaled` at the multiple of `v` that is best.
    """
    ratio = v[1:] / v[0]
    factors = Factorisation(equations, ratio)
    right = factors.forward(response.levels[:, None], response.fixed[:, None])
    effects, shift = factors.backward(*right)
    explained = sum(float((part**2).sum()) for part in right)
    # Below this share the difference is rounding; the floor keeps the logarithm finite.
    rest = max(response.square - explained, LEAST_REST * response.square)
    working = np.zeros((len(effects), len(ratio)))
    working[np.arange(len(effects)), equations.factor_of] = effects[:, 0]
    crossed = equations.cross @ working
    first, second = factors.forward(crossed, equations.fixed.T @ working)
    mixed = working.T @ crossed - first.T @ first - second.T @ second
    trace = factors.traces(method, ratio)
    for position in np.flatnonzero(v[1:] < TINY):
        trace[position] = factors.trace_of(int(position), method)
    reml = method == "reml"
    parts = Parts(
        log_det=factors.log_det
        + (factors.log_det_fixed + equations.log_det_fixed if reml else 0.0),
        rest=rest,
        trace=trace,
        score=(working**2).sum(axis=0),
        mixed=mixed,
        shift=shift[:, 0],
        df=equations.n - (equations.p if reml else 0),
    )
    return place(parts, v * (parts.rest / parts.df / v[0]) if scaled else v)
