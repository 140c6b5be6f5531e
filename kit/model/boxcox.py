"""Box-Cox: on which scale of the response the model fits best, with its interval."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from kit.terms import FloatArray

SEARCHED = (-5.0, 5.0)
"""Powers looked at; beyond them no scale is of practical use."""


@dataclass(frozen=True)
class BoxCox:
    """The best power of a positive response.

    Attributes
    ----------
    power : float
        1 leaves the response as it is, 0 stands for its logarithm, -1 for its reciprocal.
    low, high : float
        Profile-likelihood interval; an end at the border of the search is that border.
    """

    power: float
    low: float
    high: float


def box_cox(
    design: FloatArray,
    y: FloatArray,
    *,
    confidence: float = 0.95,
    residual_df: float | None = None,
) -> BoxCox:
    """Find the power by maximum likelihood.

    Parameters
    ----------
    design : array, shape (n, p)
        Model matrix with intercept; dependent columns do no harm.
    y : array, shape (n,)
        The response, all values above 0.
    confidence : float, default 0.95
        Of the interval, strictly between 0 and 1.
    residual_df : float, optional
        For few prints: the interval then allows for a scatter known from so many degrees of freedom
        only. Without it the large-sample interval is given, which is too short for small studies.

    Returns
    -------
    BoxCox

    Raises
    ------
    ValueError
        If a value is not above 0.

    Notes
    -----
    Box & Cox, J. R. Stat. Soc. B 26, 1964, 211-252; the interval holds all powers whose
    log-likelihood is within half a chi-square quantile (1 df) of the best. With ``residual_df`` it
    holds those whose residual sum of squares is at most 1 + t^2/df times the least (Montgomery, Design
    and Analysis of Experiments, 15.1.1, from memory).
    """
    if np.min(y) <= 0:
        raise ValueError("a power needs values above 0.")
    length = np.linalg.norm(design, axis=0)
    U, sizes, _ = np.linalg.svd(design / np.where(length > 0, length, 1.0), full_matrices=False)
    basis = U[:, sizes > 1e-9]

    def likelihood(power: float) -> float:
        return profile_log_likelihood(basis, y, power)

    grid = np.linspace(*SEARCHED, 101)
    start = int(np.argmax([likelihood(p) for p in grid]))
    around = (grid[max(start - 1, 0)], grid[min(start + 1, len(grid) - 1)])
    best = optimize.minimize_scalar(
        lambda p: -likelihood(p), bounds=around, method="bounded", options={"xatol": 1e-8}
    )
    power = float(best.x)
    if residual_df is None:
        drop = stats.chi2.ppf(confidence, 1) / 2
    else:
        t = stats.t.ppf((1 + confidence) / 2, residual_df)
        drop = len(y) / 2 * np.log1p(t**2 / residual_df)
    least = -float(best.fun) - drop
    ends = [_crossing(lambda p: likelihood(p) - least, power, end) for end in SEARCHED]
    return BoxCox(power, ends[0], ends[1])


def profile_log_likelihood(basis: FloatArray, y: FloatArray, power: float) -> float:
    """Give -n/2 log(residual SS / n) of the scaled power, constants left out.

    Parameters
    ----------
    basis : array, shape (n, p)
        Orthonormal basis of the model matrix.
    y : array, shape (n,)
        Values above 0.
    power : float
        1 leaves the response as it is, 0 stands for its logarithm.

    Returns
    -------
    float
        Comparable between powers: the scaling by the geometric mean keeps the unit.
    """
    logs = np.log(y)
    middle = float(np.mean(logs))
    if abs(power) < 1e-9:
        z = logs * np.exp(middle)
    else:
        # expm1 keeps the digits that y^power - 1 would lose near power 0.
        z = np.expm1(power * logs) / (power * np.exp((power - 1) * middle))
    z = z - z.mean()
    rest = z - basis @ (basis.T @ z)
    ss = float(rest @ rest)
    return -len(y) / 2 * float(np.log(max(ss, 1e-300) / len(y)))


def _crossing(function: Callable[[float], float], inner: float, outer: float) -> float:
    # Give where the profile falls below the limit, or the border when it does not.
    if function(outer) >= 0:
        return outer
    low, high = min(inner, outer), max(inner, outer)
    return float(optimize.brentq(function, low, high, xtol=1e-10))
