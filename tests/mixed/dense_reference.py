"""An independent route to the same likelihood: dense matrices, several starts, scipy's L-BFGS-B."""

from __future__ import annotations

import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import minimize

STARTS = (0.05, 0.7, 5.0)


def deviance(ratio, y, x, products, reml):
    """-2 log likelihood profiled over residual variance and coefficients, and its slope."""
    n, p = x.shape
    df = n - p if reml else n
    v = np.eye(n) + sum(r * product for r, product in zip(ratio, products, strict=True))
    lower = np.linalg.cholesky(v)
    inverse = np.linalg.inv(v)
    middle = x.T @ inverse @ x
    half = inverse @ x
    projector = inverse - half @ np.linalg.solve(middle, half.T)
    score = projector @ y
    rest = y @ score
    value = 2 * np.log(np.diag(lower)).sum() + df * (1 + np.log(2 * np.pi * rest / df))
    value += np.linalg.slogdet(middle)[1] if reml else 0.0
    inner = projector if reml else inverse
    slope = [(inner * b).sum() - df / rest * (score @ b @ score) for b in products]
    return value, np.array(slope)


def best(y, x, indicators, reml, fixed_at_zero=()):
    """Largest log likelihood and the ratios there, over several starts."""
    products = [z @ z.T for z in indicators]
    bounds = [(0, 0 if k in fixed_at_zero else 1e8) for k in range(len(indicators))]
    found = [
        minimize(
            deviance,
            [0.0 if k in fixed_at_zero else start for k in range(len(indicators))],
            args=(y, x, products, reml),
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"ftol": 1e-15, "gtol": 1e-7, "maxiter": 500},
        )
        for start in STARTS
    ]
    smallest = min(found, key=lambda result: result.fun)
    return -smallest.fun / 2, smallest.x


def log_likelihood(y, x, indicators, v, reml):
    """Log likelihood at variances `v`, residual first: dense, by orthogonal columns."""
    total = v[0] * np.eye(len(y)) + sum(s * z @ z.T for s, z in zip(v[1:], indicators, strict=True))
    lower = np.linalg.cholesky(total)
    half = solve_triangular(lower, np.column_stack([x, y]), lower=True)
    triangle = np.linalg.qr(half, mode="r")
    p = x.shape[1]
    value = 2 * np.log(np.diag(lower)).sum() + triangle[p, p] ** 2
    value += (len(y) - (p if reml else 0)) * np.log(2 * np.pi)
    value += 2 * np.log(np.abs(np.diag(triangle)[:p])).sum() if reml else 0.0
    return -value / 2
