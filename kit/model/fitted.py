"""From a model matrix and print means to a fit: the one place where statsmodels fits.

By least squares, as a mixed model where prints come in random groups, or by likelihood where some prints
reached the limit of the instrument (`kit.model.censored`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
from statsmodels.regression.linear_model import OLS

from kit.errors import ModelError
from kit.model.censored import fit_censored
from kit.model.least_squares import left_out_residuals, studentised_residuals
from kit.model.mixed import MixedFit, fit_mixed
from kit.model.spread import Spread, SpreadFit, fit_spread
from kit.terms import Coding, FloatArray, expand_terms

Uneven = Callable[[FloatArray, FloatArray], SpreadFit]

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Fitted:
    """What was found, and what follows run by run.

    Attributes
    ----------
    coefficients : array, shape (p,)
    unscaled : array, shape (p, p)
        Covariance of the coefficients over ``variance``.
    variance, df : float
        Residual mean square and its degrees of freedom.
    centred : array, shape (n,)
        y less its mean.
    fitted, residuals, leverage, left_out, studentised : array, shape (n,)
    r2, r2_predicted : float
    mixed : MixedFit or None
        Where prints come in random groups.
    weights : array of shape (n,), or None
        What each print weighs in the coefficients; None = all alike.
    method : str
    censored : array of bool of shape (n,), or None
        Prints whose true value is at least what was read.
    spread : Spread or None
        How scatter depends on the settings, where the study asks for it.
    """

    coefficients: FloatArray
    unscaled: FloatArray
    variance: float
    df: float
    centred: FloatArray
    fitted: FloatArray
    residuals: FloatArray
    leverage: FloatArray
    left_out: FloatArray
    studentised: FloatArray
    r2: float
    r2_predicted: float
    mixed: MixedFit | None = None
    weights: FloatArray | None = None
    method: str = "least squares"
    censored: BoolArray | None = None
    spread: Spread | None = None

    @property
    def term_df(self) -> FloatArray:
        """Degrees of freedom of each coefficient, shape (p,)."""
        if self.mixed is not None:
            return self.mixed.term_df
        if self.spread is not None:
            return self.spread.contrast_df(np.eye(len(self.coefficients)))
        return np.full(len(self.coefficients), float(self.df))

    @property
    def told(self) -> FloatArray:
        """Predictions without each print, missing only where it decides a coefficient alone, shape (n,)."""
        return (
            self.left_out if self.censored is None else np.where(self.censored, 0.0, self.left_out)
        )


def fit_prints(
    design: FloatArray,
    y: FloatArray,
    groups: Mapping[str, IntArray],
    *,
    censored: BoolArray | None = None,
    uneven: Uneven | None = None,
) -> Fitted:
    """Fit print means the way that suits them.

    Parameters
    ----------
    design : array, shape (n, p)
        Model matrix with block columns.
    y : array, shape (n,)
        Print means.
    groups : mapping of name to numbered groups
        From `kit.model.mixed.random_groups`; empty for independent prints.
    censored : array of bool, shape (n,), optional
        Prints whose true value is at least what was read.
    uneven : callable, optional
        From `uneven_scatter`: fits mean and spread together.

    Returns
    -------
    Fitted

    Raises
    ------
    ModelError
        If prints at the limit of the instrument, or a spread by setting, meet random groups or each other, or leave too
        few prints.
    """
    if uneven is not None:
        _refuse_beside_spread(groups, censored)
        return _by_spread(design, y, uneven(design, y))
    if censored is not None and censored.any():
        if groups:
            raise ModelError(
                f"{int(censored.sum())} of {len(y)} prints reached the limit of the instrument, and prints come in random "
                'groups: the two cannot be fitted together. Write blocks = "fixed" under [model], or measure these '
                "prints again with a larger range."
            )
        return _at_limit(design, y, censored)
    if groups:
        return _as_fit(fit_mixed(design, y, groups), y)
    return _least_squares(design, y)


def _least_squares(design: FloatArray, y: FloatArray) -> Fitted:
    # Readings with many constant leading digits lose none of the others when the mean is taken off
    # first: the difference is exact in doubles, and the intercept takes it up again.
    mean = float(y.mean())
    centred = y - mean
    found = OLS(centred, design).fit(method="qr")
    coefficients = np.asarray(found.params, dtype=float).copy()
    unscaled = np.asarray(found.normalized_cov_params, dtype=float)
    residuals = np.asarray(found.resid, dtype=float)
    leverage = np.sum((design @ unscaled) * design, axis=1)
    df = len(y) - design.shape[1]
    missed = left_out_residuals(residuals, leverage)
    total = float(np.sum((centred - centred.mean()) ** 2))
    coefficients[0] += mean
    return Fitted(
        coefficients=coefficients,
        unscaled=unscaled,
        variance=float(residuals @ residuals) / df,
        df=df,
        centred=centred,
        fitted=y - residuals,
        residuals=residuals,
        leverage=leverage,
        left_out=y - missed,
        studentised=studentised_residuals(residuals, leverage, df),
        r2=1 - float(residuals @ residuals) / total,
        r2_predicted=1 - float(np.sum(missed**2)) / total,
    )


def _as_fit(mixed: MixedFit, y: FloatArray) -> Fitted:
    # Put a mixed fit into the shape of a least-squares one.
    return Fitted(
        coefficients=mixed.coefficients,
        unscaled=mixed.covariance / mixed.variance,
        variance=mixed.variance,
        df=mixed.df,
        centred=y - y.mean(),
        fitted=mixed.fitted,
        residuals=mixed.residuals,
        leverage=mixed.leverage,
        left_out=mixed.left_out,
        studentised=mixed.studentised,
        r2=mixed.r2,
        r2_predicted=mixed.r2_predicted,
        mixed=mixed,
        method="mixed model (REML, Kenward-Roger)",
    )


def uneven_scatter(coding: Coding, named: Sequence[str], coded: FloatArray) -> Uneven | None:
    """Give the fit of mean and spread for prints at coded settings, shape (n, n_factors); None where no factor is named.

    Returns
    -------
    callable or None
        Of model matrix and print means.
    """
    if not named:
        return None
    return partial(fit_spread, coding=coding, terms=expand_terms(coding, named), coded=coded)


def _refuse_beside_spread(groups: Mapping[str, IntArray], censored: BoolArray | None) -> None:
    if groups:
        raise ModelError(
            "prints come in random groups, beside which a spread by setting is not fitted. Delete spread, or write "
            'blocks = "fixed" under [model].'
        )
    if censored is not None and censored.any():
        raise ModelError(
            f"{int(censored.sum())} of {len(censored)} prints reached the limit of the instrument, which hides their "
            "scatter: a spread by setting is not fitted to them. Delete spread, or measure with a larger range."
        )


def _by_spread(design: FloatArray, y: FloatArray, found: SpreadFit) -> Fitted:
    # Put a fit of mean and spread into the same shape: variances over their mean, weights about 1.
    variance = float(found.variances.mean())
    weights = variance / found.variances
    missed = left_out_residuals(found.residuals, found.leverage)
    total = float(np.sum((y - y.mean()) ** 2))
    even = found.residuals * np.sqrt(weights)
    return Fitted(
        coefficients=found.coefficients,
        unscaled=found.spread.mean_covariance / variance,
        variance=variance,
        df=found.spread.df,
        centred=y - y.mean(),
        fitted=y - found.residuals,
        residuals=found.residuals,
        leverage=found.leverage,
        left_out=y - missed,
        studentised=studentised_residuals(even, found.leverage, found.spread.df),
        r2=1 - float(found.residuals @ found.residuals) / total,
        r2_predicted=1 - float(np.sum(missed**2)) / total,
        weights=weights,
        method="mean and spread (REML, Satterthwaite)",
        spread=found.spread,
    )


def _at_limit(design: FloatArray, y: FloatArray, censored: BoolArray) -> Fitted:
    # Put a fit with prints at the limit of the instrument into the same shape; there is no R2 of unknown values.
    found = fit_censored(design, y, censored)
    missed = np.where(censored, np.nan, left_out_residuals(found.residuals, found.leverage))
    rest = np.where(1 - found.leverage > 0, 1 - found.leverage, np.nan)
    without = (found.df * found.variance - found.residuals**2 / rest) / max(found.df - 1, 1)
    studentised = np.full(len(y), np.nan)
    judged = ~censored & (without > 0) & (found.df >= 2)
    np.divide(found.residuals, np.sqrt(np.abs(without * rest)), out=studentised, where=judged)
    return Fitted(
        coefficients=found.coefficients,
        unscaled=found.unscaled,
        variance=found.variance,
        df=found.df,
        centred=y - y.mean(),
        fitted=found.fitted,
        residuals=found.residuals,
        leverage=found.leverage,
        left_out=y - missed,
        studentised=studentised,
        r2=np.nan,
        r2_predicted=np.nan,
        weights=found.weights,
        censored=censored,
        method="maximum likelihood, values at the limit counted as at least",
    )
