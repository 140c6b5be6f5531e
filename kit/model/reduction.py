"""Check the data of a mixed model and split them into what feels the groups and what does not.

With the fixed part taken out, n - p coordinates are left.  Few of them (never more than there
are groups) are moved by the random effects; the rest is pure residual and enters a likelihood
through its sum of squares alone.  Working there makes small-sample fits cheap and the pure
residual degrees of freedom explicit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Coordinates and columns shorter than this, relative to their own length, count as zero.
_TINY = 1e-9


@dataclass(frozen=True)
class Reduced:
    """Hold the data with the fixed part taken out, in coordinates grouped by what moves them.

    Attributes
    ----------
    z : array, shape (m,)
        Coordinates that the random effects move; covariance ``s2 I + sum_i s2_i A[i]``.
    A : array, shape (k, m, m)
        What one unit of each random component adds to the covariance of ``z``.
    residual_ss : float
        Sum of squares of the other coordinates, in squared units of the response;
        distributed as ``s2`` times chi-square on ``residual_df``.
    residual_df : int
        n - rank([X, Z]), >= 1.
    log_det_xx : float
        log det(X'X), which turns the likelihood of the contrasts into the usual REML one.
    """

    z: FloatArray
    A: FloatArray
    residual_ss: float
    residual_df: int
    log_det_xx: float

    @property
    def total_ss(self) -> float:
        """Sum of squares about the fixed part fitted by ordinary least squares."""
        return float(self.z @ self.z) + self.residual_ss

    @property
    def total_df(self) -> int:
        """Degrees of freedom left by the fixed part, n - p."""
        return len(self.z) + self.residual_df


def checked_data(
    y: ArrayLike, X: ArrayLike, groups: Sequence[ArrayLike]
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Refuse data no mixed model can be fitted to; number the groups 0, 1, ...

    Parameters
    ----------
    y : array, shape (n,)
        Response, finite.
    X : array, shape (n, p)
        Fixed part, finite, columns linearly independent, p < n.
    groups : sequence of k integer arrays, shape (n,) each
        Group label of each observation, one array a random factor.

    Returns
    -------
    y, X, groups : arrays, shapes (n,), (n, p), (k, n)
        The same as numbers; groups renumbered from 0 within each factor.

    Raises
    ------
    ValueError
        If shapes disagree, a value is missing, X is rank deficient or leaves no residual
        degrees of freedom, or a factor has one group only or one observation in every group.
    TypeError
        If group labels are not integers.
    """
    y_, X_ = np.array(y, dtype=np.float64), np.array(X, dtype=np.float64)
    if y_.ndim != 1 or X_.ndim != 2 or len(X_) != len(y_):
        raise ValueError(
            f"y must have shape (n,) and X (n, p) with the same n, got {y_.shape} and {X_.shape}."
        )
    bad = np.flatnonzero(~(np.isfinite(y_) & np.isfinite(X_).all(axis=1)))
    if bad.size:
        raise ValueError(f"y or X is missing or infinite in rows {_listed(bad)}; leave them out.")
    _check_columns(X_)
    labels = [_numbered(i, np.asarray(g), len(y_)) for i, g in enumerate(groups)]
    return y_, X_, np.array(labels, dtype=np.int64).reshape(len(labels), len(y_))


def indicator(group: IntArray) -> FloatArray:
    """Give the n x q matrix with a 1 where an observation belongs to a group.

    Parameters
    ----------
    group : integer array, shape (n,)
        Group numbers 0 to q - 1.

    Returns
    -------
    array, shape (n, q)
        One column a group.
    """
    return np.eye(int(group.max()) + 1)[group]


def reduce_data(y: FloatArray, X: FloatArray, groups: IntArray) -> Reduced:
    """Take the fixed part out and separate the coordinates that feel the groups.

    Parameters
    ----------
    y, X, groups : arrays, shapes (n,), (n, p), (k, n)
        As :func:`checked_data` returns them.

    Returns
    -------
    Reduced
        Coordinates, covariance parts, and the pure residual.

    Raises
    ------
    ValueError
        If a component cannot be estimated: its groups are explained by X, two factors (or a
        factor and the residual) cannot be told apart, no degrees of freedom are left for the
        residual, or the observations leave no residual at all.
    """
    p = X.shape[1]
    q_full, r = linalg.qr(X)
    contrasts = q_full[:, p:]
    w = contrasts.T @ y
    moved = [contrasts.T @ indicator(g) for g in groups]
    basis = _column_space(np.hstack(moved)) if moved else np.empty((len(w), 0))
    z = basis.T @ w
    rest = w - basis @ z
    parts = [basis.T @ m for m in moved]
    A = np.array([b @ b.T for b in parts]).reshape(len(parts), len(z), len(z))
    reduced = Reduced(
        z=z,
        A=A,
        residual_ss=float(rest @ rest),
        residual_df=len(w) - len(z),
        log_det_xx=2 * float(np.log(np.abs(np.diag(r[:p]))).sum()),
    )
    _check_components(reduced, [len(np.unique(g)) for g in groups])
    _check_residual(reduced, y)
    return reduced


def _check_columns(X: FloatArray) -> None:
    n, p = X.shape
    if p == 0:
        raise ValueError("X has no columns; give at least an intercept.")
    length = np.sqrt((X**2).sum(axis=0))
    # |R_jj| is the distance of column j from the span of the columns before it.
    r = linalg.qr(X / np.where(length > 0, length, 1), mode="r")[0]
    distance = np.zeros(p)
    distance[: min(n, p)] = np.abs(np.diag(r))
    dependent = np.flatnonzero(distance < _TINY)
    if dependent.size:
        raise ValueError(
            f"columns {_listed(dependent)} of X (counted from 0) are combinations of the columns "
            "before them, or zero: their effects cannot be told apart; leave them out."
        )
    if n == p:
        raise ValueError(f"{n} observations and {p} columns of X leave no degrees of freedom.")


def _numbered(i: int, group: NDArray[np.generic], n: int) -> IntArray:
    if group.shape != (n,):
        raise ValueError(f"groups[{i}] must have shape ({n},), got {group.shape}.")
    if not np.issubdtype(group.dtype, np.integer):
        raise TypeError(f"groups[{i}] must hold integer labels, got {group.dtype}.")
    found, number = np.unique(group, return_inverse=True)
    if len(found) == 1:
        raise ValueError(f"groups[{i}] has one group only: no variance between groups to estimate.")
    if len(found) == n:
        raise ValueError(
            f"groups[{i}] has one observation in every group: its component is confounded with "
            "the residual; leave the factor out."
        )
    return np.asarray(number, dtype=np.int64)


def _column_space(M: FloatArray) -> FloatArray:
    u, s, _ = linalg.svd(M, full_matrices=False)
    # Indicator columns have length >= 1, so an absolute limit is a relative one.
    return np.asarray(u[:, s > _TINY * max(1.0, float(s.max(initial=0)))])


def _check_components(reduced: Reduced, sizes: list[int]) -> None:
    k = len(reduced.A)
    trace = np.trace(reduced.A, axis1=1, axis2=2)
    explained = np.flatnonzero(trace < _TINY)
    if explained.size:
        raise ValueError(
            f"random factors {_listed(explained)} (counted from 0; "
            f"{_listed(np.array(sizes)[explained])} groups) are wholly explained by X: no degrees "
            "of freedom are left between their groups; fit fewer terms or add groups."
        )
    if reduced.residual_df == 0:
        raise ValueError(
            "X and the groups together leave no degrees of freedom for the residual; fit fewer "
            "terms or random factors, or add replicates."
        )
    # Components are told apart if A_1 .. A_k and the identity are linearly independent.
    gram = np.empty((k + 1, k + 1))
    gram[:k, :k] = np.einsum("iab,jab->ij", reduced.A, reduced.A)
    gram[:k, k] = gram[k, :k] = trace
    gram[k, k] = reduced.total_df
    scale = np.sqrt(np.diag(gram))
    values, vectors = np.linalg.eigh(gram / np.outer(scale, scale))
    if values[0] < _TINY:
        mixed = np.flatnonzero(np.abs(vectors[:k, 0]) > 1e-4)
        raise ValueError(
            f"the variance components of random factors {_listed(mixed)} (counted from 0) cannot "
            "be told apart from each other and the residual; leave one of them out."
        )


def _check_residual(reduced: Reduced, y: FloatArray) -> None:
    # Rounding in y'y is about 1e-16 of it; a sum of squares below 1e-24 of it is no variation.
    if reduced.residual_ss <= 1e-24 * float(y @ y):
        raise ValueError(
            "the observations agree exactly within every group, once the fixed part is taken out: "
            "the residual variance would be zero and no interval could be given. "
            "Are the readings rounded too far, or entered twice?"
        )


def _listed(numbers: NDArray[np.generic]) -> str:
    return ", ".join(str(i) for i in numbers)
