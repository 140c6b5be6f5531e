"""Inverse information matrices of many designs at once, and what exchanging a run does to them.

With M = X'X (or X'V^-1 X), A = M^-1 and Q = A W A, adding row c and removing row i changes

    |M|         by the factor (1 + c'Ac)(1 - i'Ai) + (i'Ac)^2
    trace(A W)  by - c'Qc / (1 + c'Ac) + i'Q_c i / (1 - i'A_c i)

where A_c and Q_c hold after adding c: Fedorov (1972), Meyer & Nachtsheim (1995), Goos & Jones (2011,
section 2.3.9). The row is added before the other is removed, so that no intermediate matrix is
singular even where there are as many runs as terms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from kit.design.region import IntArray
from kit.terms import FloatArray

_SINGULAR = 1e-9
_WORST_INFLATION = 1e9
"""Variance inflation beyond which an information matrix counts as singular."""
START_RIDGE = 1e-3
"""Added to the diagonal while a random start may still be singular (DuMouchel & Jones 1994)."""
LATER_RIDGE = 1e-10
"""The trace of it that stays, lest a start still singular stops the batch."""


class Change(NamedTuple):
    """The vectors of a rank-two update: A' = A - u u' + v v', Q' = Q - u h' - h u' + v g' + g v'."""

    u: FloatArray
    v: FloatArray
    h: FloatArray | None
    g: FloatArray | None


@dataclass
class Information:
    """Inverse information of S designs.

    Attributes
    ----------
    A : array, shape (S, p, p)
        Inverse information matrices.
    W : array, shape (p, p), or None
        Region moments for criterion I; None for criterion D.
    Q : array, shape (S, p, p), or None
        A W A, kept for criterion I only.
    trace : array, shape (S,), or None
        trace(A W), kept for criterion I only.
    """

    A: FloatArray
    W: FloatArray | None
    Q: FloatArray | None = None
    trace: FloatArray | None = None

    @classmethod
    def of(cls, M: FloatArray, W: FloatArray | None, ridge: float = 0.0) -> Information:
        """Invert information matrices, shape (S, p, p)."""
        A = np.asarray(np.linalg.inv(M + ridge * np.eye(M.shape[-1])), dtype=np.float64)
        if W is None:
            return cls(A, None)
        return cls(A, W, A @ W @ A, np.einsum("spq,pq->s", A, W))

    def gain(
        self,
        d_cc: FloatArray,
        d_ic: FloatArray,
        d_ii: FloatArray,
        w: tuple[FloatArray, FloatArray, FloatArray] | None,
    ) -> FloatArray:
        """Say how much better each exchange makes the design.

        Parameters
        ----------
        d_cc, d_ic : array, shape (S, C)
            c'Ac of each candidate and i'Ac of candidate and old row.
        d_ii : array, shape (S,)
            i'Ai of the old row.
        w : tuple of the same three with Q in place of A, or None
            For criterion I.

        Returns
        -------
        array, shape (S, C)
            D: relative growth of the determinant; I: relative fall of the trace. Above 0 is better.
        """
        if w is None:
            gain: FloatArray = (1.0 - d_ii)[:, None] * (1.0 + d_cc)
            gain += d_ic * d_ic
            gain -= 1.0
            return gain
        assert self.trace is not None
        w_cc, w_ic, w_ii = w
        add = 1.0 / (1.0 + d_cc)
        share = d_ic * add
        rest = (1.0 - d_ii)[:, None] + d_ic * share
        w_left = w_ii[:, None] + share * (share * w_cc - 2.0 * w_ic)
        singular = rest < _SINGULAR
        rest[singular] = 1.0
        gain = (w_cc * add - w_left / rest) / self.trace[:, None]
        gain[singular] = -np.inf
        return gain

    def exchange(self, which: IntArray, old: FloatArray, new: FloatArray) -> Change:
        """Put ``new`` rows, shape (m, p), in the place of ``old`` ones in the m designs ``which``.

        Returns
        -------
        Change
            The vectors of the update, for those who keep products with A or Q.
        """
        A = self.A[which]
        u = times(A, new)
        add = np.sqrt(1.0 + dot(u, new))[:, None]
        u /= add
        v = times(A, old) - u * dot(u, old)[:, None]
        drop = np.sqrt(np.maximum(1.0 - dot(v, old), _SINGULAR))[:, None]
        v /= drop
        self.A[which] = A + (v[:, :, None] * v[:, None, :] - u[:, :, None] * u[:, None, :])
        if self.Q is None or self.trace is None:
            return Change(u, v, None, None)
        Q = self.Q[which]
        h = times(Q, new) / add  # A W u
        fall = dot(h, new) / add[:, 0]  # u'Wu
        h -= u * (fall / 2)[:, None]
        g = (times(Q, old) - u * dot(h, old)[:, None] - h * dot(u, old)[:, None]) / drop
        rise = dot(g, old) / drop[:, 0]  # v'Wv
        g += v * (rise / 2)[:, None]
        half = v[:, :, None] * g[:, None, :] - u[:, :, None] * h[:, None, :]
        self.Q[which] = Q + half + half.transpose(0, 2, 1)
        self.trace[which] += rise - fall
        return Change(u, v, h, g)


def times(A: FloatArray, x: FloatArray) -> FloatArray:
    """Multiply each of S matrices, shape (S, p, p), by its vector, shape (S, p)."""
    product: FloatArray = np.matmul(A, x[:, :, None])[:, :, 0]
    return product


def dot(x: FloatArray, y: FloatArray) -> FloatArray:
    """Give the S inner products of two arrays of shape (S, p)."""
    product: FloatArray = np.einsum("sp,sp->s", x, y)
    return product


def criterion_value(M: FloatArray, W: FloatArray | None) -> FloatArray:
    """Give what is to be made small, exactly: -log|M|, or trace(W M^-1); inf where singular.

    Parameters
    ----------
    M : array, shape (S, p, p)
        Information matrices.
    W : array, shape (p, p), or None
        Moments for criterion I; None for D.

    Returns
    -------
    array, shape (S,)
        The criterion of each.
    """
    sign, logdet = np.linalg.slogdet(M)
    value = np.full(len(M), np.inf)
    good = np.flatnonzero((sign > 0) & np.isfinite(logdet))
    A = np.linalg.inv(M[good])
    inflation = np.einsum("spp->sp", A) * np.einsum("spp->sp", M[good])
    # A variance is inflated at least 1-fold; less means that rounding took over.
    sound = (inflation > 0.5).all(axis=1) & (inflation < _WORST_INFLATION).all(axis=1)
    if W is None:
        value[good[sound]] = -logdet[good[sound]]
    else:
        value[good[sound]] = np.einsum("spq,pq->s", A[sound], W)
    return value


def ridged_value(M: FloatArray, W: FloatArray | None) -> FloatArray:
    """Give the same of matrices, shape (..., p, p), that a ridge keeps from being singular."""
    if W is None:
        return -np.asarray(np.linalg.slogdet(M)[1])
    trace: FloatArray = np.einsum("...pq,pq->...", np.linalg.inv(M), W)
    return trace
