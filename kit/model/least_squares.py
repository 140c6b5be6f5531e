"""Least squares in plain numpy, for one response or many at once.

The one surface that a study publishes is fitted by statsmodels (`kit.model.fit`); this is the quick
way for nested comparisons, drift checks and the thousands of refits of a simulation. Tests prove both equal.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import fsum

import numpy as np

from kit.terms import FloatArray

RANK_TOLERANCE = 1e-7
"""Share of a column's length that must be left beside the other columns for it to count as separate."""

ALONE = 1e-9
"""A run whose leverage is nearer to 1 than this decides a coefficient alone: nothing foretells it."""

_REFINEMENTS = 3


@dataclass(frozen=True)
class LeastSquares:
    """A least-squares fit of n runs by p columns, for one response or q of them.

    Attributes
    ----------
    coefficients : array, shape (p,) or (p, q)
    unscaled : array, shape (p, p)
        (X'X)^-1; times the residual mean square it is the covariance of the coefficients.
    residuals : array, shape (n,) or (n, q)
    leverage : array, shape (n,)
        Diagonal of X (X'X)^-1 X'.
    df : int
        Residual degrees of freedom, n - p.
    """

    coefficients: FloatArray
    unscaled: FloatArray
    residuals: FloatArray
    leverage: FloatArray
    df: int

    @property
    def residual_ss(self) -> FloatArray:
        """Residual sum of squares, shape () or (q,)."""
        return np.asarray(np.sum(self.residuals**2, axis=0))

    @property
    def variance(self) -> FloatArray:
        """Residual mean square, shape () or (q,); missing without degrees of freedom."""
        return np.asarray(self.residual_ss / self.df if self.df else self.residual_ss * np.nan)

    @property
    def std_errors(self) -> FloatArray:
        """Standard errors of the coefficients, shape (p,) or (p, q)."""
        return np.sqrt(np.multiply.outer(np.diag(self.unscaled), self.variance))

    @property
    def left_out_residuals(self) -> FloatArray:
        """What each run misses the prediction without it by, shape (n,) or (n, q)."""
        return left_out_residuals(self.residuals, self.leverage)

    @property
    def press(self) -> FloatArray:
        """Sum of squares of the left-out residuals, shape () or (q,)."""
        return np.asarray(np.sum(self.left_out_residuals**2, axis=0))

    @property
    def studentised(self) -> FloatArray:
        """Externally studentised residuals, shape (n,) or (n, q)."""
        return studentised_residuals(self.residuals, self.leverage, self.df)


def fit_least_squares(X: FloatArray, y: FloatArray, *, refine: bool = False) -> LeastSquares:
    """Fit by QR on scaled columns.

    Parameters
    ----------
    X : array, shape (n, p)
        Model matrix, columns linearly independent, n >= p.
    y : array, shape (n,) or (n, q)
        One response, or many fitted with the same matrix at once.
    refine : bool, default False
        Repair the digits that nearly dependent columns (raw powers, say) cost, by refinement with
        exactly accumulated residuals. Coded settings do not need it. One response only.

    Returns
    -------
    LeastSquares

    Raises
    ------
    ValueError
        If the columns are dependent, or there are fewer runs than columns.

    Notes
    -----
    Columns are scaled by powers of two, so that scaling itself rounds nothing. Refinement solves the
    augmented system for residuals and coefficients together (Bjorck, BIT 7, 1967, 257-278).
    """
    X, y = np.asarray(X, dtype=float), np.asarray(y, dtype=float)
    n, p = X.shape
    if n < p:
        raise ValueError(f"{n} runs cannot settle {p} coefficients.")
    scale = column_scale(X)
    Q, R = np.linalg.qr(X / scale)
    if matrix_rank(X) < p:
        raise ValueError("the columns of the model matrix depend on each other.")
    inverse = np.linalg.inv(R)
    coefficients = inverse @ (Q.T @ y)
    residuals = y - (X / scale) @ coefficients
    if refine:
        coefficients, residuals = _refined(X / scale, y, Q, R, coefficients, residuals)
    half = inverse / scale[:, None]
    return LeastSquares(
        coefficients=coefficients / (scale if y.ndim == 1 else scale[:, None]),
        unscaled=half @ half.T,
        residuals=residuals,
        leverage=np.sum(Q**2, axis=1),
        df=n - p,
    )


def column_scale(X: FloatArray) -> FloatArray:
    """Give the power of two nearest to each column's length, 1 for an empty column, shape (p,).

    Returns
    -------
    array, shape (p,)
    """
    length = np.linalg.norm(X, axis=0)
    return np.exp2(np.round(np.log2(np.where(length > 0, length, 1.0))))


