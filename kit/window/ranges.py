"""The box of ranges around the recommended setting, in natural units."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import prod

import numpy as np

from kit.model.tried import BoolArray
from kit.terms import FloatArray
from kit.window.box import largest_box
from kit.window.result import Setting
from kit.window.settable import IntArray, PrintableGrid

Ranges = dict[str, tuple[Setting, Setting]]

LARGEST_CHECK = 200_000
"""A box found on a thinned grid is cut down to so many settings, so that each can be looked at."""


def window_ranges(
    grid: PrintableGrid,
    good: BoolArray,
    row: int,
    is_good: Callable[[FloatArray], BoolArray],
    *,
    weights: Mapping[str, float],
) -> Ranges:
    """Give the largest box of printable settings around a row, wholly inside the window.

    Parameters
    ----------
    grid : PrintableGrid
        The settings looked at.
    good : array of bool, shape (m,)
        Which of them are in the window.
    row : int
        The recommended one.
    is_good : callable
        Tells for coded settings, shape (n, n_factors), whether they are in the window; asked only
        where the grid was thinned.
    weights : mapping of factor name to float
        How much widths count; 1 where not named.

    Returns
    -------
    dict of factor name to (low, high)
        Natural settings; a category gives its level twice.
    """
    here = grid.index[row]
    if not grid.is_product:
        return {n: (v, v) for n, v in grid.setting(here).items()}
    sides = _box(grid, grid.kept, grid.index[good], here, weights)
    if grid.is_thinned:
        sides = _checked_by_full_steps(grid, is_good, here, sides, weights)
    axes = zip(grid.coding.names, grid.axes, sides, strict=True)
    return {name: (axis[a], axis[b]) for name, axis, (a, b) in axes}


def _box(
    grid: PrintableGrid,
    kept: tuple[IntArray, ...],
    good: IntArray,
    here: IntArray,
    weights: Mapping[str, float],
) -> list[tuple[int, int]]:
    """Search the largest box over the factors on a scale, categories held; positions on the full axes."""
    scale = [i for i, f in enumerate(grid.coding.factors) if not f.is_category]
    fixed = [i for i in range(len(here)) if i not in scale]
    sides = [(int(i), int(i)) for i in here]
    if not scale:
        return sides
    mine = good[np.all(good[:, fixed] == here[fixed], axis=1)][:, scale]
    inside = np.zeros([len(kept[i]) for i in scale], dtype=bool)
    inside[tuple(np.searchsorted(kept[i], mine[:, j]) for j, i in enumerate(scale))] = True
    found = largest_box(
        inside,
        [int(np.searchsorted(kept[i], here[i])) for i in scale],
        [grid.coded_axes[i][kept[i]] for i in scale],
        weights=[weights.get(grid.coding.names[i], 1.0) for i in scale],
    )
    for i, (a, b) in zip(scale, found, strict=True):
        sides[i] = (int(kept[i][a]), int(kept[i][b]))
    return sides


def _checked_by_full_steps(
    grid: PrintableGrid,
    is_good: Callable[[FloatArray], BoolArray],
    here: IntArray,
    sides: list[tuple[int, int]],
    weights: Mapping[str, float],
) -> list[tuple[int, int]]:
    """Look at every printable setting inside a box found on a thinned grid; shrink it where one fails.

    A box of more settings than a grid may have is first cut down around ``here``, so that what is
    promised has been looked at.

    Returns
    -------
    list of (int, int)
        First and last position on each full axis.
    """
    kept = [np.arange(a, b + 1) for a, b in sides]
    while prod(len(k) for k in kept) > LARGEST_CHECK:
        axis = max(range(len(kept)), key=lambda i: len(kept[i]))
        end = -1 if kept[axis][-1] - here[axis] > here[axis] - kept[axis][0] else 0
        kept[axis] = np.delete(kept[axis], end)
    index = np.stack(np.meshgrid(*kept, indexing="ij"), axis=-1).reshape(-1, len(kept))
    index = index[grid.allowed(grid.code(index))]
    good = is_good(grid.code(index))
    return _box(grid, tuple(kept), index[good], here, weights)
