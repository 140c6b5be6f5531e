"""How responses of one print miss together, over printers, from cross-products alone.

Beside X'X and X'y of each response this needs Y'Y, the products of the responses with each other, from prints that have all
of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np

from kit.model.pool import without_blocks
from kit.terms import FloatArray

FEWEST_DF = 5
"""With fewer degrees of freedom a correlation is a guess (common practice, no source)."""


@dataclass(frozen=True)
class JointProducts:
    """Cross-products of several responses of the same prints.

    Attributes
    ----------
    xx : array, shape (p, p)
        X'X.
    xy : array, shape (p, q)
        X'Y.
    yy : array, shape (q, q)
        Y'Y.
    n : float
        Prints, less what was taken out beforehand (blocks).
    """

    xx: FloatArray
    xy: FloatArray
    yy: FloatArray
    n: float

    def __add__(self, other: JointProducts) -> JointProducts:
        """Put two sets of prints together."""
        return JointProducts(
            self.xx + other.xx, self.xy + other.xy, self.yy + other.yy, self.n + other.n
        )


def joint_products(X: FloatArray, Y: FloatArray, blocks: FloatArray | None = None) -> JointProducts:
    """Condense prints that have all responses.

    Parameters
    ----------
    X : array, shape (n, p)
        Model matrix.
    Y : array, shape (n, q)
        Print means, one column a response.
    blocks : array, shape (n, b), optional
        As in `kit.model.pool.cross_products`.

    Returns
    -------
    JointProducts
    """
    X, Y, n = without_blocks(X, Y, blocks)
    return JointProducts(X.T @ X, X.T @ Y, Y.T @ Y, n)


def print_correlation(
    printers: Sequence[JointProducts], random: Sequence[int]
) -> tuple[FloatArray, float]:
    """Give the correlation of the responses between prints of one printer.

    What differs from printer to printer is taken out first, so that two responses that both lie high on one printer do not
    count as going together from print to print.

    Parameters
    ----------
    printers : sequence of JointProducts
        One a printer.
    random : sequence of int
        Columns whose coefficient differs between printers.

    Returns
    -------
    correlation : array, shape (q, q)
        Of the residuals; the unit matrix where fewer than `FEWEST_DF` degrees of freedom are left.
    df : float
        Degrees of freedom of the residuals.
    """
    within = reduce(JointProducts.__add__, (_within(c, list(random)) for c in printers))
    misses = within.yy - within.xy.T @ np.linalg.pinv(within.xx, hermitian=True) @ within.xy
    df = within.n - int(np.linalg.matrix_rank(within.xx, hermitian=True))
    sds = np.sqrt(np.maximum(np.diag(misses), 0.0))
    if df < FEWEST_DF or not np.all(sds > 0):
        return np.eye(len(misses)), float(df)
    correlation = np.clip(misses / np.outer(sds, sds), -1.0, 1.0)
    np.fill_diagonal(correlation, 1.0)
    return np.asarray((correlation + correlation.T) / 2), float(df)


def _within(c: JointProducts, at: list[int]) -> JointProducts:
    """Project a printer's own columns out of its products."""
    inverse = np.linalg.pinv(c.xx[np.ix_(at, at)], hermitian=True)
    rank = int(np.linalg.matrix_rank(c.xx[np.ix_(at, at)], hermitian=True))
    zx, zy = c.xx[at], c.xy[at]
    return JointProducts(
        c.xx - zx.T @ inverse @ zx,
        c.xy - zx.T @ inverse @ zy,
        c.yy - zy.T @ inverse @ zy,
        c.n - rank,
    )
