"""Whole plots of a classical plan: runs that share a setting of the hard-to-change factors.

Every such setting is visited at least twice where its runs allow, so that the scatter between visits can
be told from the effect of the setting. One whole plot is one block.

References
----------
Goos and Jones, Optimal Design of Experiments, 2011, ch. 10 (split-plot experiments, resetting).
"""

from __future__ import annotations

import numpy as np

from kit.design.blocks import IntArray
from kit.errors import DesignError
from kit.terms import Coding, FloatArray

RUNS_TO_SPLIT = 4
"""A setting with at least so many runs is visited twice unless `changes` says otherwise; our choice."""


def whole_plots(
    coding: Coding, coded: FloatArray, hard: tuple[str, ...], changes: int | None = None
) -> IntArray:
    """Group runs into whole plots.

    Parameters
    ----------
    coding : Coding
        The factors.
    coded : array, shape (n, n_factors)
        Runs, in standard order.
    hard : tuple of str
        Names of the hard-to-change factors.
    changes : int, optional
        Number of whole plots; default: two for every setting with at least 4 runs, one for the others.

    Returns
    -------
    array of int, shape (n,)
        Whole plot of each run, from 1.

    Raises
    ------
    DesignError
        If ``changes`` is less than the number of hard-to-change settings, or more than the runs.
    """
    places = [coding.names.index(name) for name in hard]
    _, first, group = np.unique(
        coded[:, places].round(9), axis=0, return_index=True, return_inverse=True
    )
    group = group.ravel()
    sizes = np.bincount(group)
    plots = _plots(sizes, changes, hard)
    number = np.zeros(len(coded), dtype=np.intp)
    start = 1
    for g in np.argsort(first):
        members = np.flatnonzero(group == g)
        number[members] = start + _deal(coding, coded[members], set(places), int(plots[g]))
        start += int(plots[g])
    return number


def _plots(sizes: IntArray, changes: int | None, hard: tuple[str, ...]) -> IntArray:
    """Give the number of whole plots of every hard-to-change setting."""
    if changes is None:
        return np.where(sizes >= RUNS_TO_SPLIT, 2, 1).astype(np.intp)
    if not len(sizes) <= changes <= sizes.sum():
        raise DesignError(
            f"changes = {changes}: this plan has {len(sizes)} settings of {' and '.join(hard)} and "
            f"{sizes.sum()} runs; ask for {len(sizes)} to {sizes.sum()} changes, better for at least "
            f"{len(sizes) + 1}."
        )
    plots = np.ones(len(sizes), dtype=np.intp)
    for _ in range(changes - len(sizes)):
        plots[np.argmax(np.where(plots < sizes, sizes / plots, 0.0))] += 1
    return plots


def _deal(coding: Coding, coded: FloatArray, hard: set[int], plots: int) -> IntArray:
    """Split the runs of one setting into ``plots`` parts that are alike in the other factors."""
    signs = _easy_signs(coding, coded, hard)
    corner = (signs != 0).all(axis=1) & (signs.shape[1] > 0)
    part = np.zeros(len(coded), dtype=np.intp)
    corners, others = np.flatnonzero(corner), np.flatnonzero(~corner)
    distinct = len(np.unique(coded[corners], axis=0))
    if signs.shape[1] > 1 and distinct and len(corners) // distinct < plots:
        # Halves by the sign of the highest interaction: every factor stays balanced in each.
        corners = corners[np.argsort(-signs[corners].prod(axis=1), kind="stable")]
    for i, chunk in enumerate(np.array_split(corners, plots)):
        part[chunk] = i
    # Both ends of an axis lie next to each other in standard order and stay together.
    part[others] = (np.arange(len(others)) // 2) % plots
    return part


def _easy_signs(coding: Coding, coded: FloatArray, hard: set[int]) -> FloatArray:
    """Give -1, 0, 1 for the factors that are easy to change; level numbers are centred."""
    columns = []
    for j, factor in enumerate(coding.factors):
        if j not in hard:
            middle = (len(factor.levels) - 1) / 2 if factor.is_category else 0.0
            columns.append(np.sign((coded[:, j] - middle).round(9)))
    return np.column_stack(columns) if columns else np.empty((len(coded), 0))
