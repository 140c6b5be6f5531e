"""Pooled scatter within groups, and whether one group scatters or lies too far from the others.

After ISO 5725-2 (repeatability and reproducibility of a measurement method), from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from kit.terms import FloatArray


@dataclass(frozen=True)
class OneWay:
    """Mean squares of groups of unequal size.

    Attributes
    ----------
    within, within_df : float, int
        Pooled variance within groups.
    between, between_df : float, int
        Mean square between groups.
    size : float
        Effective group size, (N - sum n_i^2 / N) / (g - 1).
    mean : float
        Of all readings.
    """

    within: float
    within_df: int
    between: float
    between_df: int
    size: float
    mean: float


def pooled_variance(values: ArrayLike, groups: Sequence[object]) -> tuple[float, int]:
    """Pool the variance of values within groups.

    Parameters
    ----------
    values : array, shape (n,)
        Readings, or averages of readings.
    groups : sequence, shape (n,)
        Label of each value's group.

    Returns
    -------
    variance, df : float, int
        Degrees of freedom are values less groups; the variance is missing where they are 0.

    Examples
    --------
    >>> pooled_variance([1.0, 3.0, 10.0, 10.0], ["a", "a", "b", "b"])
    (1.0, 2)
    """
    y, place, sizes = _grouped(values, groups)
    df = len(y) - len(sizes)
    if df < 1:
        return np.nan, 0
    centred = y - (np.bincount(place, y) / sizes)[place]
    return float(centred @ centred) / df, df


def one_way(values: ArrayLike, groups: Sequence[object]) -> OneWay:
    """Split the scatter of readings into within and between groups (ISO 5725-2, 7.4, from memory).

    Parameters
    ----------
    values : array, shape (n,)
        Readings.
    groups : sequence, shape (n,)
        At least two groups, and one with two readings.

    Returns
    -------
    OneWay

    Raises
    ------
    ValueError
        If there is only one group or no group with two readings.
    """
    y, place, sizes = _grouped(values, groups)
    within, df = pooled_variance(y, place.tolist())
    if len(sizes) < 2 or df < 1:
        raise ValueError("two groups are needed, and two readings in at least one of them.")
    means = np.bincount(place, y) / sizes
    between = float(sizes @ (means - y.mean()) ** 2) / (len(sizes) - 1)
    size = (len(y) - float(sizes @ sizes) / len(y)) / (len(sizes) - 1)
    return OneWay(within, df, between, len(sizes) - 1, size, float(y.mean()))


def cochran_critical(groups: int, readings: int, *, alpha: float = 0.05) -> float:
    """Give the share of one group's variance in the sum of all that chance seldom exceeds.

    Parameters
    ----------
    groups, readings : int
        Groups (>= 2), each with so many readings (>= 2).
    alpha : float, default 0.05
        Probability of exceeding it by chance.

    Returns
    -------
    float
        Cochran's critical value by its F bound, 1 / (1 + (p - 1) / F(1 - alpha/p; n - 1, (p - 1)(n - 1))); it agrees with
        table 4 of ISO 5725-2 to the printed digits.

    Examples
    --------
    >>> round(cochran_critical(8, 3), 3)
    0.516
    """
    f = stats.f.ppf(1 - alpha / groups, readings - 1, (groups - 1) * (readings - 1))
    return float(1 / (1 + (groups - 1) / f))


def grubbs_critical(groups: int, *, alpha: float = 0.05) -> float:
    """Give how many SDs the farthest of so many means lies from their mean before chance is unlikely.

    Parameters
    ----------
    groups : int
        Number of means, >= 3.
    alpha : float, default 0.05
        Two-sided, as in table 5 of ISO 5725-2.

    Returns
    -------
    float

    Examples
    --------
    >>> round(grubbs_critical(8), 2)
    2.13
    """
    t = stats.t.ppf(1 - alpha / (2 * groups), groups - 2)
    return float((groups - 1) / np.sqrt(groups) * np.sqrt(t**2 / (groups - 2 + t**2)))


def cochran_statistic(variances: ArrayLike) -> float:
    """Give the largest variance as a share of the sum of all."""
    v = np.asarray(variances, dtype=float)
    return float(v.max() / v.sum()) if v.sum() > 0 else 0.0


def grubbs_statistic(means: ArrayLike) -> tuple[float, float]:
    """Give how many SDs the highest and the lowest mean lie from the mean of all."""
    m = np.asarray(means, dtype=float)
    s = float(m.std(ddof=1))
    if s == 0:
        return 0.0, 0.0
    return float(m.max() - m.mean()) / s, float(m.mean() - m.min()) / s


def _grouped(
    values: ArrayLike, groups: Sequence[object]
) -> tuple[FloatArray, np.ndarray[tuple[int], np.dtype[np.intp]], FloatArray]:
    y = np.asarray(values, dtype=float)
    numbers: dict[object, int] = {}
    place = np.array([numbers.setdefault(g, len(numbers)) for g in groups], dtype=np.intp)
    return y, place, np.bincount(place).astype(float)
