"""Best weights of a continuous design on a given list of points.

First the multiplicative algorithm (Silvey, Titterington & Torsney 1978; for averages Yu 2010, Ann.
Statist. 38, 1593-1606), sped up by squared extrapolation (Varadhan & Roland 2008): quick where the
points are few and far apart, as on the coarse grid of a cube. Where it lingers, because neighbouring
points compete, a primal-dual interior-point method finishes on the points that still count.

With log|M|/p or -log trace(W M^-1) to be made large, both are solved as: make F(w) + sum(w) small for
w >= 0, whose gradient is 1 - f'Kf / limit and whose optimum has sum 1 by itself.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from kit.terms import FloatArray

_MULTIPLICATIVE_STEPS = 60
_INTERIOR_STEPS = 80
_MOST_INTERIOR = 600
_CENTRING = 0.1
_TO_BOUNDARY = 0.95
_DROPPED = 1e-9


def sensitivity(M: FloatArray, W: FloatArray | None) -> tuple[FloatArray, float]:
    """Give the matrix K and the limit of f'Kf in the equivalence theorem.

    Parameters
    ----------
    M : array, shape (p, p)
        Information matrix.
    W : array, shape (p, p), or None
        Moments for criterion I; None for D.

    Returns
    -------
    K : array, shape (p, p)
        M^-1, or M^-1 W M^-1.
    limit : float
        p, or trace(W M^-1).
    """
    A = np.asarray(np.linalg.inv(M), dtype=np.float64)
    if W is None:
        return A, float(len(M))
    K = A @ W @ A
    return (K + K.T) / 2, float(np.sum(A * W))


def heights(rows: FloatArray, K: FloatArray) -> FloatArray:
    """Give f'Kf of each model row, shape (m,)."""
    result: FloatArray = np.einsum("ip,ip->i", rows @ K, rows)
    return result


def best_weights(
    rows: FloatArray, weights: FloatArray, W: FloatArray | None, tolerance: float
) -> FloatArray:
    """Find the best weights on given points.

    Parameters
    ----------
    rows : array, shape (m, p)
        Model rows of the points.
    weights : array, shape (m,)
        Where to start, all positive.
    W : array, shape (p, p), or None
        Moments for criterion I; None for D.
    tolerance : float
        Largest relative excess of f'Kf over its limit on these points at which to stop.

    Returns
    -------
    array, shape (m,)
        Weights, summing to 1; points that do not count get 0.
    """
    w, gap = _multiplicative(rows, weights / weights.sum(), W, tolerance)
    if gap > tolerance:
        counting = np.sort(np.argsort(-w, kind="stable")[:_MOST_INTERIOR])
        inner = _interior(rows[counting], w[counting], W, tolerance)
        w = np.zeros_like(w)
        w[counting] = inner
    w = np.where(w < _DROPPED * w.max(), 0.0, w)
    result: FloatArray = w / w.sum()
    return result


def _multiplicative(
    rows: FloatArray, w: FloatArray, W: FloatArray | None, tolerance: float
) -> tuple[FloatArray, float]:
    gap = np.inf
    for _ in range(_MULTIPLICATIVE_STEPS):
        first, gap, before = _multiplied(rows, w, W)
        if gap <= tolerance:
            break
        second, _, _ = _multiplied(rows, first, W)
        w = _extrapolated(rows, (w, first, second), W, before)
    return w, gap


def _multiplied(
    rows: FloatArray, w: FloatArray, W: FloatArray | None
) -> tuple[FloatArray, float, float]:
    """Make one multiplicative step; also give the gap and the criterion before it."""
    M = (rows.T * w) @ rows
    K, limit = sensitivity(M, W)
    ratio = heights(rows, K) / limit
    value = limit if W is not None else -float(np.linalg.slogdet(M)[1])
    new = w * (ratio if W is None else np.sqrt(ratio))
    return new / new.sum(), float(ratio.max()) - 1.0, value


def _extrapolated(
    rows: FloatArray,
    steps: tuple[FloatArray, FloatArray, FloatArray],
    W: FloatArray | None,
    before: float,
) -> FloatArray:
    """Follow the direction of two steps further, while that is better than where they began."""
    w, first, second = steps
    r, v = first - w, second - 2.0 * first + w
    size = float(np.linalg.norm(v))
    length = float(np.linalg.norm(r)) / size if size > 0.0 else 0.0
    while length > 1.0:
        trial = np.maximum(w + 2.0 * length * r + length**2 * v, 1e-3 * second)
        trial /= trial.sum()
        if _criterion(rows, trial, W) < before:
            return trial
        length /= 2.0
    return second


def _criterion(rows: FloatArray, w: FloatArray, W: FloatArray | None) -> float:
    M = (rows.T * w) @ rows
    if W is None:
        return -float(np.linalg.slogdet(M)[1])
    return float(np.sum(W * np.linalg.inv(M)))


def _interior(
    rows: FloatArray, start: FloatArray, W: FloatArray | None, tolerance: float
) -> FloatArray:
    """Solve by primal-dual steps: gradient = s >= 0 and w s = mu, with mu driven to 0."""
    m = len(start)
    w = np.maximum(start / start.sum(), 0.01 / m)
    gradient, hessian = _derivatives(rows, w, W)
    s = np.maximum(gradient, 0.1)
    best: FloatArray = w / w.sum()
    least = np.inf
    for _ in range(_INTERIOR_STEPS):
        gap = w.sum() * (1.0 - gradient.min()) - 1.0
        if gap < least:
            best, least = w / w.sum(), gap
        if gap <= tolerance:
            break
        mu = _CENTRING * float(w @ s) / m
        system = hessian.copy()
        system[np.diag_indices(m)] += s / w
        dw = cho_solve(cho_factor(system, lower=True), mu / w - gradient)
        ds = mu / w - s - s / w * dw
        w = w + _step(w, dw) * dw
        s = s + _step(s, ds) * ds
        gradient, hessian = _derivatives(rows, w, W)
    return best


def _derivatives(
    rows: FloatArray, w: FloatArray, W: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """Give gradient and Hessian of F(w) + sum(w)."""
    M = (rows.T * w) @ rows
    K, limit = sensitivity(M, W)
    half = rows @ K
    cross = half @ rows.T
    q = cross.diagonal() / limit
    if W is None:
        hessian: FloatArray = cross * cross / limit
    else:
        hessian = 2.0 / limit * cross * (rows @ np.linalg.inv(M) @ rows.T) - np.outer(q, q)
    return 1.0 - q, hessian


def _step(x: FloatArray, dx: FloatArray) -> float:
    """Go no further than nearly to the boundary."""
    falling = dx < 0
    if not falling.any():
        return 1.0
    return min(1.0, _TO_BOUNDARY * float((-x[falling] / dx[falling]).min()))
