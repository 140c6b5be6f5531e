"""How likely a print comes out at all, by its settings: failed prints tell something as well.

A logistic model of printed against failed runs by penalised likelihood, which stays finite when all failures lie on one
side of a setting, as they usually do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from kit.model.least_squares import matrix_rank
from kit.model.penalised import fit_penalised, penalised_log_likelihood, penalised_score
from kit.model.success_posterior import possible_coefficients
from kit.study.description import Study
from kit.terms import Coding, FloatArray, Term, expand_terms, model_matrix
from kit.words import CONFIRMATION as CONFIRMATION

CONFIDENCE = 0.95
ENDS = 12.0
"""Limits of the linear predictor are sought so far out: chances of 6 in a million."""
CHUNK = 4096
"""Settings handled at a time."""


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
        The prints: model matrix, and 1 where the print came out (a share where it holds several pieces).
    seed : int
        For draws of what is possible.
    """

    coding: Coding
    terms: tuple[Term, ...]
    coefficients: FloatArray
    X: FloatArray
    came_out: FloatArray
    seed: int = 0

    @property
    def failures(self) -> int:
        """Prints that failed, wholly or in part."""
        return int((self.came_out < 1).sum())

    def chance(self, coded: FloatArray) -> FloatArray:
        """Give the chance that a print comes out at coded settings, shape (m, n_factors).

        Returns
        -------
        array, shape (m,)
        """
        rows = model_matrix(self.coding, self.terms, coded)
        return np.asarray(special.expit(rows @ self.coefficients))

    @cached_property
    def possible(self) -> FloatArray:
        """Possible coefficients, equally likely after these prints, shape (draws, p)."""
        rng = np.random.default_rng(self.seed)
        return possible_coefficients(self.X, self.came_out, self.coefficients, rng)

    def expected(self, coded: FloatArray) -> FloatArray:
        """Give the chance for the next print: the mean over what these prints leave possible.

        Parameters
        ----------
        coded : array, shape (m, n_factors)
            Coded settings.

        Returns
        -------
        array, shape (m,)
            Unlike `chance` it counts the doubt of the fit.
        """
        rows = model_matrix(self.coding, self.terms, coded)
        means = [
            special.expit(rows[i : i + CHUNK] @ self.possible.T).mean(axis=1)
            for i in range(0, len(rows), CHUNK)
        ]
        return np.concatenate([np.empty(0), *means])

    def limits(self, coded: FloatArray) -> tuple[float, float]:
        """Give 95 % limits of the chance at one coded setting, by profile penalised likelihood.

        Returns
        -------
        low, high : float
        """
        row = model_matrix(self.coding, self.terms, np.atleast_2d(coded))[0]
        asked = tuple(row.tolist())
        if asked not in self._known:
            self._known[asked] = self._limits(row)
        return self._known[asked]

    @cached_property
    def _known(self) -> dict[tuple[float, ...], tuple[float, float]]:
        """Limits that were asked for before."""
        return {}

    def _limits(self, row: FloatArray) -> tuple[float, float]:
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
    done = finished_runs(runs)
    y: FloatArray = np.array([float(status == "printed") for status in done["status"]])
    if not len(y) or y.min() == y.max():
        return None
    coded = study.coding.code({name: done[name] for name in study.coding.names})
    return fit_success(study.coding, coded, y, seed=study.seed)


def finished_runs(runs: pd.DataFrame) -> pd.DataFrame:
    """Give the runs that came out or failed, confirmation runs left out."""
    return runs[runs["status"].isin(["printed", "failed"]) & (runs["round"] != CONFIRMATION)]


def fit_success(coding: Coding, coded: FloatArray, y: FloatArray, *, seed: int = 0) -> Success:
    """Fit how the chance of success depends on coded settings, straight effects of the log odds.

    Parameters
    ----------
    coding : Coding
        The study's.
    coded : array, shape (n, n_factors)
        Settings of the prints.
    y : array, shape (n,)
        1 for success, 0 for failure; a share where a print holds several pieces.
    seed : int
        Of the study.

    Returns
    -------
    Success
    """
    kept: list[Term] = []
    for term in expand_terms(coding, "main"):
        if matrix_rank(model_matrix(coding, [*kept, term], coded)) > len(kept):
            kept.append(term)
    X = model_matrix(coding, kept, coded)
    return Success(coding, tuple(kept), fit_penalised(X, y), X, y, seed)


def _profile(X: FloatArray, y: FloatArray, row: FloatArray, eta: float, start: FloatArray) -> float:
    # Maximise over all coefficients whose linear predictor at the row is eta.
    along = row / float(row @ row)
    free = np.linalg.svd(row[None, :])[2][1:].T
    if free.shape[1] == 0:
        return penalised_log_likelihood(X, y, along * eta)

    def loss(c: FloatArray) -> float:
        return -penalised_log_likelihood(X, y, along * eta + free @ c)

    def slope(c: FloatArray) -> FloatArray:
        try:
            return -free.T @ penalised_score(X, y, along * eta + free @ c)[0]
        except np.linalg.LinAlgError:  # too far out; the search has to turn back
            return np.zeros(len(c))

    found = optimize.minimize(
        loss, free.T @ start, jac=slope, method="BFGS", options={"gtol": 1e-6}
    )
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
