"""How far raters agree on visual scores.

Krippendorff's alpha with the ordinal metric: 1 is full agreement, 0 what chance alone would give; it takes any number of raters and
missing ratings.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from kit.terms import FloatArray

GOOD, POOR = 0.80, 0.667
"""Krippendorff's own bounds: rely on ratings from 0.8, draw tentative conclusions from 0.667 (Content Analysis, from memory)."""


@dataclass(frozen=True)
class Agreement:
    """How far raters agree.

    Attributes
    ----------
    alpha : float
        Krippendorff's alpha, ordinal; missing where every rating is the same.
    same, within_one : float
        Shares of pairs of ratings of one piece that are equal, or at most one point apart.
    raters, pieces : int
        Pieces rated by two or more.
    means : dict of str to float
        Mean of each rater less the mean of all, over the pieces that all of them rated; missing where there is none.
    """

    alpha: float
    same: float
    within_one: float
    raters: int
    pieces: int
    means: dict[str, float]


def agreement(ratings: pd.DataFrame) -> Agreement | None:
    """Judge the agreement of raters.

    Parameters
    ----------
    ratings : DataFrame
        ``piece``, ``operator``, ``value``; repeat ratings of a piece by one rater are averaged to the nearest point.

    Returns
    -------
    Agreement or None
        None where no piece has two raters.

    References
    ----------
    Krippendorff, K. (2011), Computing Krippendorff's Alpha-Reliability, University of Pennsylvania.
    """
    table = ratings.pivot_table("value", index="piece", columns="operator", aggfunc="mean").round()
    table = table[table.notna().sum(axis=1) >= 2]
    if table.empty or table.shape[1] < 2:
        return None
    values = table.to_numpy(dtype=float)
    gaps = np.concatenate(
        [np.abs(values[:, i] - values[:, j]) for i, j in combinations(range(values.shape[1]), 2)]
    )
    gaps = gaps[np.isfinite(gaps)]
    whole = table.dropna()
    offsets = (
        (whole.mean() - whole.to_numpy().mean()).to_dict()
        if len(whole)
        else dict.fromkeys(table.columns, np.nan)
    )
    return Agreement(
        alpha=ordinal_alpha(values),
        same=float((gaps == 0).mean()),
        within_one=float((gaps <= 1).mean()),
        raters=table.shape[1],
        pieces=len(table),
        means={str(k): float(v) for k, v in offsets.items()},
    )


def ordinal_alpha(values: FloatArray) -> float:
    """Give Krippendorff's alpha for ordered categories.

    Parameters
    ----------
    values : array, shape (n_pieces, n_raters)
        Ratings; missing where nobody rated.

    Returns
    -------
    float
        Missing where all ratings are the same.
    """
    levels = np.unique(values[np.isfinite(values)])
    counts = np.array([[np.sum(row == level) for level in levels] for row in values], dtype=float)
    m = counts.sum(axis=1)
    counts, m = counts[m >= 2], m[m >= 2]
    pairs = (counts[:, :, None] * counts[:, None, :]).copy()
    diagonal = np.arange(len(levels))
    pairs[:, diagonal, diagonal] -= counts
    coincidence = (pairs / (m - 1)[:, None, None]).sum(axis=0)
    n_level = coincidence.sum(axis=1)
    below = np.cumsum(n_level) - n_level / 2  # mid-rank of each level
    metric = (below[:, None] - below[None, :]) ** 2
    expected = float((np.outer(n_level, n_level) * metric).sum()) / (n_level.sum() - 1)
    if expected == 0:
        return float("nan")
    return 1.0 - float((coincidence * metric).sum()) / float(expected)
