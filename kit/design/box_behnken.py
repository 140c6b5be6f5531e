"""Box-Behnken plans: three levels, no corner of the box, blocks that disturb nothing.

References
----------
Box and Behnken, Some new three level designs for the study of quantitative variables, Technometrics 2
(1960) 455-475: which factors vary together, centre points and orthogonal blocks for 3 to 7 factors.
"""

from __future__ import annotations

import numpy as np

from kit.design.blocks import IntArray, spread
from kit.design.factorial import CENTRE, CodedRuns, centre_runs, check_size, two_level_corners
from kit.errors import DesignError
from kit.terms import Coding, FloatArray

EDGE = "edge point"

TOGETHER: dict[int, tuple[tuple[tuple[int, ...], ...], ...]] = {
    3: (((0, 1), (0, 2), (1, 2)),),
    4: (((0, 1), (2, 3)), ((0, 3), (1, 2)), ((0, 2), (1, 3))),
    5: (
        ((0, 1), (2, 3), (1, 4), (0, 2), (3, 4)),
        ((1, 2), (0, 3), (2, 4), (0, 4), (1, 3)),
    ),
    6: (((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)),),
    7: (((3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)),),
}
"""Factors that vary together while the others stand in the middle; groups of them form blocks (3 to 5)."""
CENTRE_POINTS = {3: 3, 4: 3, 5: 6, 6: 6, 7: 6}
"""As published: 15, 27, 46, 54 and 62 runs."""
BLOCKS = {3: 1, 4: 3, 5: 2, 6: 2, 7: 2}
"""Blocks that disturb no estimate of a second-order surface; for 6 and 7 by the sign of the product of three."""


def edge_points(k: int) -> tuple[FloatArray, IntArray]:
    """Give the runs without centre points, and the block each belongs to where blocks are wanted.

    Parameters
    ----------
    k : int
        Factors on a scale, 3 to 7.

    Returns
    -------
    coded : array, shape (n, k)
        -1, 0 and 1.
    block : array of int, shape (n,)
        From 0.

    Raises
    ------
    DesignError
        For another number of factors.

    Examples
    --------
    >>> [len(edge_points(k)[0]) for k in range(3, 8)]
    [12, 24, 40, 48, 56]
    """
    if k not in TOGETHER:
        raise DesignError(
            f"Box-Behnken plans are for 3 to 7 factors on a scale, not {k}; use central_composite."
        )
    rows, blocks = [], []
    for number, groups in enumerate(TOGETHER[k]):
        for group in groups:
            signs = two_level_corners(len(group))
            part = np.zeros((len(signs), k))
            part[:, group] = signs
            rows.append(part)
            halves = signs.prod(axis=1) > 0 if len(group) == 3 else np.zeros(len(signs))
            blocks.append(number + halves.astype(np.intp))
    return np.vstack(rows), np.concatenate(blocks)


def box_behnken(
    coding: Coding, *, centre_points: int | None = None, replicates: int = 1, blocks: int = 1
) -> CodedRuns:
    """Lay out a Box-Behnken plan.

    Parameters
    ----------
    coding : Coding
        3 to 7 factors on a scale; the whole plan is crossed with the levels of categories.
    centre_points : int, optional
        At each combination of levels; default as published, 3 or 6, and no fewer than blocks.
    replicates : int, default 1
        Times that every other run is printed anew.
    blocks : int, default 1
        Whole replicates where they divide evenly, or the published blocks of each replicate.

    Returns
    -------
    CodedRuns

    Raises
    ------
    DesignError
        If the number of factors or blocks has no such plan.
    """
    k = len(coding.continuous)
    edges, part = edge_points(k)
    levels = centre_runs(coding, 1)
    scales = [j for j, f in enumerate(coding.factors) if not f.is_category]
    once = np.repeat(levels, len(edges), axis=0)
    once[:, scales] = np.tile(edges, (len(levels), 1))
    middle = centre_runs(coding, CENTRE_POINTS[k] if centre_points is None else centre_points)
    check_size(len(once) * replicates + len(middle))
    number = _blocks(k, np.tile(part, len(levels)), replicates, blocks)
    block = np.concatenate([number, spread(len(middle), len(levels), blocks)]) + 1
    kind = (EDGE,) * (len(once) * replicates) + (CENTRE,) * len(middle)
    note = "No run has all settings at their ends at once: kind to the printer, and less sure towards the corners."
    return CodedRuns(np.vstack([np.tile(once, (replicates, 1)), middle]), block, kind, (note,))


def _blocks(k: int, part: IntArray, replicates: int, blocks: int) -> IntArray:
    if replicates % blocks == 0:
        return np.repeat(np.arange(replicates, dtype=np.intp) % blocks, len(part))
    if blocks != BLOCKS[k] * replicates:
        possible = [b for b in range(1, replicates + 1) if replicates % b == 0]
        possible = sorted({*possible, BLOCKS[k] * replicates})
        raise DesignError(
            f"{blocks} blocks do not divide this Box-Behnken plan; possible: {', '.join(map(str, possible))} blocks."
        )
    return np.concatenate([part + BLOCKS[k] * r for r in range(replicates)])
