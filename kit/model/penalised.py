"""Logistic models by penalised likelihood, finite also when all failures lie on one side of a setting.

The likelihood is multiplied by the root of the determinant of the information, which is Jeffreys' prior.

References
----------
Firth, D. (1993), Bias reduction of maximum likelihood estimates, Biometrika 80, 27-38.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from kit.terms import FloatArray

IMPOSSIBLE = -1e8
"""Stands for a log-likelihood of nothing; small enough for searches that take differences."""


def fit_penalised(X: FloatArray, y: FloatArray) -> FloatArray:
    """Fit a logistic model by Firth's penalised likelihood.

    Parameters
    ----------
    X : array, shape (n, p)
        Model matrix, columns independent.
    y : array, shape (n,)
        0 or 1.

    Returns
    -------
    array, shape (p,)

    Examples
    --------
    Two settings, 5 of 5 and 2 of 5 came out. Adding one half to each cell gives the same odds:

    >>> X = np.column_stack([np.ones(10), np.repeat([0.0, 1.0], 5)])
    >>> b = fit_penalised(X, np.array([1] * 5 + [1, 1, 0, 0, 0.0]))
    >>> np.exp(b).round(4).tolist(), round(5.5 / 0.5, 4), round(2.5 / 3.5 / 11, 4)
    ([11.0, 0.0649], 11.0, 0.0649)
    """
    b = np.zeros(X.shape[1])
    here = penalised_log_likelihood(X, y, b)
    for _ in range(200):
        score, information = penalised_score(X, y, b)
        step = np.linalg.solve(information, score)
        step *= min(1.0, 5.0 / max(float(np.abs(step).max()), 1e-300))
        for _ in range(30):
            there = penalised_log_likelihood(X, y, b + step)
            if there >= here - 1e-12:
                break
            step = step / 2
        b, here = b + step, there
        if np.abs(step).max() < 1e-10:
            break
    return np.asarray(b)


def penalised_log_likelihood(X: FloatArray, y: FloatArray, b: FloatArray) -> float:
    """Give the log-likelihood plus half the log determinant of the information.

    Returns
    -------
    float
    """
    eta = X @ b
    mean = special.expit(eta)
    information = X.T @ (X * (mean * (1 - mean))[:, None])
    sign, log_det = np.linalg.slogdet(information)
    if sign <= 0:
        return IMPOSSIBLE
    return float(
        np.sum(y * special.log_expit(eta) + (1 - y) * special.log_expit(-eta)) + log_det / 2
    )


def penalised_score(X: FloatArray, y: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give the slope of the penalised log-likelihood and the information.

    Returns
    -------
    score : array, shape (p,)
    information : array, shape (p, p)

    Raises
    ------
    LinAlgError
        Where the chances are so extreme that nothing is left of the information.
    """
    mean = special.expit(X @ b)
    weight = mean * (1 - mean)
    information = X.T @ (X * weight[:, None])
    leverage = weight * np.einsum("ij,ij->i", X @ np.linalg.inv(information), X)
    return X.T @ (y - mean + leverage * (0.5 - mean)), information
