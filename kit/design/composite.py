"""Central composite plans: corners, axial points and centre points, with blocks.

References
----------
Box and Hunter, Multi-factor experimental designs for exploring response surfaces, Annals of Mathematical
Statistics 28 (1957) 195-241: rotatability, orthogonal blocking. NIST/SEMATECH e-Handbook 5.3.3.6.1.
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from kit.design.blocks import (
    IntArray,
    blocking_notes,
    given_up,
    possible_blocks,
    replicate_blocks,
    spread,
)
from kit.design.factorial import (
    AXIAL,
    CENTRE,
    CORNER,
    CodedRuns,
    centre_runs,
    check_size,
    crossed_corners,
    two_level_names,
)
from kit.errors import DesignError
from kit.terms import Coding, FloatArray


def rotatable_distance(corners: int) -> float:
    """Give the axial distance at which the prediction variance depends on the distance from the centre only.

    Parameters
    ----------
    corners : int
        Runs of the factorial part, F.

    Returns
    -------
    float
        F^(1/4).

    Examples
    --------
    >>> round(rotatable_distance(8), 3)
    1.682
    """
    return float(corners**0.25)


def spherical_distance(k: int) -> float:
    """Give the axial distance at which axial points lie as far out as the corners: sqrt(k)."""
    return sqrt(k)


def orthogonal_distance(k: int, corners: int, centre_points: int) -> float:
    """Give the axial distance at which estimates of the squares, less their mean, are uncorrelated.

    Parameters
    ----------
    k, corners, centre_points : int
        Factors, runs of the factorial part F, centre points.

    Returns
    -------
    float
        sqrt((sqrt(N F) - F) / 2) with N the number of all runs.

    Examples
    --------
    >>> orthogonal_distance(2, 4, 1)
    1.0
    """
    runs = corners + 2 * k + centre_points
    return sqrt((sqrt(runs * corners) - corners) / 2)


def blocking_distance(k: int, corners: int, corner_centres: int, axial_centres: int) -> float:
    """Give the axial distance at which blocks do not disturb any estimate of a second-order surface.

    Parameters
    ----------
    k, corners : int
        Factors, runs of the factorial part F.
    corner_centres, axial_centres : int
        Centre points in all factorial blocks together, and in the axial block.

    Returns
    -------
    float
        sqrt(k (1 + na0 / 2k) / (1 + nc0 / F)); Box and Hunter 1957. The factorial blocks must be of equal size.

    Examples
    --------
    >>> round(blocking_distance(3, 8, 4, 2), 3)
    1.633
    """
    return sqrt(k * (1 + axial_centres / (2 * k)) / (1 + corner_centres / corners))


def axial_distance(axial: str | float, k: int) -> float:
    """Turn what the study asks for into a number.

    Parameters
    ----------
    axial : {"face", "rotatable"} or float
        As in ``[design]``.
    k : int
        Number of continuous factors.

    Returns
    -------
    float
        In coded units.

    Raises
    ------
    DesignError
        If a number is not above 0, or too far out to make sense.

    Examples
    --------
    >>> axial_distance("face", 3), axial_distance("rotatable", 2), axial_distance(1.2, 2)
    (1.0, 1.4142135623730951, 1.2)
    """
    if axial == "face":
        return 1.0
    if axial == "rotatable":
        return rotatable_distance(2**k)
    distance = float(axial)
    if not 0 < distance <= 5:
        raise DesignError(
            f"axial = {distance:g} is not a distance in coded units from 0 to 5; "
            'use "face" (1), "rotatable" or a number such as 1.4.'
        )
    return distance


def axial_points(coding: Coding, distance: float) -> FloatArray:
    """Give the two axial points of each continuous factor, at each combination of the categories' levels.

    Parameters
    ----------
    coding : Coding
        The factors.
    distance : float
        In coded units.

    Returns
    -------
    array, shape (2 x n_continuous x combinations, n_factors)
    """
    levels = centre_runs(coding, 1)
    rows = []
    for j, factor in enumerate(coding.factors):
        if not factor.is_category:
            for sign in (-1.0, 1.0):
                run = levels.copy()
                run[:, j] = sign * distance
                rows.append(run)
    return np.vstack(rows) if rows else np.empty((0, len(coding.factors)))


def central_composite(
    coding: Coding,
    *,
    axial: str | float = "face",
    centre_points: int = 4,
    replicates: int = 1,
    blocks: int = 1,
) -> CodedRuns:
    """Build a central composite plan.

    Parameters
    ----------
    coding : Coding
        At least one continuous factor; the whole composite is crossed with the levels of categories.
    axial : {"face", "rotatable"} or float, default "face"
        Axial distance in coded units: 1, F^(1/4), or the number.
    centre_points : int, default 4
        At each combination of the categories' levels; not multiplied by replicates.
    replicates : int, default 1
        Times that every corner and axial point is printed anew.
    blocks : int, default 1
        Whole replicates where they divide evenly; otherwise, in each replicate, the corners in 1, 2, 4 ...
        blocks (no two-factor term is given up) and the axial points in one. Centre points are spread over
        all blocks.

    Returns
    -------
    CodedRuns
        Per replicate corners, then axial points; centre points last.

    Raises
    ------
    DesignError
        If there is no continuous factor, the distance makes no sense, or no such blocks exist.

    Examples
    --------
    >>> from kit.terms import CodedFactor
    >>> coding = Coding((CodedFactor("nozzle"), CodedFactor("fan")))
    >>> plan = central_composite(coding, axial="rotatable", centre_points=1)
    >>> plan.coded.round(3).tolist()[4:]
    [[-1.414, 0.0], [1.414, 0.0], [0.0, -1.414], [0.0, 1.414], [0.0, 0.0]]
    """
    k = len(coding.continuous)
    if k == 0:
        raise DesignError(
            "A central composite needs a factor on a scale; for categories only use full_factorial."
        )
    distance = axial_distance(axial, k)
    corners, signs = crossed_corners(coding)
    stars = axial_points(coding, distance)
    middle = centre_runs(coding, centre_points)
    check_size(replicates * (len(corners) + len(stars)) + len(middle))
    numbers, words = _composite_blocks(signs, len(stars), replicates, blocks)
    coded = np.vstack([np.tile(np.vstack([corners, stars]), (replicates, 1)), middle])
    block = np.concatenate([numbers, spread(len(middle), len(centre_runs(coding, 1)), blocks)]) + 1
    once = (CORNER,) * len(corners) + (AXIAL,) * len(stars)
    kind = once * replicates + (CENTRE,) * len(middle)
    names = two_level_names(coding)
    notes = blocking_notes(names, words)
    if blocks > 1 and replicates % blocks:
        notes += _distance_note(coding, block, kind, distance, replicates, blocks)
    return CodedRuns(coded, block, kind, notes, given_up(names, words))


def _composite_blocks(
    signs: FloatArray, n_stars: int, replicates: int, blocks: int
) -> tuple[IntArray, tuple[tuple[int, ...], ...]]:
    """Give the blocks of corners and axial points, replicate by replicate, from 0."""
    n, k = signs.shape
    if replicates % blocks == 0:
        return np.repeat(np.arange(replicates, dtype=np.intp) % blocks, n + n_stars), ()
    factorial = [b // replicates for b in possible_blocks(k, replicates, 3) if b >= replicates]
    parts = blocks // replicates - 1
    if blocks % replicates or parts not in factorial:
        possible = [b for b in range(1, replicates + 1) if replicates % b == 0]
        possible += [replicates * (f + 1) for f in factorial]
        raise DesignError(
            f"{blocks} blocks do not divide this central composite without giving up two-factor "
            f"interactions; possible here: {', '.join(map(str, possible))} blocks (corners in one or more "
            "blocks, axial points in one). More replicates make more blocks possible."
        )
    one, words = replicate_blocks(signs, 1, parts, shortest=3)
    once = np.concatenate([one, np.full(n_stars, parts, dtype=np.intp)])
    return np.concatenate([once + (parts + 1) * r for r in range(replicates)]), words


def _distance_note(
    coding: Coding,
    block: IntArray,
    kind: tuple[str, ...],
    distance: float,
    replicates: int,
    blocks: int,
) -> tuple[str, ...]:
    """Tell the axial distance at which the blocks would not touch the squares, where it differs."""
    combos = len(centre_runs(coding, 1))
    kinds = np.array(kind)
    parts = blocks // replicates
    in_axial = (block - 1) % parts == parts - 1
    centre = kinds == CENTRE
    best = blocking_distance(
        len(coding.continuous),
        2 ** len(coding.continuous),
        round(float((centre & ~in_axial).sum()) / combos / replicates),
        round(float((centre & in_axial).sum()) / combos / replicates),
    )
    if abs(best - distance) < 0.005:
        return ()
    return (
        f"The fit separates blocks from curvature; they would not touch at all at an axial distance of {best:.3f}.",
    )


def largest_axial_distance(coding: Coding, low: FloatArray, high: FloatArray) -> FloatArray:
    """Give how far out axial points of each continuous factor may lie.

    Parameters
    ----------
    coding : Coding
        The factors.
    low, high : array, shape (n_continuous,)
        Lowest and highest setting allowed, natural units; may be infinite.

    Returns
    -------
    array, shape (n_continuous,)
        In coded units, below 0 when not even the middle is allowed.
    """
    middle = np.array([f.middle for f in coding.continuous])
    half = np.array([f.half_range for f in coding.continuous])
    return np.asarray(np.minimum(high - middle, middle - low) / half)
