"""How many prints show how much: zero-failure plans, limits of a share, normal tolerance factors.

A count needs no shape of the scatter; a tolerance factor takes it as normal and needs fewer prints. Both
speak of independent prints, never of pieces of one print.
"""

from __future__ import annotations

from math import ceil, log, sqrt

import numpy as np
from scipy import optimize, special, stats


def zero_failure_prints(share: float, confidence: float) -> int:
    """Give the number of prints that must all meet their requirements to show a share.

    Parameters
    ----------
    share : float
        Share of prints to be shown, strictly between 0 and 1.
    confidence : float
        One-sided, strictly between 0 and 1.

    Returns
    -------
    int
        ln(1 - confidence) / ln(share), rounded up: the smallest n with share^n <= 1 - confidence.

    Examples
    --------
    >>> zero_failure_prints(0.90, 0.90), zero_failure_prints(0.95, 0.95)
    (22, 59)
    """
    _check(share, confidence)
    # a hair off, so that a quotient that is whole on paper is not pushed up by rounding
    return max(1, ceil(log(1 - confidence) / log(share) - 1e-12))


def share_limits(met: int, prints: int, confidence: float) -> tuple[float, float]:
    """Give the lower and the upper limit of the share of prints that meet, each one-sided.

    Parameters
    ----------
    met, prints : int
        Prints that met their requirements, and all prints.
    confidence : float
        Of each limit by itself, strictly between 0 and 1.

    Returns
    -------
    low, high : float
        Exact limits of a binomial share (Clopper & Pearson 1934, Biometrika 26, 404-413).

    Raises
    ------
    ValueError
        If ``met`` does not lie between 0 and ``prints``.
    """
    if not 0 <= met <= prints:
        raise ValueError(f"met must lie in 0 to {prints}, got {met}.")
    low = float(special.betaincinv(met, prints - met + 1, 1 - confidence)) if met else 0.0
    high = float(special.betaincinv(met + 1, prints - met, confidence)) if met < prints else 1.0
    return low, high


def one_sided_factor(n: int, share: float, confidence: float, *, df: float | None = None) -> float:
    """Give k so that mean - k s lies below the stated share of a normal population.

    Parameters
    ----------
    n : int
        Prints behind the mean, at least 1.
    share, confidence : float
        Strictly between 0 and 1.
    df : float, optional
        Degrees of freedom of s; n - 1 by default.

    Returns
    -------
    float
        From the noncentral t distribution (ISO 16269-6; NIST/SEMATECH e-Handbook 7.2.6.3).

    Examples
    --------
    >>> round(one_sided_factor(10, 0.95, 0.95), 3)
    2.911
    """
    _check(share, confidence)
    freedom = n - 1 if df is None else df
    shift = float(special.ndtri(share)) * sqrt(n)
    return float(stats.nct.ppf(confidence, freedom, shift)) / sqrt(n)


def two_sided_factor(n: int, share: float, confidence: float, *, df: float | None = None) -> float:
    """Give k so that mean -+ k s covers the stated share of a normal population.

    Parameters
    ----------
    n : int
        Prints behind the mean, at least 2.
    share, confidence : float
        Strictly between 0 and 1.
    df : float, optional
        Degrees of freedom of s; n - 1 by default.

    Returns
    -------
    float
        Exact: the chance over mean and s, integrated (ISO 16269-6; Howe's formula is near it).

    Examples
    --------
    >>> round(two_sided_factor(10, 0.95, 0.95), 3)
    3.393
    """
    _check(share, confidence)
    freedom = float(n - 1 if df is None else df)
    nodes, weights = np.polynomial.legendre.leggauss(80)
    z = 4.5 * (nodes + 1)  # the mean's distance in its standard errors; beyond 9 nothing is left
    weights = 4.5 * weights * 2 * np.exp(-z * z / 2) / sqrt(2 * np.pi)
    reach = np.sqrt(stats.ncx2.ppf(share, 1, z * z / n))

    def surplus(k: float) -> float:
        return float(weights @ special.chdtrc(freedom, freedom * (reach / k) ** 2)) - confidence

    return float(optimize.brentq(surplus, 1e-3, 1e4, xtol=1e-12, rtol=1e-12))


def howe_factor(n: int, share: float, confidence: float) -> float:
    """Give Howe's approximation of the two-sided factor (Howe 1969; e-Handbook 7.2.6.3)."""
    _check(share, confidence)
    z = float(special.ndtri((1 + share) / 2))
    lower = float(special.chdtri(n - 1, confidence))
    return z * sqrt((n - 1) * (1 + 1 / n) / lower)


def tail_limits(
    distance: float, n: int, confidence: float, *, df: float | None = None
) -> tuple[float, float]:
    """Give limits of the share of a normal population on the good side of one limit.

    Parameters
    ----------
    distance : float
        (mean - limit) / s, towards the good side.
    n : int
        Prints behind the mean.
    confidence : float
        Of each limit by itself.
    df : float, optional
        Degrees of freedom of s; n - 1 by default.

    Returns
    -------
    low, high : float
        The shares at which ``distance`` would be the tolerance factor of this confidence, and of
        1 - confidence.
    """
    freedom = n - 1 if df is None else df
    t = distance * sqrt(n)

    def share(level: float) -> float:
        # P(noncentral t <= t) falls as the shift grows; the shift where it is ``level`` is wanted.
        def surplus(shift: float) -> float:
            below = float(special.nctdtr(freedom, shift, t))
            # far out scipy gives no number, where the answer is plain
            return (below if np.isfinite(below) else float(shift < t)) - level

        reach = abs(t) + 12 + 4 * abs(t) / sqrt(2 * freedom)
        ends = (max(-35.0, -reach), min(35.0, reach))
        if surplus(ends[0]) <= 0:
            return 0.0
        if surplus(ends[1]) >= 0:
            return 1.0
        return float(special.ndtr(optimize.brentq(surplus, *ends, xtol=1e-9) / sqrt(n)))

    return share(confidence), share(1 - confidence)


def _check(share: float, confidence: float) -> None:
    for name, value in (("share", share), ("confidence", confidence)):
        if not 0 < value < 1:
            raise ValueError(f"{name} must lie in 0 to 1, got {value!r}; write 90 % as 0.90.")
