"""Would the plan see it? Exact power of t and F tests, and the smallest difference seen.

Noncentral t and F, two-sided; Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. 1988.
"""

from __future__ import annotations

from math import ceil, inf, sqrt

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr
from scipy.stats import chi2, ncf
from scipy.stats import f as fisher
from scipy.stats import t as student

CONFIDENCE, CHANCE = 0.95, 0.80
"""Usual demands: intervals of 95 % (tests at 5 %), a difference seen with a chance of 80 %; common practice."""
MOST_PRINTS = 2000
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(400)
_TAIL = 1e-14


def power_t(shift: float, df: float, *, alpha: float = 1 - CONFIDENCE) -> float:
    """Give the chance that a two-sided t test finds a difference.

    Parameters
    ----------
    shift : float
        True difference over its standard error (the noncentrality).
    df : float
        Residual degrees of freedom, > 0.
    alpha : float, default 0.05
        Chance of a false alarm.

    Returns
    -------
    float

    Examples
    --------
    64 a group, half a standard deviation apart:

    >>> round(power_t(0.5 * sqrt(64 / 2), 126), 4)
    0.8015
    """
    if not df > 0:
        return 0.0
    limit = float(student.ppf(1 - alpha / 2, df))
    # scipy's noncentral t gives no number here and there (1.17: 82 df, shift 9.2), so the scatter's own
    # distribution is integrated over instead; its square times df is a chi-square.
    low, high = np.sqrt(chi2.ppf([_TAIL, 1 - _TAIL], df) / df)
    s = (high + low) / 2 + (high - low) / 2 * _NODES
    weight = (high - low) / 2 * _WEIGHTS * 2 * df * s * chi2.pdf(df * s**2, df)
    inside = ndtr(limit * s - abs(shift)) - ndtr(-limit * s - abs(shift))
    return float(np.clip(1.0 - weight @ inside, 0.0, 1.0))


def power_f(
    noncentrality: float, df: float, df_error: float, *, alpha: float = 1 - CONFIDENCE
) -> float:
    """Give the chance that an F test of several contrasts at once finds a difference.

    Parameters
    ----------
    noncentrality : float
        Sum of squares of the true contrasts over the error variance.
    df, df_error : float
        Degrees of freedom of the contrasts and of the error.
    alpha : float, default 0.05
        Chance of a false alarm.

    Returns
    -------
    float

    Examples
    --------
    Four groups of 45, effect size 0.25:

    >>> round(power_f(0.25**2 * 180, 3, 176), 4)
    0.804
    """
    if not df_error > 0:
        return 0.0
    limit = float(fisher.ppf(1 - alpha, df, df_error))
    return float(ncf.sf(limit, df, df_error, noncentrality))


def smallest_shift(df: float, *, chance: float = CHANCE, alpha: float = 1 - CONFIDENCE) -> float:
    """Give the difference, in standard errors, that is found with that chance.

    Parameters
    ----------
    df : float
        Residual degrees of freedom.
    chance : float, default 0.80
        Wanted power.
    alpha : float, default 0.05
        Chance of a false alarm.

    Returns
    -------
    float
        Infinite without degrees of freedom.

    Examples
    --------
    >>> round(smallest_shift(10), 2)
    3.11
    """
    if not df > 0:
        return inf
    high = float(student.ppf(1 - alpha / 2, df)) * 2 + 10
    while power_t(high, df, alpha=alpha) < chance:
        high *= 2
    return float(brentq(lambda d: power_t(d, df, alpha=alpha) - chance, 0.0, high, xtol=1e-9))


def prints_for(
    difference: float, sd: float, *, coefficients: int = 2, chance: float = CHANCE
) -> int | None:
    """Give the prints of a two-level plan that see a difference between low and high.

    Parameters
    ----------
    difference, sd : float
        The difference that matters, and the scatter between prints made alike, in one unit.
    coefficients : int, default 2
        Coefficients that the plan spends, the intercept included.
    chance : float, default 0.80
        With which it is to be seen.

    Returns
    -------
    int or None
        Even, half at each level; None beyond 2000.

    Raises
    ------
    ValueError
        If difference or SD is not above 0.

    Examples
    --------
    One standard deviation: 17 at each level.

    >>> prints_for(1.0, 1.0)
    34
    """
    if not (difference > 0 and sd > 0):
        raise ValueError(
            "difference and sd must be above 0; state the scatter from a pilot or gauge study."
        )
    first = 2 * (ceil((coefficients + 1) / 2))
    for n in range(first, MOST_PRINTS + 1, 2):
        if power_t(difference / sd * sqrt(n) / 2, n - coefficients) >= chance:
            return n
    return None
