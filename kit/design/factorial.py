"""Two-level full factorials: corners, centre points, categories crossed, replicates, blocks."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from kit.design.blocks import IntArray, blocking_notes, given_up, replicate_blocks, spread
from kit.errors import DesignError
from kit.terms import Coding, FloatArray

CORNER, AXIAL, CENTRE = "corner", "axial point", "centre point"
MOST_RUNS = 2000
"""Larger plans are refused: nobody prints them, and a slip of the pen is likelier."""


@dataclass(frozen=True, eq=False)
class CodedRuns:
    """Runs of a plan in coded units, in standard order.

    Attributes
    ----------
    coded : array, shape (n, n_factors)
        -1 to 1 for continuous factors (axial points beyond), level numbers for categories.
    block : array of int, shape (n,)
        From 1.
    kind : tuple of str
        ``corner``, ``axial point`` or ``centre point`` (other families have their own words).
    notes : tuple of str
        Plain sentences about the plan.
    given_up : tuple of frozenset of str
        Interactions, each as the names of its factors, whose place the blocks take.
    """

    coded: FloatArray
    block: IntArray
    kind: tuple[str, ...]
    notes: tuple[str, ...] = ()
    given_up: tuple[frozenset[str], ...] = ()

    def __len__(self) -> int:
        """Count the runs."""
        return len(self.coded)


def two_level_corners(k: int) -> FloatArray:
    """Give all combinations of k two-level factors in standard order, the first changing fastest.

    Parameters
    ----------
    k : int
        Number of factors, at least 0.

    Returns
    -------
    array, shape (2^k, k)
        -1 and 1.

    Examples
    --------
    >>> two_level_corners(2).astype(int).tolist()
    [[-1, -1], [1, -1], [-1, 1], [1, 1]]
    """
    grid = np.array(list(product((-1.0, 1.0), repeat=k)), dtype=float).reshape(2**k, k)
    return grid[:, ::-1]


def two_level_places(coding: Coding) -> list[int]:
    """Give the places of factors that have two levels in a factorial: scales and two-level categories."""
    return [j for j, f in enumerate(coding.factors) if len(f.levels) in (0, 2)]


def two_level_names(coding: Coding) -> list[str]:
    """Give the names of the factors that words are made of."""
    return [coding.names[j] for j in two_level_places(coding)]


def crossed_corners(coding: Coding) -> tuple[FloatArray, FloatArray]:
    """Cross the corners of all factors.

    Parameters
    ----------
    coding : Coding
        The factors.

    Returns
    -------
    coded : array, shape (n, n_factors)
        Every combination of low and high, and of all levels of categories; the first factor changes fastest.
    signs : array, shape (n, n_two_level)
        The same as -1 and 1, two-level factors only: what words multiply.
    """
    axes = [tuple(range(len(f.levels))) if f.is_category else (-1, 1) for f in coding.factors]
    coded = np.array(list(product(*axes[::-1])), dtype=float)[:, ::-1]
    places = two_level_places(coding)
    signs = coded[:, places].copy()
    for i, j in enumerate(places):
        if coding.factors[j].is_category:
            signs[:, i] = 2 * signs[:, i] - 1
    return coded, signs


def centre_runs(coding: Coding, number: int) -> FloatArray:
    """Give ``number`` centre points at each combination of the categories' levels.

    Parameters
    ----------
    coding : Coding
        The factors; with no continuous factor there is no centre.
    number : int
        Centre points a combination.

    Returns
    -------
    array, shape (number x combinations, n_factors)
    """
    axes = [tuple(range(len(f.levels))) if f.is_category else (0,) for f in coding.factors]
    once = np.array(list(product(*axes[::-1])), dtype=float)[:, ::-1]
    return np.repeat(once[None], number, axis=0).reshape(-1, len(coding.factors))


def full_factorial(
    coding: Coding, *, centre_points: int = 0, replicates: int = 1, blocks: int = 1
) -> CodedRuns:
    """Build a two-level full factorial.

    Parameters
    ----------
    coding : Coding
        Continuous factors take -1 and 1, categories all their levels, everything crossed.
    centre_points : int, default 0
        At each combination of the categories' levels; not multiplied by replicates.
    replicates : int, default 1
        Times that every corner is printed anew.
    blocks : int, default 1
        Plates, days ...: whole replicates where they divide evenly, otherwise each replicate is split by
        giving up its highest interactions. Centre points are spread over all blocks.

    Returns
    -------
    CodedRuns
        Corners replicate by replicate, then centre points.

    Raises
    ------
    DesignError
        If the blocks do not divide the corners without giving up a main effect.

    Examples
    --------
    >>> from kit.terms import CodedFactor
    >>> plan = full_factorial(Coding((CodedFactor("nozzle"), CodedFactor("fan"))), centre_points=2)
    >>> plan.coded.astype(int).tolist()
    [[-1, -1], [1, -1], [-1, 1], [1, 1], [0, 0], [0, 0]]
    """
    corners, signs = crossed_corners(coding)
    n_centre = centre_points if coding.continuous else 0
    middle = centre_runs(coding, n_centre)
    check_size(len(corners) * replicates + len(middle))
    numbers, words = replicate_blocks(signs, replicates, blocks, shortest=2)
    coded = np.vstack([np.tile(corners, (replicates, 1)), middle])
    block = np.concatenate([numbers, spread(len(middle), len(centre_runs(coding, 1)), blocks)]) + 1
    kind = (CORNER,) * (len(corners) * replicates) + (CENTRE,) * len(middle)
    names = two_level_names(coding)
    return CodedRuns(coded, block, kind, blocking_notes(names, words), given_up(names, words))


def check_size(runs: int) -> None:
    """Refuse plans beyond any bench.

    Parameters
    ----------
    runs : int
        Total number of runs.

    Raises
    ------
    DesignError
        Above `MOST_RUNS`.
    """
    if runs > MOST_RUNS:
        raise DesignError(
            f"This plan would have {runs} runs, more than {MOST_RUNS}; use fewer factors or levels, or a "
            "screening family first."
        )