def matrix_rank(X: FloatArray) -> int:
    """Give the rank, judged on columns of length 1 and with `RANK_TOLERANCE`.

    Returns
    -------
    int
    """
    if X.shape[1] == 0:
        return 0
    length = np.linalg.norm(X, axis=0)
    sizes = np.linalg.svd(X / np.where(length > 0, length, 1.0), compute_uv=False)
    return int(np.sum(sizes > RANK_TOLERANCE))


def residual_ss(X: FloatArray, y: FloatArray) -> tuple[float, int]:
    """Give the residual sum of squares and the rank, also for dependent columns.

    For comparing models, where cells and blocks may overlap. X has shape (n, p), y shape (n,).

    Returns
    -------
    ss : float
        In the squared unit of ``y``.
    rank : int
        Of the matrix.
    """
    length = np.linalg.norm(X, axis=0)
    U, sizes, _ = np.linalg.svd(X / np.where(length > 0, length, 1.0), full_matrices=False)
    basis = U[:, sizes > RANK_TOLERANCE]
    residuals = y - basis @ (basis.T @ y)
    residuals -= basis @ (basis.T @ residuals)  # once more, for the digits the first pass lost
    return float(residuals @ residuals), basis.shape[1]


def left_out_residuals(residuals: FloatArray, leverage: FloatArray) -> FloatArray:
    """Give y minus the prediction made without that run: e / (1 - h).

    Missing for a run that decides a coefficient alone. Shapes (n,) or (n, q), and (n,).

    Returns
    -------
    array, the shape of ``residuals``
    """
    rest = 1 - leverage
    rest = np.where(rest > ALONE, rest, np.nan)
    return np.asarray(residuals / (rest if residuals.ndim == 1 else rest[:, None]))


def studentised_residuals(residuals: FloatArray, leverage: FloatArray, df: float) -> FloatArray:
    """Give the externally studentised residuals: each by the scatter of the fit without it.

    They follow Student's t with df - 1 degrees of freedom (Cook & Weisberg, Residuals and Influence
    in Regression, 1982, section 2.2.1); missing where df is below 2 or a run stands alone.

    Returns
    -------
    array, the shape of ``residuals``
    """
    if df < 2:
        return np.full_like(residuals, np.nan)
    left_out = left_out_residuals(residuals, leverage)
    total = np.sum(residuals**2, axis=0)
    without = (total - residuals * left_out) / (df - 1)
    rest = 1 - leverage if residuals.ndim == 1 else (1 - leverage)[:, None]
    spread = np.sqrt(np.maximum(without, 0) * np.maximum(rest, 0))
    # Scatter of nothing but rounding, as in an exact fit, judges nobody.
    out = np.full_like(residuals, np.nan)
    np.divide(residuals, spread, out=out, where=spread > 0)
    return out


def _refined(
    X: FloatArray,
    y: FloatArray,
    Q: FloatArray,
    R: FloatArray,
    coefficients: FloatArray,
    residuals: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    # Refine coefficients and residuals together; the gaps are summed without rounding.
    if y.ndim > 1:
        raise ValueError("refinement takes one response at a time.")
    n = len(y)
    rows = np.column_stack([X, np.eye(n)])
    columns = X.T
    for _ in range(_REFINEMENTS):
        gap = _exact_gap(y, rows, np.append(coefficients, residuals))
        tilt = _exact_gap(np.zeros(X.shape[1]), columns, residuals)
        head = np.linalg.solve(R.T, tilt)
        inner = Q.T @ gap
        coefficients = coefficients + np.linalg.solve(R, inner - head)
        residuals = residuals + gap - Q @ (inner - head)
    return coefficients, residuals


def _exact_gap(target: FloatArray, A: FloatArray, x: FloatArray) -> FloatArray:
    # Give target - A x, each product split in two exact halves and the sum rounded once.
    product = A * x
    a_high, a_low = _split(A)
    x_high, x_low = _split(x)
    rest = ((a_high * x_high - product) + a_high * x_low + a_low * x_high) + a_low * x_low
    return np.array(
        [
            fsum([t, *(-p).tolist(), *(-r).tolist()])
            for t, p, r in zip(target, product, rest, strict=True)
        ]
    )


def _split(a: FloatArray) -> tuple[FloatArray, FloatArray]:
    # Split doubles into halves of 26 bits (Veltkamp; Dekker, Numer. Math. 18, 1971, 224-242).
    factor = 134217729.0 * a  # 2^27 + 1
    high = factor - (factor - a)
    return high, a - high
