"""The highest points of a quadratic form f(x)'K f(x) over a settable region.

Where the region has few enough points every one is looked at; otherwise by climbing along one factor
after the other from many points. Along one factor f'Kf takes a few products for all levels at once.
"""

from __future__ import annotations

import numpy as np

from kit.design.basis import Basis
from kit.design.pool import allowed_levels
from kit.design.region import IntArray
from kit.design.weights import heights
from kit.terms import FloatArray

_ASCENTS = 300
_CHUNK = 50_000
_HIGHEST = 50


class Maximum:
    """Search for the largest f'Kf over the settable region.

    Parameters
    ----------
    basis : Basis
        Region and model.
    pool : array of int, shape (C, k)
        Promising points.
    rng : Generator
        Draws the other points from which to climb where the region is too large to be listed.

    Attributes
    ----------
    lists_all : bool
        Whether every settable point is looked at.
    """

    def __init__(self, basis: Basis, pool: IntArray, rng: np.random.Generator) -> None:
        self.basis, self.pool = basis, pool
        region = basis.region
        self.lists_all = region.table is not None
        if region.table is not None:
            self.points = np.argwhere(region.table).astype(np.intp)
        else:
            self.points = region.sample(_ASCENTS, rng)

    def over(self, K: FloatArray, support: IntArray) -> tuple[IntArray, FloatArray]:
        """Give peaks, the highest point among them.

        Parameters
        ----------
        K : array, shape (p, p)
            Symmetric, positive semidefinite.
        support : array of int, shape (m, k)
            Points near which peaks are likely.

        Returns
        -------
        points : array of int, shape (q, k)
            Level numbers.
        height : array, shape (q,)
            f'Kf there.
        """
        if self.lists_all:
            return self._listed(K, support)
        high = heights(self.basis.rows(self.pool), K)
        best = self.pool[np.argsort(-high, kind="stable")[:_ASCENTS]]
        points = np.unique(np.concatenate([best, support[:_ASCENTS], self.points]), axis=0)
        points = self._ascend(K, points)
        return points, heights(self.basis.rows(points), K)

    def _listed(self, K: FloatArray, support: IntArray) -> tuple[IntArray, FloatArray]:
        """Measure every point; give the peaks and the highest of all."""
        chunks = range(0, len(self.points), _CHUNK)
        every = np.concatenate(
            [heights(self.basis.rows(self.points[i : i + _CHUNK]), K) for i in chunks]
        )
        top = self.points[np.argpartition(-every, min(_HIGHEST, len(every) - 1))[:_HIGHEST]]
        peaks = self._ascend(K, np.concatenate([support, top]))
        points = np.unique(np.concatenate([peaks, self.points[[every.argmax()]]]), axis=0)
        return points, heights(self.basis.rows(points), K)

    def _ascend(self, K: FloatArray, points: IntArray) -> IntArray:
        """Move every point along one axis after the other to the highest level, until none moves."""
        basis = self.basis
        points = points.copy()
        for _ in range(20):
            before = points.copy()
            for j in range(basis.region.k):
                along = self._along(K, points, j)
                if basis.region.is_cut:
                    along[~allowed_levels(basis.region, points, j)] = -np.inf
                points[:, j] = along.argmax(axis=1)
            if (points == before).all():
                break
        return np.unique(points, axis=0)

    def _along(self, K: FloatArray, points: IntArray, j: int) -> FloatArray:
        """Give f'Kf at every level of factor j, shape (m, levels)."""
        basis = self.basis
        others = np.ones((len(points), basis.p))
        for i in range(basis.region.k):
            if i != j:
                others *= basis.factor(i)[points[:, i]]
        T = basis.tables[j]
        parts = [others * (basis.E[:, j] == b) for b in range(T.shape[1])]
        gram = [[np.einsum("ip,ip->i", a @ K, b) for b in parts] for a in parts]
        along: FloatArray = np.einsum("la,abi,lb->il", T, np.array(gram), T)
        return along
