"""The best continuous design: the bound against which exact designs are measured.

Shares of the runs w_i at points x_i, not tied to whole runs, with M(w) = sum w_i f(x_i) f(x_i)'. No
design of n runs can do better than the best such M. Kiefer & Wolfowitz (1960, Canadian J. Math. 12,
363-366): w is D-optimal exactly if f'M^-1 f <= p everywhere in the region; for the average variance the
like holds with f'M^-1 W M^-1 f <= trace(W M^-1). How far the largest of these exceeds its limit is the
gap, and it is searched for over the whole settable region, not only over the design's own points.

The weights are sought on a short list of points (`kit.design.weights`), to which the region's worst
violators are added until none is left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kit.design.basis import Basis
from kit.design.maximum import Maximum
from kit.design.moments import region_moments, term_rows
from kit.design.pool import candidate_pool
from kit.design.region import IntArray, Region, Terms
from kit.design.weights import best_weights, sensitivity
from kit.errors import DesignError
from kit.terms import FloatArray

_ROUNDS = 60
_ADDED = 40
_SLIGHT = 1e-3


@dataclass(frozen=True, eq=False)
class ContinuousDesign:
    """The best continuous design and its proof.

    Attributes
    ----------
    points : array, shape (m, k)
        Coded settings with positive weight; where several designs are best, one of them.
    weights : array, shape (m,)
        Shares of the runs, summing to 1.
    criterion : str
        D or I.
    information : float
        |M|^(1/p).
    average_variance : float
        trace(W M^-1): n times the average prediction variance, in units of the error variance.
    gap : float
        Largest excess in the equivalence theorem over the region, relative; 0 is a perfect optimum. The
        best possible value lies within about this share of the value found.
    every_point : bool
        True if the gap was sought at every settable point, False if by ascent from many starts.
    terms : array of int, shape (p, k)
        The model.
    region : Region
        The region.
    moments : array, shape (p, p)
        W.
    """

    points: FloatArray
    weights: FloatArray
    criterion: str
    information: float
    average_variance: float
    gap: float
    every_point: bool
    terms: IntArray
    region: Region
    moments: FloatArray

    def efficiency(self, runs: FloatArray) -> tuple[float, float]:
        """Give the D and I efficiency of an exact design, relative to this bound.

        Parameters
        ----------
        runs : array, shape (n, k)
            Coded runs.

        Returns
        -------
        d_efficiency, i_efficiency : float
            |X'X|^(1/p) / n against `information`, and `average_variance` against n trace(W (X'X)^-1);
            both 0 if the runs cannot estimate all terms. Each is a share of the best only for the
            bound of its own criterion.
        """
        rows = term_rows(self.region, self.terms, runs)
        M = rows.T @ rows / len(rows)
        if np.linalg.matrix_rank(rows) < rows.shape[1]:
            return 0.0, 0.0
        information, variance = _measures(M, self.moments)
        return information / self.information, self.average_variance / variance


def continuous_design(
    terms: Terms,
    region: Region,
    criterion: str = "D",
    *,
    tolerance: float = 1e-6,
) -> ContinuousDesign:
    """Find the best continuous design of a model over a region.

    Parameters
    ----------
    terms : sequence of tuple of int, shape (p, k)
        The model (`kit.design.basis`).
    region : Region
        Settable levels and limits.
    criterion : {"D", "I"}, default "D"
        D for effects, I for predictions.
    tolerance : float, default 1e-6
        Gap at which to stop; the gap reached is reported.

    Returns
    -------
    ContinuousDesign
        Points, weights, values, gap.

    Raises
    ------
    DesignError
        If the criterion is unknown, nothing is allowed, or the terms cannot be told apart there.

    Examples
    --------
    For a parabola a third of the runs goes to each end and a third to the middle:

    >>> best = continuous_design([(0,), (1,), (2,)], Region([np.linspace(-1, 1, 21)]))
    >>> best.points[:, 0].tolist(), best.weights.round(4).tolist()
    ([-1.0, 0.0, 1.0], [0.3333, 0.3333, 0.3333])
    >>> round(best.information**3, 6), best.gap < 1e-6
    (0.148148, True)
    """
    if criterion not in ("D", "I"):
        raise DesignError(f"criterion {criterion!r} unknown; use D or I.")
    basis = Basis(region, terms)
    W = region_moments(region, terms)
    rng = np.random.default_rng(0)
    pool = candidate_pool(basis, rng)
    _check_rank(basis, pool)
    search = Maximum(basis, pool, rng)
    weights = np.full(len(pool), 1.0 / len(pool))
    target = W if criterion == "I" else None
    gap = np.inf
    for _ in range(_ROUNDS):
        inner = max(tolerance / 3, min(1e-3, 0.1 * gap))
        pool, weights = _solve(basis, pool, weights, target, inner)
        gap, found, excess = _gap(basis, pool, weights, target, search)
        if gap <= tolerance:
            break
        pool, weights = _with_violators(pool, weights, found, excess)
    pool, weights, gap = _thinned(basis, pool, weights, target, search, tolerance, gap)
    rows = basis.rows(pool)
    information, variance = _measures((rows.T * weights) @ rows, W)
    return ContinuousDesign(
        points=basis.values(pool),
        weights=weights,
        criterion=criterion,
        information=information,
        average_variance=variance,
        gap=gap,
        every_point=search.lists_all,
        terms=basis.E,
        region=region,
        moments=W,
    )


def _measures(M: FloatArray, W: FloatArray) -> tuple[float, float]:
    information = float(np.exp(np.linalg.slogdet(M)[1] / len(M)))
    return information, float(np.sum(W * np.linalg.inv(M)))


def _check_rank(basis: Basis, pool: IntArray) -> None:
    rank = int(np.linalg.matrix_rank(basis.rows(pool)))
    if rank < basis.p:
        raise DesignError(
            f"the allowed settings cannot tell {basis.p} terms apart (rank {rank}): "
            "drop terms, give factors more levels, or loosen the limits."
        )


def _solve(
    basis: Basis, pool: IntArray, weights: FloatArray, W: FloatArray | None, tolerance: float
) -> tuple[IntArray, FloatArray]:
    """Find the best weights on a list of points and leave out those without weight."""
    weights = best_weights(basis.rows(pool), weights, W, tolerance)
    return pool[weights > 0], weights[weights > 0]


def _gap(
    basis: Basis, pool: IntArray, weights: FloatArray, W: FloatArray | None, search: Maximum
) -> tuple[float, IntArray, FloatArray]:
    """Give the gap over the region, and high points with their relative excess."""
    rows = basis.rows(pool)
    K, limit = sensitivity((rows.T * weights) @ rows, W)
    found, height = search.over(K, pool)
    excess = height / limit - 1.0
    return max(float(excess.max()), 0.0), found, excess


def _thinned(
    basis: Basis,
    pool: IntArray,
    weights: FloatArray,
    W: FloatArray | None,
    search: Maximum,
    tolerance: float,
    gap: float,
) -> tuple[IntArray, FloatArray, float]:
    """Drop points of next to no weight, if the rest is as good."""
    heavy = weights > _SLIGHT * weights.max()
    if not heavy.all() and np.linalg.matrix_rank(basis.rows(pool[heavy])) == basis.p:
        few, shares = _solve(basis, pool[heavy], weights[heavy], W, tolerance / 3)
        new_gap, _, _ = _gap(basis, few, shares, W, search)
        if new_gap <= max(tolerance, gap):
            return few, shares, new_gap
    return pool, weights, gap


def _with_violators(
    pool: IntArray, weights: FloatArray, found: IntArray, excess: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Add the points that break the theorem most, with a small weight each."""
    order = np.argsort(-excess, kind="stable")
    order = order[excess[order] > 0][:_ADDED]
    new = found[order]
    known = {tuple(x) for x in pool.tolist()}
    new = np.array([x for x in new.tolist() if tuple(x) not in known], dtype=np.intp)
    if not len(new):
        return pool, weights
    share = 0.1 / len(new)
    weights = np.concatenate([0.9 * weights, np.full(len(new), share)])
    return np.concatenate([pool, new]), weights
