"""A short list of promising points of a region, from which designs are started and bounds computed."""

from __future__ import annotations

from itertools import product

import numpy as np

from kit.design.basis import Basis
from kit.design.region import BoolArray, IntArray, Region

MOST_POINTS = 2500
_SMALL = 500
_PUSHED = 400


def candidate_pool(basis: Basis, rng: np.random.Generator) -> IntArray:
    """List points that matter for a model: few spread levels a factor, and the region's edges.

    A factor that enters with power e gets e + 1 spread levels; a small region is listed whole. Where
    limits cut the region, finer levels are taken and points are pushed along the axes to the limits.

    Parameters
    ----------
    basis : Basis
        Region and model.
    rng : Generator
        Thins a list that would be too long, and draws the points that are pushed.

    Returns
    -------
    array of int, shape (C, k)
        Level numbers of different allowed points, at most about `MOST_POINTS`.
    """
    region = basis.region
    counts = [int(e) + 1 if e else 2 for e in basis.E.max(axis=0)]
    if region.size <= _SMALL:
        return _listed(region, region.counts.tolist(), rng)
    if not region.is_cut:
        return _listed(region, counts, rng)
    finer = counts
    for levels in (5, 7, 9, 11, 15, 21):
        trial = [max(c, levels) for c in counts]
        if np.prod([len(s) for s in region.spread(trial)], dtype=float) > 4 * MOST_POINTS:
            break
        finer = trial
    parts = [_listed(region, counts, rng), _listed(region, finer, rng), _pushed(region, rng)]
    return np.unique(np.concatenate(parts), axis=0)


def _listed(region: Region, counts: list[int], rng: np.random.Generator) -> IntArray:
    """List the allowed points of a coarser grid, thinned at random if there are too many."""
    spread = region.spread(counts)
    total = int(np.prod([len(s) for s in spread], dtype=object))
    if total <= 4 * MOST_POINTS:
        points = np.array(list(product(*spread)), dtype=np.intp)
    else:
        drawn = [rng.choice(s, size=4 * MOST_POINTS) for s in spread]
        points = np.unique(np.stack(drawn, axis=-1), axis=0)
    points = points[region.permits_index(points)]
    if len(points) > MOST_POINTS:
        points = points[np.sort(rng.choice(len(points), size=MOST_POINTS, replace=False))]
    return points


def _pushed(region: Region, rng: np.random.Generator) -> IntArray:
    """Push random points along the axes, in random order, to the first or last allowed level."""
    points = region.sample(_PUSHED, rng)
    for j in np.concatenate([rng.permutation(region.k), rng.permutation(region.k)]):
        mask = allowed_levels(region, points, int(j))
        first, last = mask.argmax(axis=1), mask.shape[1] - 1 - mask[:, ::-1].argmax(axis=1)
        choice = rng.integers(0, 3, size=len(points))
        points[:, j] = np.choose(choice, [first, last, points[:, j]])
    return points


def allowed_levels(region: Region, points: IntArray, j: int) -> BoolArray:
    """Say which levels of factor j are allowed with the other settings of each point.

    Parameters
    ----------
    region : Region
        The region.
    points : array of int, shape (m, k)
        Level numbers.
    j : int
        The factor.

    Returns
    -------
    array of bool, shape (m, levels of j)
        True where allowed.
    """
    trial = np.repeat(points[:, None, :], region.counts[j], axis=1)
    trial[:, :, j] = np.arange(region.counts[j])
    return region.permits_index(trial)
