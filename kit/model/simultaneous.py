"""Several differences at once: limits that hold for all of them together.

All pairs: the studentised range (Tukey; Kramer; Games & Howell for unequal spread). Many against one:
Dunnett's maximum of correlated t.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special, stats

from kit.terms import FloatArray

_NODES = 64


def all_pairs_p(t: ArrayLike, levels: int, df: ArrayLike) -> FloatArray:
    """Give p-values of all pairs of levels, adjusted for asking all of them.

    Parameters
    ----------
    t : array, shape (m,)
        Difference over its standard error.
    levels : int
        How many levels are compared, >= 2.
    df : array, shape (m,)
        Degrees of freedom of each.

    Returns
    -------
    array, shape (m,)
        By the studentised range (Games & Howell, J. Educ. Stat. 1, 1976, 113-125).
    """
    q = np.abs(np.asarray(t, dtype=float)) * np.sqrt(2)
    return np.asarray(np.clip(stats.studentized_range.sf(q, levels, df), 0.0, 1.0))


def all_pairs_factor(levels: int, df: ArrayLike, *, confidence: float = 0.95) -> FloatArray:
    """Give how many standard errors the joint limits of all pairs reach.

    Returns
    -------
    array, the shape of ``df``
    """
    factors = [stats.studentized_range.ppf(confidence, levels, d) for d in np.atleast_1d(df)]
    return np.array(factors, dtype=float) / float(np.sqrt(2))


def against_one_p(t: ArrayLike, shares: ArrayLike, df: ArrayLike) -> FloatArray:
    """Give p-values of several levels against one, adjusted for asking all of them.

    Parameters
    ----------
    t : array, shape (m,)
        Difference to the reference level over its standard error.
    shares : array, shape (m,)
        Share of the reference level's variance in the variance of each difference, 0 to 1; two
        differences correlate by the root of the product of theirs.
    df : array, shape (m,)
        Degrees of freedom of each; where they differ each is judged with its own.

    Returns
    -------
    array, shape (m,)
        Two-sided (Dunnett, J. Am. Stat. Assoc. 50, 1955, 1096-1121).
    """
    b = tuple(np.sqrt(np.asarray(shares, dtype=float)).round(12))
    values = np.abs(np.atleast_1d(np.asarray(t, dtype=float)))
    freedom = np.broadcast_to(np.asarray(df, dtype=float), values.shape)
    return np.array([1 - _all_below(c, b, float(d)) for c, d in zip(values, freedom, strict=True)])


def against_one_factor(shares: ArrayLike, df: ArrayLike, *, confidence: float = 0.95) -> FloatArray:
    """Give how many standard errors the joint limits of several levels against one reach.

    Returns
    -------
    array, the shape of ``df``

    Examples
    --------
    Dunnett's table: three levels against one, 20 degrees of freedom, equal groups.

    >>> float(against_one_factor([0.5] * 3, [20.0]).round(2)[0])
    2.54
    """
    b = tuple(np.sqrt(np.asarray(shares, dtype=float)).round(12))
    return np.array([_dunnett_quantile(b, float(d), confidence) for d in np.atleast_1d(df)])


@cache
def _dunnett_quantile(b: tuple[float, ...], df: float, confidence: float) -> float:
    lowest = float(stats.t.ppf((1 + confidence) / 2, df))
    highest = float(stats.t.ppf(1 - (1 - confidence) / 2 / len(b), df)) + 1e-9
    if highest - lowest < 1e-6:
        return lowest
    return float(
        optimize.brentq(lambda c: _all_below(c, b, df) - confidence, lowest, highest, xtol=1e-9)
    )


def _all_below(c: float, b: tuple[float, ...], df: float) -> float:
    # P(max |T_i| <= c) for T with a common scale and correlations b_i b_j: given the reference's error z
    # and the scale s the T are independent.
    z, weight = np.polynomial.hermite_e.hermegauss(_NODES)
    weight = weight / weight.sum()
    levels = (np.arange(400) + 0.5) / 400
    s = np.sqrt(2 * special.gammaincinv(df / 2, levels) / df)[:, None, None]
    share = np.asarray(b)
    rest = np.sqrt(np.maximum(1 - share**2, 1e-12))
    shift = share * z[None, :, None]
    inside = special.ndtr((c * s - shift) / rest) - special.ndtr((-c * s - shift) / rest)
    return float((inside.prod(axis=2) @ weight).mean())
