"""Screening plans that are no fractions: Plackett-Burman and three-level (definitive) screening.

References
----------
Plackett and Burman, The design of optimum multifactorial experiments, Biometrika 33 (1946) 305-325.
Jones and Nachtsheim, A class of three-level designs for definitive screening in the presence of
second-order effects, J. Quality Technology 43 (2011) 1-15. Xiao, Lin and Bai, Constructing definitive
screening designs using conference matrices, J. Quality Technology 44 (2012) 2-8. Extra runs for error
degrees of freedom: Jones and Nachtsheim, Effective design-based model selection for definitive screening
designs, Technometrics 59 (2017) 319-329.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from kit.design.blocks import spread
from kit.design.factorial import CENTRE, CodedRuns, centre_runs, check_size
from kit.design.fractional import check_two_levels, from_signs
from kit.errors import DesignError
from kit.terms import Coding, FloatArray

SCREENING = "screening run"
FIRST_ROWS = {
    12: "++-+++---+-",
    16: "++++-+-++--+---",
    20: "++--++++-+-+----++-",
    24: "+++++-+-++--++--+-+----",
}
"""First rows of the cyclic designs of Plackett and Burman (1946)."""
PARTLY = (
    "Every straight effect is mixed up a little with all interactions it has no part in: what stands out here needs a second "
    "look before it is believed."
)
WHOLLY = (
    "Straight effects are mixed up with interactions of two factors, some of them wholly: what stands out here needs a second "
    "look before it is believed."
)
FEWEST_SCREENED, MOST_SCREENED = 4, 12
_NON_RESIDUE_3 = 2
"""x^2 = 2 has no root modulo 3, so numbers a + b x with x^2 = 2 form the field of 9."""


def plackett_burman_signs(runs: int) -> FloatArray:
    """Give a Plackett-Burman design: rows shifted cyclically, and a last row of minus signs.

    Parameters
    ----------
    runs : int
        12, 16, 20 or 24.

    Returns
    -------
    array, shape (runs, runs - 1)
        -1 and 1; columns orthogonal and balanced.

    Raises
    ------
    DesignError
        For another number.

    Examples
    --------
    >>> X = plackett_burman_signs(12)
    >>> bool((X.T @ X == 12 * np.eye(11)).all())
    True
    """
    if runs not in FIRST_ROWS:
        raise DesignError(
            f"A Plackett-Burman design of {runs} runs is not made here; there are {_sizes()}."
        )
    first = np.array([1.0 if s == "+" else -1.0 for s in FIRST_ROWS[runs]])
    rows = [np.roll(first, i) for i in range(runs - 1)]
    return np.vstack([*rows, -np.ones(runs - 1)])


def _sizes() -> str:
    return ", ".join(map(str, FIRST_ROWS))


def smallest_plackett_burman(k: int) -> int:
    """Give the fewest corners that hold k factors.

    Returns
    -------
    int

    Raises
    ------
    DesignError
        Above 23 factors.
    """
    for runs in FIRST_ROWS:
        if runs > k:
            return runs
    raise DesignError(f"{k} factors are too many for a Plackett-Burman design; at most 23.")


def plackett_burman(
    coding: Coding, runs: int, *, centre_points: int = 0, replicates: int = 1, blocks: int = 1
) -> CodedRuns:
    """Lay out a Plackett-Burman design.

    Parameters
    ----------
    coding : Coding
        Factors on a scale, and categories of two levels; fewer than ``runs``.
    runs : int
        Corners: 12, 16, 20 or 24.
    centre_points : int, default 0
        At each combination of the categories' levels.
    replicates, blocks : int, default 1
        Every block holds as many whole replicates.

    Returns
    -------
    CodedRuns

    Raises
    ------
    DesignError
        If it does not hold the factors, or blocks do not divide the replicates.
    """
    check_two_levels(coding, "A Plackett-Burman design")
    k = len(coding.factors)
    if k >= runs:
        raise DesignError(
            f"{runs} runs hold at most {runs - 1} factors, not {k}; ask for more runs."
        )
    if replicates % blocks:
        raise DesignError(
            f"blocks = {blocks}: a Plackett-Burman design is blocked by whole replicates; set replicates = {blocks}."
        )
    corners = from_signs(coding, plackett_burman_signs(runs)[:, :k])
    middle = centre_runs(coding, centre_points if coding.continuous else 0)
    check_size(len(corners) * replicates + len(middle))
    number = np.repeat(np.arange(replicates, dtype=np.intp) % blocks, len(corners))
    coded = np.vstack([np.tile(corners, (replicates, 1)), middle])
    block = np.concatenate([number, spread(len(middle), len(centre_runs(coding, 1)), blocks)]) + 1
    kind = (SCREENING,) * (len(corners) * replicates) + (CENTRE,) * len(middle)
    return CodedRuns(coded, block, kind, (PARTLY if runs != 16 else WHOLLY,))


@cache
def conference_matrix(order: int) -> FloatArray:
    """Give a conference matrix: 0 on the diagonal, -1 and 1 elsewhere, C'C = (order - 1) I.

    Parameters
    ----------
    order : int
        Even, with order - 1 a prime or 9: 4, 6, 8, 10, 12 or 14.

    Returns
    -------
    array, shape (order, order)
        Paley's construction: quadratic residues of the field of order - 1 elements, bordered.

    Raises
    ------
    DesignError
        For another order.

    Examples
    --------
    >>> C = conference_matrix(6)
    >>> bool((C.T @ C == 5 * np.eye(6)).all())
    True
    """
    q = order - 1
    if q not in (3, 5, 7, 9, 11, 13):
        raise DesignError(
            f"No conference matrix of order {order} is made here; there are 4, 6, ... 14."
        )
    core = _residues(q)
    border = 1.0 if q % 4 == 1 else -1.0
    top = np.concatenate([[0.0], np.ones(q)])
    return np.vstack([top, np.column_stack([border * np.ones(q), core])])


def _residues(q: int) -> FloatArray:
    """Give chi(a - b) over the field of q elements: 1 for squares, -1 for others, 0 for 0."""
    if q != 9:
        squares = {x * x % q for x in range(1, q)}
        chi = np.array([0.0] + [1.0 if x in squares else -1.0 for x in range(1, q)])
        return np.asarray(chi[(np.arange(q)[:, None] - np.arange(q)) % q])
    field = [(a, b) for a in range(3) for b in range(3)]
    squares9 = {_times9(x, x) for x in field if x != (0, 0)}
    table = np.zeros((9, 9))
    for i, a in enumerate(field):
        for j, b in enumerate(field):
            if i != j:
                difference = ((a[0] - b[0]) % 3, (a[1] - b[1]) % 3)
                table[i, j] = 1.0 if difference in squares9 else -1.0
    return table


def _times9(a: tuple[int, int], b: tuple[int, int]) -> tuple[int, int]:
    real = a[0] * b[0] + _NON_RESIDUE_3 * a[1] * b[1]
    return real % 3, (a[0] * b[1] + a[1] * b[0]) % 3


def definitive_order(k: int, spare: int = 4) -> int:
    """Give the order of the conference matrix that leaves so many runs spare for error.

    Main effects and squares take 2 k + 1 of the 2 order + 1 runs.

    Parameters
    ----------
    k : int
        Factors.
    spare : int, default 4
        Wanted, at least 0.

    Returns
    -------
    int
        Even.

    Examples
    --------
    >>> definitive_order(6), definitive_order(5), definitive_order(6, 0)
    (8, 8, 6)
    """
    order = k + -(-spare // 2)
    return order + order % 2


def definitive_screening(
    coding: Coding, order: int, *, centre_points: int = 0, replicates: int = 1, blocks: int = 1
) -> CodedRuns:
    """Lay out a definitive screening design: a conference matrix, its mirror image and a centre point.

    Parameters
    ----------
    coding : Coding
        4 to 12 factors, all on a scale.
    order : int
        Of the conference matrix, at least the number of factors; columns beyond give runs for error.
    centre_points : int, default 0
        Beside the one that belongs to it.
    replicates, blocks : int, default 1
        Every block holds as many whole replicates.

    Returns
    -------
    CodedRuns

    Raises
    ------
    DesignError
        If there are too few or too many factors, or categories.
    """
    k = len(coding.factors)
    if coding.categories:
        names = " and ".join(f.name for f in coding.categories)
        raise DesignError(
            f'{names}: definitive screening needs factors on a scale; use family = "optimal" with categories.'
        )
    if not FEWEST_SCREENED <= k <= MOST_SCREENED or order < k:
        raise DesignError(
            f"Definitive screening is for {FEWEST_SCREENED} to {MOST_SCREENED} factors, not {k}; for fewer use central_composite."
        )
    if replicates % blocks:
        raise DesignError(
            f"blocks = {blocks}: definitive screening is blocked by whole replicates; set replicates = {blocks}."
        )
    C = conference_matrix(order)[:, :k]
    one = np.stack([C, -C], axis=1).reshape(-1, k)
    once = np.vstack([one, np.zeros((1, k))])
    middle = centre_runs(coding, centre_points)
    check_size(len(once) * replicates + len(middle))
    number = np.repeat(np.arange(replicates, dtype=np.intp) % blocks, len(once))
    block = np.concatenate([number, spread(len(middle), 1, blocks)]) + 1
    kind = ((SCREENING,) * len(one) + (CENTRE,)) * replicates + (CENTRE,) * len(middle)
    notes = [
        (
            "Straight effects stand clear of one another, of all curvatures and of all interactions of two factors; "
            "curvatures and interactions are partly mixed up among themselves."
        )
    ]
    if order > k:
        notes.append(f"{2 * (order - k)} of the runs are there to judge the scatter by.")
    return CodedRuns(np.vstack([np.tile(once, (replicates, 1)), middle]), block, kind, tuple(notes))
