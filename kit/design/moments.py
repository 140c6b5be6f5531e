"""Moments of a region: the average of f(x) f(x)' over it, by which an average variance is weighted.

Uniform over each continuous factor from its lowest to its highest settable value, every level of a
category counting alike. Exact for a region without limits. A region cut by limits is averaged over
the points of a well spread sequence that the limits allow, within each combination of category levels, and
then over the combinations that have any.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np

from kit.design.basis import Basis
from kit.design.region import IntArray, Region, Terms
from kit.errors import DesignError
from kit.terms import FloatArray

_POINTS = 100_000
_FEWEST_POINTS = 500
_SAMPLED_RUNS = 20_000


def region_moments(region: Region, terms: Terms) -> FloatArray:
    """Give the moment matrix W of a model over a region.

    The average prediction variance of a design is trace(W (X'X)^-1) sigma^2.

    Parameters
    ----------
    region : Region
        The region.
    terms : sequence of tuple of int, shape (p, k)
        The model.

    Returns
    -------
    array, shape (p, p)
        Averages of products of two terms.

    Raises
    ------
    DesignError
        If no point of the region is allowed.

    Examples
    --------
    1, x, x^2 over -1 to 1:

    >>> region_moments(Region([[-1, 0, 1]]), [(0,), (1,), (2,)]).round(4).tolist()
    [[1.0, 0.0, 0.3333], [0.0, 0.3333, 0.0], [0.3333, 0.0, 0.2]]
    """
    basis = Basis(region, terms)
    if not region.is_cut:
        return _product_moments(basis)
    parts = []
    for points in _allowed_points(region):
        rows = term_rows(region, basis.E, points)
        parts.append(rows.T @ rows / len(rows))
    if not parts:
        raise DesignError(
            "No point of the region meets all limits. Loosen a limit or widen the range of a factor."
        )
    mean: FloatArray = np.mean(parts, axis=0)
    return mean


def term_rows(region: Region, E: IntArray, points: FloatArray) -> FloatArray:
    """Evaluate terms at any points, on or off the grid.

    Parameters
    ----------
    region : Region
        Says which factors are categories.
    E : array of int, shape (p, k)
        The terms.
    points : array, shape (m, k)
        Coded runs.

    Returns
    -------
    array, shape (m, p)
        Model rows.
    """
    points = np.asarray(points, dtype=float).reshape(-1, region.k)
    rows = np.ones((len(points), len(E)))
    for j, category in enumerate(region.is_category):
        x, e = points[:, j, None], E[:, j]
        rows *= np.where(e == 0, 1.0, x == e) if category else x**e
    return rows


def _product_moments(basis: Basis) -> FloatArray:
    """Multiply the moments of the single factors."""
    region, E = basis.region, basis.E
    W = np.ones((basis.p, basis.p))
    for j, category in enumerate(region.is_category):
        table = _level_moments(len(region.levels[j])) if category else None
        if table is None:
            table = _interval_moments(region.levels[j][0], region.levels[j][-1], E[:, j].max())
        W *= table[np.ix_(E[:, j], E[:, j])]
    return W


def _interval_moments(low: float, high: float, top: int) -> FloatArray:
    """Average x^(a+b) over an interval for powers a, b up to ``top``."""
    s = np.add.outer(np.arange(top + 1), np.arange(top + 1)) + 1
    moments: FloatArray = (high**s - low**s) / (s * (high - low))
    return moments


def _level_moments(count: int) -> FloatArray:
    """Average products of 1 and the indicators of levels 1, 2, ... over equally likely levels."""
    table = np.eye(count) / count
    table[0, 0] = 1.0
    table[0, 1:] = table[1:, 0] = 1 / count
    return table


def _allowed_points(region: Region) -> Iterator[FloatArray]:
    """Yield, for each combination of category levels, points spread over what is allowed."""
    continuous = np.flatnonzero(~region.is_category)
    unit = spread_points(_POINTS if continuous.size else 1, continuous.size)
    low = np.array([region.levels[j][0] for j in continuous])
    high = np.array([region.levels[j][-1] for j in continuous])
    categories = np.flatnonzero(region.is_category)
    blank = np.empty((len(unit), region.k))
    blank[:, continuous] = low + unit * (high - low)
    found = []
    for combination in product(*(region.levels[j] for j in categories)):
        points = blank.copy()
        points[:, categories] = combination
        points = points[region.permits(points)]
        if len(points):
            found.append(points)
    if continuous.size and sum(map(len, found)) < _FEWEST_POINTS:
        # Too thin for a sequence to meet: the settable points stand for the region.
        index = region.sample(_SAMPLED_RUNS, np.random.default_rng(0))
        if region.table is not None:
            index = np.argwhere(region.table).astype(np.intp)
        found = [region.values(index)]
    yield from found


def spread_points(n: int, k: int) -> FloatArray:
    """Give n points spread evenly in the unit cube, the same at every call.

    Multiples, modulo 1, of the powers of the root of x^(k+1) = x + 1: the golden ratio's sequence in k
    dimensions (Weyl's equidistribution; this choice of numbers after Roberts 2018).

    Parameters
    ----------
    n, k : int
        Points and dimensions.

    Returns
    -------
    array, shape (n, k)
        Coordinates in 0 to 1.
    """
    root = 1.5
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / (k + 1))
    steps = root ** -np.arange(1.0, k + 1.0)
    points: FloatArray = (0.5 + np.arange(1.0, n + 1.0)[:, None] * steps) % 1.0
    return points
