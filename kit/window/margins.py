"""One standard normal or Student t response: probabilities, quantiles and Plackett's kernel.

The multivariate integrals of this room are built from these; ``df = inf`` is the normal throughout.
"""

from functools import lru_cache

import numpy as np
from scipy import special

from kit.terms import FloatArray

_CELLS = 1024
_CARRIED = 4001  # odd, so that 0 is in the table
_SMALLEST_PROBABILITY = 1e-90  # below it scipy's Student quantile can come back as +inf


def interval_probability(lower: FloatArray, upper: FloatArray, df: float) -> FloatArray:
    """Give the probability that one standard response lies between two limits.

    Intervals in the upper tail are mirrored to the lower one, where the distribution function
    keeps its relative accuracy: P(9 < y) is 1e-19, not 0.

    Parameters
    ----------
    lower, upper : array, any common shape
        Standardised limits, possibly infinite.
    df : float
        Degrees of freedom, > 0; ``inf`` is the normal.

    Returns
    -------
    array, the common shape
        Probabilities; 0 where ``lower >= upper``.
    """
    mirror = lower > 0
    low = np.where(mirror, -upper, lower)
    high = np.where(mirror, -lower, upper)
    return np.maximum(_exact_cdf(high, df) - _exact_cdf(low, df), 0.0)


def student_quantile(probability: FloatArray, df: float) -> FloatArray:
    """Give the quantile of the standard t distribution, with -inf at 0 and inf at 1.

    Parameters
    ----------
    probability : array, any shape
        In 0 to 1.
    df : float
        Degrees of freedom, > 0; ``inf`` is the normal.

    Returns
    -------
    array, the same shape
        Quantiles.
    """
    if np.isinf(df):
        return np.asarray(special.ndtri(probability), dtype=np.float64)
    inner = special.stdtrit(df, np.maximum(probability, _SMALLEST_PROBABILITY))
    return np.where(probability <= 0, -np.inf, np.where(probability >= 1, np.inf, inner))


def carried_limits(limits: FloatArray, own: FloatArray, df: float) -> FloatArray:
    """Carry standardised limits to where a t of other degrees of freedom has the same probability below.

    Parameters
    ----------
    limits : array, shape (n, q)
        Of responses with their own degrees of freedom; possibly infinite.
    own : array, shape (n, q)
        These degrees of freedom, > 0.
    df : float
        Degrees of freedom wanted, > 0.

    Returns
    -------
    array, shape (n, q)
        Where a response has the same degrees of freedom for many settings, by a table, off by less than 1e-6 in probability.
    """
    found = limits.copy()
    for j in range(limits.shape[1]):
        rows = np.flatnonzero(np.isfinite(limits[:, j]))
        z, nu = limits[rows, j], own[rows, j]
        if not len(rows) or np.allclose(nu, df, rtol=1e-6):
            continue
        if len(rows) <= _CARRIED or np.ptp(nu) > 1e-9 * nu[0]:
            found[rows, j] = _carried(z, nu, df)
            continue
        at = np.linspace(-1.0, 1.0, _CARRIED + 2)[1:-1]
        table = _carried(at / (1 - np.abs(at)), nu[0], df)
        # The quotient is smooth where the quantile itself runs off.
        quotient = np.interp(z / (1 + np.abs(z)), at, table / (1 + np.abs(table)))
        found[rows, j] = quotient / (1 - np.abs(quotient))
    return found


def _carried(z: FloatArray, own: FloatArray | float, df: float) -> FloatArray:
    # From the lower tail, where probabilities keep their digits.
    quantile = student_quantile(special.stdtr(own, -np.abs(z)), df)
    return np.asarray(np.copysign(quantile, z))


class Margin:
    """The standard t distribution as the path integrals use it: many values, one df.

    Parameters
    ----------
    df : float
        Degrees of freedom, > 0; ``inf`` is the normal.

    Notes
    -----
    For 2 <= df < inf the distribution function is a cubic Hermite table over x / (1 + |x|):
    within 1e-9 of the exact function and ten times as fast. Below 2 the table would not be
    smooth at its ends, and the exact function is called.
    """

    def __init__(self, df: float) -> None:
        self.df = df
        self._table = _hermite_table(df) if 2 <= df < np.inf else None

    def cdf(self, x: FloatArray) -> FloatArray:
        """Give the distribution function at finite or infinite ``x``, any shape.

        Parameters
        ----------
        x : array, any shape
            Standardised values.

        Returns
        -------
        array, the same shape
            Probabilities.
        """
        if self._table is None:
            return _exact_cdf(x, self.df)
        # |x| is kept finite: inf / inf would be NaN, and beyond 1e15 the table has ended anyway.
        x = np.clip(x, -1e15, 1e15)
        place = (x / (1.0 + np.abs(x)) + 1.0) * (_CELLS / 2)
        cell = np.minimum(place.astype(np.intp), _CELLS - 1)
        f = place - cell
        c0, c1, c2, c3 = (c.take(cell) for c in self._table)
        return np.asarray(((c3 * f + c2) * f + c1) * f + c0, dtype=np.float64)

    def kernel(self, quadratic_form: FloatArray) -> tuple[FloatArray, FloatArray | float]:
        """Give Plackett's kernel and the factor by which the other responses spread more.

        Parameters
        ----------
        quadratic_form : array, any shape
            Q = h' R^-1 h of the two responses that lie on their limits h, >= 0.

        Returns
        -------
        kernel : array, the same shape
            (1 + Q/df)^(-df/2), for the normal exp(-Q/2).
        spread : array or float
            sqrt(1 + Q/df), for the normal 1.
        """
        if np.isinf(self.df):
            return np.exp(-0.5 * quadratic_form), 1.0
        base = 1.0 + quadratic_form / self.df
        return np.exp(-0.5 * self.df * np.log(base)), np.sqrt(base)


def _exact_cdf(x: FloatArray, df: float) -> FloatArray:
    value = special.ndtr(x) if np.isinf(df) else special.stdtr(df, x)
    return np.asarray(value, dtype=np.float64)


@lru_cache(maxsize=64)
def _hermite_table(df: float) -> tuple[FloatArray, ...]:
    """Cubic coefficients of each cell of c = x / (1 + |x|), c from -1 to 1."""
    c = np.linspace(-1.0, 1.0, _CELLS + 1)
    x = c[1:-1] / (1.0 - np.abs(c[1:-1]))
    value = np.concatenate([[0.0], _exact_cdf(x, df), [1.0]])
    inner = _density(x, df) * (1.0 + np.abs(x)) ** 2  # dF/dx dx/dc, which is 0 at c = -1 and 1
    slope = np.concatenate([[0.0], inner, [0.0]]) * (2.0 / _CELLS)
    rise, s0, s1 = np.diff(value), slope[:-1], slope[1:]
    return value[:-1].copy(), s0.copy(), 3 * rise - 2 * s0 - s1, s0 + s1 - 2 * rise


def _density(x: FloatArray, df: float) -> FloatArray:
    log_constant = special.gammaln((df + 1) / 2) - special.gammaln(df / 2) - np.log(df * np.pi) / 2
    return np.asarray(np.exp(log_constant - (df + 1) / 2 * np.log1p(x * x / df)))
