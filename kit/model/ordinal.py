"""Scores as what they are: ordered classes, not measurements.

Cumulative logit model (proportional odds; McCullagh 1980): every rating is above a class with odds that each factor multiplies by
the same number for all classes. It stands beside the surface of mean scores, which treats points as if they were millimetres.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special, stats
from statsmodels.miscmodels.ordinal_model import OrderedModel
from statsmodels.tools.sm_exceptions import ConvergenceWarning, HessianInversionWarning

from kit.errors import ModelError
from kit.terms import FloatArray

LARGEST = 8.0
"""Log-odds a coded unit beyond which a class is parted from the others altogether and no estimate exists."""


@dataclass(frozen=True)
class OrdinalFit:
    """A fitted cumulative logit model.

    Attributes
    ----------
    names : tuple of str
        Of the k effects.
    effects, std_errors : arrays, shape (k,)
        Log-odds of a higher score a coded unit.
    thresholds : array, shape (classes - 1,)
        Log-odds of being at or below each class where all effects are 0.
    classes : array, shape (classes,)
        Scores that occur, rising.
    ratings : int
    """

    names: tuple[str, ...]
    effects: FloatArray
    std_errors: FloatArray
    thresholds: FloatArray
    classes: FloatArray
    ratings: int

    def table(self) -> pd.DataFrame:
        """Give one row an effect: ``term``, ``estimate``, ``std_error``, ``low``, ``high``, ``p`` (Wald, 95 %)."""
        half = 1.959963984540054 * self.std_errors
        p = 2 * stats.norm.sf(np.abs(self.effects / self.std_errors))
        return pd.DataFrame(
            {
                "term": self.names,
                "estimate": self.effects,
                "std_error": self.std_errors,
                "low": self.effects - half,
                "high": self.effects + half,
                "p": p,
            }
        )

    def chance_at_most(self, score: float, x: FloatArray) -> FloatArray:
        """Give the chance that a rating is at most a score.

        Parameters
        ----------
        score : float
            In points.
        x : array, shape (m, k)
            Coded columns of the effects.

        Returns
        -------
        array, shape (m,)
        """
        place = int(np.searchsorted(self.classes, score, side="right"))
        if place == 0:
            return np.zeros(len(x))
        if place == len(self.classes):
            return np.ones(len(x))
        return np.asarray(special.expit(self.thresholds[place - 1] - x @ self.effects))


def fit_ordinal(scores: FloatArray, X: FloatArray, names: tuple[str, ...]) -> OrdinalFit:
    """Fit a cumulative logit model by maximum likelihood.

    Parameters
    ----------
    scores : array, shape (n,)
        Ratings in points.
    X : array, shape (n, k)
        Effects, coded, without a column for the intercept.
    names : tuple of str, length k
        Of the effects.

    Returns
    -------
    OrdinalFit

    Raises
    ------
    ModelError
        If fewer than two classes occur, or some class is parted from the others so cleanly that no estimate exists.
    """
    classes = np.unique(scores)
    if len(classes) < 2:
        raise ModelError("all ratings are the same; there is nothing to explain.")
    ordered = pd.Series(pd.Categorical(scores, categories=list(classes), ordered=True))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        warnings.simplefilter("ignore", HessianInversionWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        model = OrderedModel(ordered, pd.DataFrame(X, columns=list(names)), distr="logit")
        fit = model.fit(method="bfgs", disp=False, maxiter=500)
        errors = np.asarray(fit.bse, dtype=float)[: X.shape[1]]
    effects = np.asarray(fit.params, dtype=float)[: X.shape[1]]
    if (
        not fit.mle_retvals["converged"]
        or np.abs(effects).max() > LARGEST
        or not np.isfinite(errors).all()
    ):
        raise ModelError(
            "the scores part the settings so cleanly, or there are so few, that the odds of a higher score cannot be estimated."
        )
    cuts = np.asarray(model.transform_threshold_params(fit.params), dtype=float)[1:-1]
    return OrdinalFit(names, effects, errors, cuts, classes, len(scores))
