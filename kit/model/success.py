"""How likely a print comes out at all, by its settings: failed prints tell something as well.

A logistic model of printed against failed runs by penalised likelihood, which stays finite when all failures lie on one
side of a setting, as they usually do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from kit.model.least_squares import matrix_rank
from kit.study.description import Study
from kit.terms import Coding, FloatArray, Term, expand_terms, model_matrix

CONFIRMATION = "confirmation"
CONFIDENCE = 0.95
IMPOSSIBLE = -1e8
"""Stands for a log-likelihood of nothing; small enough for searches that take differences."""
ENDS = 12.0
"""Limits of the linear predictor are sought so far out: chances of 6 in a million."""


@dataclass(frozen=True)
class Success:
    """A success surface.

    Attributes
    ----------
    coding : Coding
    terms : tuple of Term
        Intercept and straight effects.
    coefficients : array, shape (p,)
        Of the log odds that a print comes out, coded units.
    X, came_out : array, shapes (n, p), (n,)
        The prints: model matrix, and 1 where the print came out.
    """

    coding: Coding
    terms: tuple[Term, ...]
    coefficients: FloatArray
    X: FloatArray
    came_out: FloatArray

    @property
    def failures(self) -> int:
        """Prints that failed."""
        return int((1 - self.came_out).sum())

    def chance(self, coded: FloatArray) -> FloatArray:
        """Give the chance that a print comes out at coded settings, shape (m, n_factors).

        Returns
        -------
        array, shape (m,)
        """
        rows = model_matrix(self.coding, self.terms, coded)
        return np.asarray(special.expit(rows @ self.coefficients))

    def limits(self, coded: FloatArray) -> tuple[float, float]:
        """Give 95 % limits of the chance at one coded setting, by profile penalised likelihood.

        Returns
        -------
        low, high : float
        """
        row = model_matrix(self.coding, self.terms, np.atleast_2d(coded))[0]
        centre = float(row @ self.coefficients)
        top = penalised_log_likelihood(self.X, self.came_out, self.coefficients)
        drop = float(stats.chi2.ppf(CONFIDENCE, 1)) / 2

        def above(eta: float) -> float:
            return _profile(self.X, self.came_out, row, eta, self.coefficients) - top + drop

        low = _crossing(above, centre, -ENDS)
        high = _crossing(above, centre, ENDS)
        return float(special.expit(low)), float(special.expit(high))


def success_surface(runs: pd.DataFrame, study: Study) -> Success | None:
    """Fit how success depends on the settings.

    Parameters
    ----------
    runs : DataFrame
        The runs table: printed and failed runs count, at their planned settings; confirmation runs do not.
    study : Study
        For coding.

    Returns
    -------
    Success or None
        None when no print failed, or none came out. Effects that these prints cannot tell apart are left out.

    Notes
    -----
    The likelihood is multiplied by the root of the determinant of the information (Firth, Biometrika 80, 1993, 27-38; for
    separated data Heinze & Schemper, Stat. Med. 21, 2002, 2409-2419).
    """
    done = runs[runs["status"].isin(["printed", "failed"]) & (runs["round"] != CONFIRMATION)]
    y: FloatArray = np.array([float(status == "printed") for status in done["status"]])
    if not len(y) or y.min() == y.max():
        return None
    coding = study.coding
    coded = coding.code({name: done[name] for name in coding.names})
    kept: list[Term] = []
    for term in expand_terms(coding, "main"):
        if matrix_rank(model_matrix(coding, [*kept, term], coded)) > len(kept):
            kept.append(term)
    X = model_matrix(coding, kept, coded)
    return Success(coding, tuple(kept), fit_penalised(X, y), X, y)


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
        mean = special.expit(X @ b)
        weight = mean * (1 - mean)
        information = X.T @ (X * weight[:, None])
        leverage = weight * np.einsum("ij,ij->i", X @ np.linalg.inv(information), X)
        score = X.T @ (y - mean + leverage * (0.5 - mean))
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


def _profile(X: FloatArray, y: FloatArray, row: FloatArray, eta: float, start: FloatArray) -> float:
    # Maximise over all coefficients whose linear predictor at the row is eta.
    along = row / float(row @ row)
    free = np.linalg.svd(row[None, :])[2][1:].T
    if free.shape[1] == 0:
        return penalised_log_likelihood(X, y, along * eta)

    def loss(c: FloatArray) -> float:
        return -penalised_log_likelihood(X, y, along * eta + free @ c)

    found = optimize.minimize(loss, free.T @ start, method="BFGS", options={"gtol": 1e-6})
    return -float(found.fun)


def _crossing(above: Callable[[float], float], centre: float, end: float) -> float:
    if above(end) >= 0:
        return end
    low, high = min(centre, end), max(centre, end)
    return float(optimize.brentq(above, low, high, xtol=1e-4))


def chance_at(success: Success, settings: Mapping[str, float | str]) -> tuple[float, float, float]:
    """Give the chance that a print comes out at natural settings, with its 95 % limits.

    Parameters
    ----------
    success : Success
        The success surface.
    settings : mapping of factor name to setting
        Natural units or level names.

    Returns
    -------
    chance, low, high : float
    """
    coded = success.coding.code({name: [value] for name, value in settings.items()})
    low, high = success.limits(coded)
    return float(success.chance(coded)[0]), low, high
