"""Intervals and predictions from a mixed model fitted to few observations.

A variance estimated from six plates is uncertain, and normal limits ignore that.  Here every
linear combination of the fixed part gets a standard error and degrees of freedom, and so does
the miss of a future observation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from kit.model.reduction import FloatArray


@dataclass(frozen=True)
class SmallSample:
    """Hold what inference on the fixed part of a mixed model needs.

    Attributes
    ----------
    method : str
        ``"kenward-roger"`` or ``"satterthwaite"``.
    coefficients : array, shape (p,)
        Estimates b.
    covariance : array, shape (p, p)
        (X' V^-1 X)^-1, not adjusted.
    adjusted : array, shape (p, p)
        Covariance that standard errors are taken from; equal to ``covariance`` for Satterthwaite.
    slopes : array, shape (k + 1, p, p)
        Derivative of ``covariance`` in each variance component, residual last.
    components : array, shape (k + 1,)
        Variance components, residual last.
    component_covariance : array, shape (k + 1, k + 1)
        Their large-sample covariance W.
    """

    method: str
    coefficients: FloatArray
    covariance: FloatArray
    adjusted: FloatArray
    slopes: FloatArray
    components: FloatArray
    component_covariance: FloatArray


@dataclass(frozen=True)
class Contrasts:
    """Hold estimates of linear combinations with two-sided, pointwise limits.

    Attributes
    ----------
    estimate, std_error, df, t, p, low, high : arrays, shape (m,)
        Estimate with its standard error, degrees of freedom, t statistic, two-sided p-value
        and limits. A standard error of zero does not occur.
    confidence : float
        Confidence of ``low`` to ``high``.
    """

    estimate: FloatArray
    std_error: FloatArray
    df: FloatArray
    t: FloatArray
    p: FloatArray
    low: FloatArray
    high: FloatArray
    confidence: float


@dataclass(frozen=True)
class FutureVariance:
    """Hold the variance of the error of a prediction, one value a setting.

    Attributes
    ----------
    variance : array, shape (m,)
        Uncertainty of the mean and spread of the future observation together.
    df : array, shape (m,)
        Degrees of freedom for Student limits.
    """

    variance: FloatArray
    df: FloatArray


def contrast_df(model: SmallSample, L: ArrayLike) -> FloatArray:
    """Give the degrees of freedom of linear combinations l'b, one a row of L.

    Parameters
    ----------
    model : SmallSample
        From :func:`kenward_roger` or :func:`satterthwaite`.
    L : array, shape (m, p) or (p,)
        Combinations, for example rows of a model matrix; none all zero.

    Returns
    -------
    array, shape (m,)
        Degrees of freedom, > 0, not necessarily whole.

    Raises
    ------
    ValueError
        If the shape of L does not fit, or a row is zero or not finite.

    Notes
    -----
    df = 2 (l'Phi l)^2 / (g' W g), g_i the derivative of l'Phi l in component i. For a single
    combination the formulas of Kenward and Roger reduce to this with a scale of 1.
    """
    rows = checked_rows(model, L)
    gradient = _gradient(model, rows)
    return _matched_df(_quadratic(rows, model.covariance), gradient, model)


def contrasts(model: SmallSample, L: ArrayLike, *, confidence: float = 0.95) -> Contrasts:
    """Estimate linear combinations of the fixed part, each with its Student interval.

    For effects, differences and fitted means; thousands of rows at a time are fine.

    Parameters
    ----------
    model : SmallSample
        From :func:`kenward_roger` or :func:`satterthwaite`.
    L : array, shape (m, p) or (p,)
        Combinations, none all zero.
    confidence : float, default 0.95
        Strictly between 0 and 1; two-sided, pointwise.

    Returns
    -------
    Contrasts
        In the unit of the response.

    Raises
    ------
    ValueError
        If ``confidence`` is not strictly between 0 and 1, the shape of L does not fit, or a row
        is zero or not finite.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie in 0 to 1, got {confidence!r}; write 95 % as 0.95.")
    rows = checked_rows(model, L)
    estimate = rows @ model.coefficients
    std_error = np.sqrt(_quadratic(rows, model.adjusted))
    df = contrast_df(model, rows)
    t = estimate / std_error
    half_width = special.stdtrit(df, (1 + confidence) / 2) * std_error
    return Contrasts(
        estimate=estimate,
        std_error=std_error,
        df=df,
        t=t,
        p=2 * special.stdtr(df, -np.abs(t)),
        low=estimate - half_width,
        high=estimate + half_width,
        confidence=confidence,
    )


def future_variance(
    model: SmallSample, rows: ArrayLike, *, shares: ArrayLike | None = None
) -> FutureVariance:
    """Give the variance with which a future observation misses its predicted mean.

    For limits of one new print on a new plate and day: prediction +/- t(df) sqrt(variance).

    Parameters
    ----------
    model : SmallSample
        From :func:`kenward_roger`.
    rows : array, shape (m, p) or (p,)
        Rows of the model matrix at the settings.
    shares : array, shape (k + 1,), optional
        How much of each component the future value carries, residual last; default all 1, one
        print in a new group of every factor. The mean of three prints on one new plate is
        ``[1, 1/3]``.

    Returns
    -------
    FutureVariance
        Variance in squared units of the response, and degrees of freedom.

    Raises
    ------
    ValueError
        If the shape of rows or shares does not fit, or a number is negative or not finite.

    Notes
    -----
    variance = x' adjusted x + sum_i shares_i s2_i. The degrees of freedom are Satterthwaite's
    for that total: twice its square over its variance by the delta method, with the covariance
    of the components that also gives the df of the mean; the components and x'Phi x are
    estimated from the same data, and their covariance is part of it.
    """
    rows_ = checked_rows(model, rows)
    share = np.ones(len(model.components)) if shares is None else np.array(shares, dtype=float)
    if share.shape != model.components.shape or not (np.isfinite(share) & (share >= 0)).all():
        raise ValueError(
            f"shares must be {len(model.components)} numbers >= 0, one a random factor and the "
            f"residual last; got {shares!r}."
        )
    spread = float(share @ model.components)
    total = _quadratic(rows_, model.covariance) + spread
    df = _matched_df(total, _gradient(model, rows_) + share, model)
    return FutureVariance(_quadratic(rows_, model.adjusted) + spread, df)


def checked_rows(model: SmallSample, L: ArrayLike) -> FloatArray:
    """Refuse combinations that fit no coefficient vector of the model.

    Parameters
    ----------
    model : SmallSample
        The model the combinations are for.
    L : array, shape (m, p) or (p,)
        Combinations.

    Returns
    -------
    array, shape (m, p)
        The same as numbers.

    Raises
    ------
    ValueError
        If the shape does not fit, or a row is zero or not finite.
    """
    rows = np.atleast_2d(np.asarray(L, dtype=np.float64))
    p = len(model.coefficients)
    if rows.ndim != 2 or rows.shape[1] != p:
        raise ValueError(f"L must have shape (m, {p}), one column a coefficient; got {rows.shape}.")
    bad = np.flatnonzero(~(np.isfinite(rows).all(axis=1) & (rows != 0).any(axis=1)))
    if bad.size:
        shown = ", ".join(str(i) for i in bad[:10])
        raise ValueError(f"rows {shown} of L are zero or not finite; leave them out.")
    return rows


def _quadratic(rows: FloatArray, M: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("mp,mp->m", rows @ M, rows))


def _gradient(model: SmallSample, rows: FloatArray) -> FloatArray:
    # Differentiate l'Phi l in the components, shape (m, k + 1).
    return np.stack([_quadratic(rows, slope) for slope in model.slopes], axis=1)


def _matched_df(total: FloatArray, gradient: FloatArray, model: SmallSample) -> FloatArray:
    # Match mean and variance of ``total`` to a multiple of chi-square.
    return np.asarray(2 * total**2 / _quadratic(gradient, model.component_covariance))
