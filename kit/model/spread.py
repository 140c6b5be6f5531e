"""Mean and spread modelled together: how much prints scatter depends on the settings as well.

A hot nozzle that strings now and then scatters more than a cool one. Where the study asks for it, the logarithm of the
variance is a straight function of the named settings; the mean is fitted with each print weighed by it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from kit.errors import ModelError
from kit.model.least_squares import fit_least_squares, matrix_rank
from kit.saying import counted, listed
from kit.terms import Coding, FloatArray, Term, model_matrix

SPARE_FOR_EACH = 4
"""Spare prints wanted for each number that describes the spread (common practice, no source)."""

_STEPS = 100
_CLOSE = 1e-10
_WIDEST = 2 * np.log(50.0)
"""A spread that seems to differ by more than 50 times over the prints is no finding but a lack of prints."""


@dataclass(frozen=True)
class Spread:
    """How the scatter of print means depends on the settings.

    Attributes
    ----------
    coding : Coding
    terms : tuple of Term
        The q + 1 terms, intercept first.
    coefficients : array, shape (q + 1,)
        Of the logarithm of the variance, in coded units.
    covariance : array, shape (q + 1, q + 1)
        Inverse expected information of the restricted likelihood.
    df : float
        Prints less coefficients of the mean, n - p.
    p : float
        Chance of as uneven a scatter if it were even (likelihood ratio).
    design : array, shape (n, p)
        Model matrix of the mean.
    columns : array, shape (n, q + 1)
        Model matrix of the spread.
    mean_covariance : array, shape (p, p)
        (X' W X)^-1 with the reciprocal variances as weights.
    """

    coding: Coding
    terms: tuple[Term, ...]
    coefficients: FloatArray
    covariance: FloatArray
    df: float
    p: float
    design: FloatArray
    columns: FloatArray
    mean_covariance: FloatArray

    def variance(self, coded: FloatArray) -> FloatArray:
        """Give the variance of a print mean at coded settings, shape (m,).

        Returns
        -------
        array, shape (m,)
        """
        return np.asarray(np.exp(model_matrix(self.coding, self.terms, coded) @ self.coefficients))

    def contrast_df(self, rows: FloatArray) -> FloatArray:
        """Give Satterthwaite's degrees of freedom of combinations of the mean's coefficients, rows of shape (m, p).

        Returns
        -------
        array, shape (m,)
        """
        doubt, slope = self._doubt(rows)
        return self._df(doubt, slope)

    def future_df(self, rows: FloatArray, coded: FloatArray) -> FloatArray:
        """Give Satterthwaite's degrees of freedom of one new print at settings, whose rows are of shape (m, p).

        Returns
        -------
        array, shape (m,)
        """
        doubt, slope = self._doubt(rows)
        own = self.variance(coded)
        return self._df(doubt + own, slope + own * model_matrix(self.coding, self.terms, coded).T)

    def _doubt(self, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        # Give the variance of each combination and its slopes in the spread's coefficients, shape (q + 1, m).
        C = self.mean_covariance
        weights = np.exp(-self.columns @ self.coefficients)
        pull = self.design @ C @ rows.T
        return np.sum((rows @ C) * rows, axis=1), self.columns.T @ (weights[:, None] * pull**2)

    def _df(self, total: FloatArray, slope: FloatArray) -> FloatArray:
        spread = np.sum(slope * (self.covariance @ slope), axis=0)
        return np.asarray(2 * total**2 / np.maximum(spread, 1e-300))


@dataclass(frozen=True)
class SpreadFit:
    """A mean fitted to n prints beside their spread.

    Attributes
    ----------
    coefficients : array, shape (p,)
        Of the mean.
    variances : array, shape (n,)
        Of each print.
    residuals, leverage : array, shape (n,)
        Value less mean; diagonal of the weighted hat matrix.
    spread : Spread
    """

    coefficients: FloatArray
    variances: FloatArray
    residuals: FloatArray
    leverage: FloatArray
    spread: Spread


def fit_spread(
    X: FloatArray, y: FloatArray, coding: Coding, terms: Sequence[Term], coded: FloatArray
) -> SpreadFit:
    """Fit mean and spread by restricted maximum likelihood.

    Parameters
    ----------
    X : array, shape (n, p)
        Model matrix of the mean, columns independent, intercept first.
    y : array, shape (n,)
        Print means.
    coding : Coding
        The factors.
    terms : sequence of Term
        Of the spread, intercept first.
    coded : array, shape (n, n_factors)
        Coded settings of the prints.

    Returns
    -------
    SpreadFit

    Raises
    ------
    ModelError
        If there are too few spare prints, their settings do not tell the spread's terms apart, or prints at one end agree
        too well to tell how they scatter.

    Notes
    -----
    log variance = Z gamma; gamma maximises the restricted likelihood by Fisher scoring, with gradient
    Z' (e^2/variance - (1 - h)) / 2 and information Z' (M o M) Z / 2, M = I - H weighted (Smyth, J. Comput. Graph. Stat. 11,
    2002, 836-847), so that the leverage h of the mean's fit is allowed for: plain likelihood (Aitkin, Appl. Stat. 36, 1987,
    332-339) takes scatter for too small in lean plans. Degrees of freedom after Satterthwaite, 2 T^2 over the variance of
    the estimated variance T; with even scatter they are n - p.
    """
    Z = model_matrix(coding, terms, coded)
    _refuse_too_few(X, Z, terms)
    middle, size = float(y.mean()), float(y.std())
    scaled = (y - middle) / size
    gamma = _start(X, scaled, Z)
    even = _restricted(
        X, scaled, Z, np.append(_start(X, scaled, Z[:, :1]), np.zeros(Z.shape[1] - 1))
    )
    gamma, value, information = _score(X, scaled, Z, gamma)
    gamma[0] += 2 * np.log(size)
    state = _weighted(X, y - middle, np.exp(Z @ gamma))
    state.coefficients[0] += middle
    spread = Spread(
        coding=coding,
        terms=tuple(terms),
        coefficients=gamma,
        covariance=np.asarray(np.linalg.inv(information)),
        df=float(len(y) - X.shape[1]),
        p=float(stats.chi2.sf(2 * max(value - even.value, 0.0), Z.shape[1] - 1)),
        design=X,
        columns=Z,
        mean_covariance=state.unscaled,
    )
    return SpreadFit(state.coefficients, np.exp(Z @ gamma), state.residuals, state.leverage, spread)


def _refuse_too_few(X: FloatArray, Z: FloatArray, terms: Sequence[Term]) -> None:
    n, p, q = len(X), X.shape[1], Z.shape[1]
    names = listed([t.name for t in terms[1:]])
    wanted = p + SPARE_FOR_EACH * q
    if n < wanted:
        raise ModelError(
            f"whether scatter changes with {names} takes {SPARE_FOR_EACH} spare prints for each of the {q} numbers that "
            f"describe it: {wanted} prints for this model, there are {n}. Add {counted(wanted - n, 'print')}, name fewer "
            "settings under spread, or drop terms under [model]."
        )
    if matrix_rank(Z) < q:
        raise ModelError(
            f"the settings printed do not tell apart what {names} would do to the scatter; name fewer settings under spread."
        )


@dataclass(frozen=True)
class _State:
    """The weighted fit of the mean at given variances; ``value`` is the restricted log-likelihood."""

    coefficients: FloatArray
    unscaled: FloatArray
    residuals: FloatArray
    leverage: FloatArray
    hat: FloatArray
    value: float


def _weighted(X: FloatArray, y: FloatArray, variances: FloatArray) -> _State:
    root = 1 / np.sqrt(variances)
    Q, R = np.linalg.qr(X * root[:, None])
    coefficients = np.linalg.solve(R, Q.T @ (y * root))
    inverse = np.linalg.inv(R)
    residuals = y - X @ coefficients
    H = Q @ Q.T
    value = -0.5 * float(
        np.sum(np.log(variances))
        + 2 * np.sum(np.log(np.abs(np.diag(R))))
        + np.sum(residuals**2 / variances)
    )
    return _State(coefficients, inverse @ inverse.T, residuals, np.diag(H).copy(), H, value)


def _restricted(X: FloatArray, y: FloatArray, Z: FloatArray, gamma: FloatArray) -> _State:
    return _weighted(X, y, np.exp(Z @ gamma))


def _start(X: FloatArray, y: FloatArray, Z: FloatArray) -> FloatArray:
    # Start from an even scatter.
    fit = fit_least_squares(X, y)
    gamma = np.zeros(Z.shape[1])
    gamma[0] = np.log(max(float(fit.variance), 1e-12))
    return gamma


def _score(
    X: FloatArray, y: FloatArray, Z: FloatArray, gamma: FloatArray
) -> tuple[FloatArray, float, FloatArray]:
    state = _restricted(X, y, Z, gamma)
    for _ in range(_STEPS):
        slack = state.residuals**2 * np.exp(-Z @ gamma) - (1 - state.leverage)
        M = np.eye(len(y)) - state.hat
        information = 0.5 * Z.T @ (M**2) @ Z
        gradient = 0.5 * Z.T @ slack
        step = np.linalg.solve(information, gradient)
        share = 1.0
        while share > 1e-8:
            new = gamma + share * step
            if np.ptp(Z @ new) < 2 * _WIDEST:
                trial = _restricted(X, y, Z, new)
                if trial.value >= state.value - 1e-12:
                    gamma, state = new, trial
                    break
            share /= 2
        if float(gradient @ step) < _CLOSE or share <= 1e-8:
            break
    if np.ptp(Z @ gamma) > _WIDEST:
        raise ModelError(
            "prints at one end of a setting named under spread agree too well to tell how they scatter. Print more of "
            "them, or name fewer settings under spread."
        )
    return gamma, state.value, information
