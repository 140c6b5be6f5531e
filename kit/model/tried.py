"""The tried region: the convex hull of the printed settings, for each combination of category levels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog
from scipy.spatial import ConvexHull, QhullError

from kit.terms import Coding, FloatArray

BoolArray = npt.NDArray[np.bool_]

HULL_DIMENSIONS = 6
"""Above this many continuous factors facets are too many; a linear programme a point is asked instead."""

TOLERANCE = 1e-9


@dataclass(frozen=True)
class TriedRegion:
    """Where prints were really made; outside it nothing is predicted unless asked for.

    Attributes
    ----------
    coding : Coding
        The study's coding.
    points : array, shape (n, n_factors)
        Coded settings of the printed runs, failed runs left out.
    """

    coding: Coding
    points: FloatArray

    def contains(self, coded: FloatArray) -> BoolArray:
        """Tell which coded settings lie in the region.

        Parameters
        ----------
        coded : array, shape (m, n_factors)
            Coded settings; level numbers for categories.

        Returns
        -------
        array of bool, shape (m,)
        """
        coded = np.asarray(coded, dtype=float).reshape(-1, len(self.coding.factors))
        scale = np.array([not f.is_category for f in self.coding.factors])
        inside = np.zeros(len(coded), dtype=bool)
        for levels in np.unique(self.points[:, ~scale], axis=0):
            mine = np.all(self.points[:, ~scale] == levels, axis=1)
            asked = np.all(coded[:, ~scale] == levels, axis=1)
            if asked.any():
                inside[asked] = _in_hull(self.points[mine][:, scale], coded[asked][:, scale])
        return inside


def _in_hull(points: FloatArray, asked: FloatArray) -> BoolArray:
    # Tell which points lie in the convex hull, also of points that lie in a flat subspace.
    centre = points.mean(axis=0)
    _, sizes, axes = np.linalg.svd(points - centre, full_matrices=True)
    rank = int(np.sum(sizes > 1e-9 * max(1.0, sizes.max(initial=0.0))))
    off_plane = np.abs((asked - centre) @ axes[rank:].T).max(axis=1, initial=0.0)
    flat = off_plane <= 1e-7
    inner, target = (points - centre) @ axes[:rank].T, (asked - centre) @ axes[:rank].T
    if rank == 0:
        return np.asarray(flat)
    if rank == 1:
        within = (target[:, 0] >= inner.min() - TOLERANCE) & (
            target[:, 0] <= inner.max() + TOLERANCE
        )
        return np.asarray(flat & within)
    if rank <= HULL_DIMENSIONS:
        return np.asarray(flat & _by_facets(inner, target))
    return np.asarray(flat & np.array([_by_programme(inner, t) for t in target], dtype=bool))


def _by_facets(points: FloatArray, asked: FloatArray) -> BoolArray:
    try:
        hull = ConvexHull(points)
    except QhullError:
        return np.array([_by_programme(points, t) for t in asked], dtype=bool)
    equations = np.unique(hull.equations.round(12), axis=0)
    inside = np.ones(len(asked), dtype=bool)
    for normal in equations:
        inside &= asked @ normal[:-1] + normal[-1] <= 1e-7
    return inside


def _by_programme(points: FloatArray, target: FloatArray) -> bool:
    # Ask whether ``target`` is a weighted mean of ``points`` (weights >= 0, sum 1).
    equal = np.vstack([points.T, np.ones(len(points))])
    answer = linprog(np.zeros(len(points)), A_eq=equal, b_eq=np.append(target, 1.0), method="highs")
    return bool(answer.status == 0)
