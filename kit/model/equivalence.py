"""Whether two means differ by less than a stated margin, and how many prints that takes to show.

"No clear difference" is not "the same": with few prints nothing is ever clear. Two one-sided tests turn
the question round: the difference counts as small only when both larger differences are refuted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats

from kit.terms import FloatArray

ALPHA = 0.05
"""Of each of the two tests; their interval then has confidence 1 - 2 alpha."""
POWER = 0.80
MOST_PRINTS = 1000


@dataclass(frozen=True)
class Equivalence:
    """Two one-sided tests of a difference against a margin.

    Attributes
    ----------
    margin : float
        Largest difference that does not matter, > 0, in the response's unit.
    t_lower, t_upper, p_lower, p_upper : float
        Statistics and one-sided p-values against -margin and +margin.
    p : float
        The larger of the two: evidence that the difference lies within the margin.
    low, high : float
        90 % limits of the difference: both tests reject at 5 % exactly when they lie within the margin.
    """

    margin: float
    t_lower: float
    t_upper: float
    p_lower: float
    p_upper: float
    p: float
    low: float
    high: float


def equivalence(estimate: float, std_error: float, df: float, margin: float) -> Equivalence:
    """Test whether a difference lies within a margin.

    Parameters
    ----------
    estimate, std_error : float
        Difference and its standard error (> 0), in the response's unit.
    df : float
        Degrees of freedom, > 0.
    margin : float
        Stated before the data were seen, > 0.

    Returns
    -------
    Equivalence

    Raises
    ------
    ValueError
        If the margin is not above 0.

    Notes
    -----
    Schuirmann, J. Pharmacokinet. Biopharm. 15, 1987, 657-680.

    Examples
    --------
    >>> found = equivalence(0.4, 0.5, 10, margin=2.0)
    >>> round(found.p, 4), round(found.low, 2), round(found.high, 2)
    (0.0047, -0.51, 1.31)
    """
    if not margin > 0:
        raise ValueError(f"the margin must be above 0, got {margin!r}.")
    lower, upper = (estimate + margin) / std_error, (estimate - margin) / std_error
    p_lower, p_upper = float(stats.t.sf(lower, df)), float(stats.t.cdf(upper, df))
    half = float(stats.t.ppf(1 - ALPHA, df)) * std_error
    return Equivalence(
        margin=margin,
        t_lower=lower,
        t_upper=upper,
        p_lower=p_lower,
        p_upper=p_upper,
        p=max(p_lower, p_upper),
        low=estimate - half,
        high=estimate + half,
    )


def holm(p: ArrayLike) -> FloatArray:
    """Adjust the p-values of separate claims so that any false one has a chance of at most the level.

    Parameters
    ----------
    p : array, shape (m,)
        One claim each.

    Returns
    -------
    array, shape (m,)
        Adjusted, in the order given (Holm, Scand. J. Stat. 6, 1979, 65-70).

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.06, 0.06]
    """
    values = np.asarray(p, dtype=float)
    order = np.argsort(values, kind="stable")
    steps = (len(values) - np.arange(len(values))) * values[order]
    adjusted = np.empty_like(values)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return adjusted


def equivalence_power(
    std_error: float, df: float, margin: float, *, difference: float = 0.0, alpha: float = ALPHA
) -> float:
    """Give the chance that both one-sided tests reject.

    Parameters
    ----------
    std_error : float
        True standard error of the difference, > 0.
    df : float
        Degrees of freedom of its estimate, > 0.
    margin : float
        Equivalence margin, > 0.
    difference : float, default 0
        True difference.
    alpha : float, default 0.05
        Of each test.

    Returns
    -------
    float

    Notes
    -----
    The estimate is normal and, at an estimated standard error s std_error, must lie within
    margin - t s std_error of 0; integrated over s^2 df ~ chi-square(df) by quantiles.
    """
    levels = (np.arange(2000) + 0.5) / 2000
    s = np.sqrt(2 * special.gammaincinv(df / 2, levels) / df)
    t = float(stats.t.ppf(1 - alpha, df))
    room = margin / std_error - t * s
    off = difference / std_error
    inside = special.ndtr(room - off) - special.ndtr(-room - off)
    return float(np.where(room > 0, inside, 0.0).mean())


def prints_needed(
    sd: float, margin: float, *, power: float = POWER, alpha: float = ALPHA, groups: int = 2
) -> int | None:
    """Give how many prints a level show that two levels without a true difference lie within the margin.

    Parameters
    ----------
    sd : float
        Scatter of print means at one level, >= 0.
    margin : float
        Equivalence margin, > 0.
    power : float, default 0.80
        Wanted chance to show it.
    alpha : float, default 0.05
        Of each test; divide it by the number of pairs to be sure of all of them.
    groups : int, default 2
        Levels from which the scatter is estimated.

    Returns
    -------
    int or None
        None when more than 1000 would be needed.

    Examples
    --------
    >>> [prints_needed(1.0, m) for m in (2.0, 1.5, 1.0, 0.75, 0.5)]
    [6, 9, 18, 32, 70]
    """
    if sd == 0:
        return 2

    def enough(n: int) -> bool:
        error = sd * np.sqrt(2 / n)
        return equivalence_power(error, groups * (n - 1), margin, alpha=alpha) >= power

    if not enough(MOST_PRINTS):
        return None
    low, high = 1, MOST_PRINTS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def largest_shown(estimates: Sequence[Equivalence]) -> float:
    """Give the smallest margin within which every difference would count as shown, at 5 % each."""
    return max((max(abs(e.low), abs(e.high)) for e in estimates), default=np.nan)
