"""Exchange of whole runs for points of a short list, many designs at once.

The quick first stage for plain designs (no blocks, no whole plots). The best designs of a polynomial
model lie near a coarse grid, on which all candidate variances of all designs are kept up to date with
two matrix products an exchange (Fedorov 1972; run by run: Cook & Nachtsheim 1980).
"""

from __future__ import annotations

import numpy as np

from kit.design.information import LATER_RIDGE, START_RIDGE, Information, times
from kit.design.region import BoolArray, IntArray
from kit.terms import FloatArray


def exchange_points(
    pool: FloatArray,
    picks: IntArray,
    base: FloatArray,
    W: FloatArray | None,
    *,
    tolerance: float = 1e-6,
    passes: int = 12,
) -> IntArray:
    """Improve designs until no single run can be exchanged for a better point of the pool.

    Parameters
    ----------
    pool : array, shape (C, p)
        Model rows of the candidate points.
    picks : array of int, shape (S, m)
        The points of each of S designs; changed in place.
    base : array, shape (p, p)
        Information of the runs that stay as they are (zeros: none).
    W : array, shape (p, p), or None
        Moments for criterion I; None for D.
    tolerance : float, default 1e-6
        Smallest relative gain worth an exchange.
    passes : int, default 12
        Most passes over all runs.

    Returns
    -------
    array of int, shape (S, m)
        ``picks``.
    """
    poolT = np.ascontiguousarray(pool.T)
    active = np.arange(len(picks))
    for number in range(passes):
        here = picks[active]
        state = _PoolState(pool, poolT, here, base, W, START_RIDGE if number == 0 else LATER_RIDGE)
        changed = np.zeros(len(active), dtype=bool)
        for i in range(picks.shape[1]):
            changed |= state.exchange_run(i, tolerance)
        picks[active] = state.picks
        active = active[changed]
        if not active.size:
            break
    return picks


class _PoolState:
    """Designs, their inverse information, and c'Ac and c'Qc of every candidate c."""

    def __init__(
        self,
        pool: FloatArray,
        poolT: FloatArray,
        picks: IntArray,
        base: FloatArray,
        W: FloatArray | None,
        ridge: float,
    ) -> None:
        self.pool, self.poolT, self.picks = pool, poolT, picks
        rows = pool[picks]
        self.info = Information.of(base + rows.transpose(0, 2, 1) @ rows, W, ridge)
        self.d = np.einsum("scp,cp->sc", pool @ self.info.A, pool)
        Q = self.info.Q
        self.w = None if Q is None else np.einsum("scp,cp->sc", pool @ Q, pool)
        self.designs = np.arange(len(picks))

    def exchange_run(self, i: int, tolerance: float) -> BoolArray:
        """Exchange run i of each design for its best candidate, where that is a gain."""
        now = self.picks[:, i]
        old = self.pool[now]
        d_ic = times(self.info.A, old) @ self.poolT
        w = None
        if self.w is not None:
            assert self.info.Q is not None
            w = (self.w, times(self.info.Q, old) @ self.poolT, self.w[self.designs, now])
        gain = self.info.gain(self.d, d_ic, self.d[self.designs, now], w)
        best = gain.argmax(axis=1)
        better: BoolArray = gain[self.designs, best] > tolerance
        which = np.flatnonzero(better)
        if which.size:
            self._put(which, old[which], best[which])
            self.picks[which, i] = best[which]
        return better

    def _put(self, which: IntArray, old: FloatArray, best: IntArray) -> None:
        u, v, h, g = self.info.exchange(which, old, self.pool[best])
        pu, pv = u @ self.poolT, v @ self.poolT
        self.d[which] += pv * pv - pu * pu
        if self.w is not None and h is not None and g is not None:
            self.w[which] += 2.0 * (pv * (g @ self.poolT) - pu * (h @ self.poolT))
