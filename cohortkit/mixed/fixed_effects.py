"""Fixed coefficients with standard errors and Satterthwaite degrees of freedom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cohortkit.mixed.design import Design, Floats
from cohortkit.mixed.fitting import Optimum, Problem
from cohortkit.mixed.likelihood import Factorisation


@dataclass(frozen=True)
class Coefficients:
    """Fixed coefficients in the caller's units.

    `shift` is the estimate less its least-squares value, in units of the
    response's spread; `df` is NaN where it cannot be had.
    """

    value: Floats
    covariance: Floats
    df: Floats
    shift: Floats

    @property
    def error(self) -> Floats:
        """Standard errors."""
        return np.sqrt(np.diag(self.covariance))


def coefficients(design: Design, problem: Problem, best: Optimum) -> Coefficients:
    """Generalised least squares at the fitted variances.

    The degrees of freedom of coefficient b are 2 Var(b)^2 / (d' C d), with d the
    slope of Var(b) in the variances and C their covariance, twice the inverse
    curvature of f over the components that are not zero (Satterthwaite 1946,
    Biometrics Bulletin 2: 110-114; Giesbrecht & Burns 1985, Biometrics 41: 477-486).
    """
    equations, v = problem.equations, best.point.v
    factors = Factorisation(equations, v[1:] / v[0])
    shift = best.point.parts.shift
    remaining = equations.remaining
    corner = factors.inverse[remaining:, remaining:]
    unit = corner.T @ corner
    first, second = factors.forward(equations.fixed, np.eye(equations.p))
    second[remaining:] = 0
    tied = factors.backward(first, second)[0] @ unit
    slopes = np.empty((len(v), equations.p, equations.p))
    for k in range(len(v) - 1):
        part = tied[equations.factor_of == k]
        slopes[k + 1] = part.T @ part
    # C is linear in the scale of v, so the slopes weighted by v add up to C itself.
    slopes[0] = unit - np.einsum("k,kab->ab", v[1:] / v[0], slopes[1:])
    back = design.fixed.back
    variance = v[0] * np.einsum("ja,ab,jb->j", back, unit, back)
    gradient = np.einsum("ja,kab,jb->jk", back, slopes, back)
    value = back @ (design.shift + design.scale * shift)
    value[0] += design.offset
    return Coefficients(
        value=value,
        covariance=design.scale**2 * v[0] * (back @ unit @ back.T),
        df=satterthwaite(best, variance, gradient),
        shift=back @ shift,
    )


def satterthwaite(best: Optimum, variance: Floats, gradient: Floats) -> Floats:
    """2 variance^2 / (gradient' C gradient), over the components above zero."""
    inside = np.flatnonzero(best.v > 0)
    if 0 not in inside:
        return np.full(len(variance), np.nan)
    curvature = best.point.curvature[np.ix_(inside, inside)]
    size = np.sqrt(np.diag(curvature))
    scaled = 2 * np.linalg.pinv(curvature / np.outer(size, size), rcond=1e-12, hermitian=True)
    slopes = gradient[:, inside] / size
    return 2 * variance**2 / np.einsum("jk,kl,jl->j", slopes, scaled, slopes)
