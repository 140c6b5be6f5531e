"""A fitted response surface: the one object that windows, charts and reports read.

It carries its own coding, terms, coefficients and covariance, so that predictions need nothing else and
cannot recode settings. `kit.model.fit` makes it; nothing here fits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import nan
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from kit.model.mixed import RandomPart
from kit.model.scale import AS_MEASURED, Scale
from kit.model.selection import Selection
from kit.model.small_sample import contrast_df
from kit.model.spread import Spread
from kit.model.success import Success
from kit.model.tried import TriedRegion
from kit.study.description import Response
from kit.terms import Coding, FloatArray, Term, model_matrix


@dataclass(frozen=True)
class LackOfFit:
    """F test of the model against cells of equal planned settings.

    ``lack_ms`` and ``pure_ms`` are its two mean squares, in the squared unit of the response; missing
    where the test is not a ratio of two mean squares.
    """

    F: float
    df: tuple[float, float]
    p: float
    lack_ms: float = nan
    pure_ms: float = nan


@dataclass(frozen=True)
class VarianceParts:
    """Where the scatter of one reading comes from, as variances; None = not estimable.

    ``print_``: between prints at the same settings, with what lies below taken out (never below 0);
    ``block``: between plates, days ... (random blocks only); ``specimen``: between specimens of a print;
    ``repeat``: between repeat readings of a specimen; ``groups``: between spools, printers ... named as random.
    """

    print_: float | None
    block: float | None
    specimen: float | None
    repeat: float | None
    groups: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Surface:
    """The fitted surface of one response.

    Attributes
    ----------
    response : Response
        On the fitted scale: where that is another than the one measured on, limits and label are those of the scale.
    coding : Coding
    terms : tuple of Term
        The p_x terms in the factors, intercept first.
    block_names : tuple of str
        Names of the fixed block columns (sum-to-zero), after the terms; empty without fixed blocks.
    coefficients : array, shape (p,)
        For terms, then block columns, in coded units and the response's unit (on the fitted scale, as are all
        variances, and values in ``observations``).
    covariance : array, shape (p, p)
        Estimated covariance of the coefficients.
    term_df : array, shape (p,)
        Degrees of freedom for each coefficient (all equal for least squares).
    unscaled : array, shape (p, p)
        (X'X)^-1 for least squares.
    residual_variance, residual_df : float
        Residual mean square of print means and its degrees of freedom.
    observations : DataFrame
        One row a used run: ``run``, ``print_order``, ``measured`` (place in the order of measuring, missing where
        not known), ``block``, ``cell`` (runs of one planned setting
        share a number), one column a factor (actual settings), ``value``, ``fitted``, ``residual``,
        ``leverage``, ``studentised`` (externally), ``left_out`` (prediction with that run left out; missing
        for a run that decides a coefficient alone).
    not_estimable : tuple of str
        Terms left out since the runs cannot tell them apart.
    alias_notes : tuple of str
        A sentence for each: what it is mixed up with.
    r2, r2_predicted : float
        Shares of the variation about the mean, fitted and foretold with each run left out; missing
        where there is none.
    lack_of_fit : LackOfFit or None
    variance : VarianceParts
    tried : TriedRegion
        Convex hull of the printed settings, per category level.
    specimens_per_print : float
        m: a print mean averages so many specimens.
    specimen_variance, specimen_df : float or None, float
        Variance between specimens of one print, for the chance that one new part meets its limits.
    design : array, shape (n, p)
        The model matrix, rows as in ``observations``.
    method : str
        ``least squares`` or ``mixed model`` ...
    notes : tuple of str
        Plain sentences about the fit: few spare runs, terms hardly told apart ...
    factor_units : mapping of factor name to unit
        For sentences and tables; a category has none.
    mixed : RandomPart or None
        Random groups (plates, days, spools, whole plots) and what they cost; None for least squares. Then
        ``covariance`` is Kenward and Roger's, ``residual_variance`` that of prints within groups, ``unscaled`` the
        covariance over it, and the observations' ``fitted``, ``residual``, ``leverage`` and ``left_out`` are given the
        groups each print belongs to.
    weights : array of shape (n,), or None
        What each print weighs in the coefficients where they do not all weigh alike: prints at the limit of the
        instrument (then the observations have a column ``censored``, ``residual`` of such a print is what is expected
        beyond its value, ``left_out`` and ``studentised`` are missing), or scatter that differs by setting.
    spread : Spread or None
        How scatter depends on the settings, where the study asks for it; then ``residual_variance`` is its average over
        the prints.
    selection : Selection or None
        How the prints themselves chose the terms, where the study asks for it.
    scale : Scale
        Between what was measured and what is fitted; as measured unless the study asks for another.
    stated_response : Response or None
        The response as the study states it, where the scale is another; see ``stated``.
    success : Success or None
        For what a part passes or fails: then the coefficients are log odds, ``covariance`` is that of their posterior, and the
        fitted scale is the normal one, on which a part passes above 0 (`kit.model.pass_fail`).
    """

    response: Response
    coding: Coding
    terms: tuple[Term, ...]
    block_names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    term_df: FloatArray
    unscaled: FloatArray
    residual_variance: float
    residual_df: float
    observations: pd.DataFrame
    not_estimable: tuple[str, ...]
    alias_notes: tuple[str, ...]
    r2: float
    r2_predicted: float
    lack_of_fit: LackOfFit | None
    variance: VarianceParts
    tried: TriedRegion
    specimens_per_print: float
    specimen_variance: float | None
    specimen_df: float
    design: FloatArray
    method: str = "least squares"
    notes: tuple[str, ...] = field(default_factory=tuple)
    factor_units: Mapping[str, str] = field(default_factory=dict)
    mixed: RandomPart | None = None
    weights: FloatArray | None = None
    spread: Spread | None = None
    selection: Selection | None = None
    scale: Scale = AS_MEASURED
    stated_response: Response | None = None
    success: Success | None = None

    @property
    def stated(self) -> Response:
        """The response in its own unit, as the study states it."""
        return self.stated_response or self.response

    @property
    def stretch(self) -> float:
        """How much the fitted scale rises per unit of the response at its prints; 1 as measured.

        An SD on the fitted scale divided by it is the root mean square of the SDs in the unit over the prints.
        """
        if self.scale.is_plain:
            return 1.0
        slopes = self.scale.slope(self.scale.back(self.observations["value"]))
        return float(np.mean(slopes**-2.0) ** -0.5)

    def with_response(self, stated: Response) -> Surface:
        """Give the surface judged by other requirements, stated in the unit of the response.

        Returns
        -------
        Surface
        """
        if self.scale.is_plain:
            return replace(self, response=stated)
        fitted = self.scale.requirement(stated)
        return replace(self, response=fitted, stated_response=stated)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all coefficients: terms, then block columns."""
        return (*(t.name for t in self.terms), *self.block_names)

    def rows(self, coded: FloatArray) -> FloatArray:
        """Give the model-matrix rows for coded settings, shape (m, p): block columns at their average, 0.

        Returns
        -------
        array, shape (m, p)
        """
        x = model_matrix(self.coding, self.terms, coded)
        return np.column_stack([x, np.zeros((len(x), len(self.block_names)))])

    def row_df(self, rows: FloatArray) -> FloatArray:
        """Give the degrees of freedom of combinations of coefficients, rows of shape (m, p).

        Returns
        -------
        array, shape (m,)
        """
        if self.spread is not None:
            return self.spread.contrast_df(rows)
        if self.mixed is None:
            return np.full(len(rows), float(self.residual_df))
        return contrast_df(self.mixed.small, rows)

    def print_variance(self, coded: FloatArray) -> FloatArray:
        """Give the scatter of print means at coded settings, as a variance, shape (m,); within random groups.

        Returns
        -------
        array, shape (m,)
        """
        if self.spread is not None:
            return self.spread.variance(coded)
        return np.full(len(coded), float(self.residual_variance))

    def mean(self, coded: FloatArray) -> FloatArray:
        """Give fitted means at coded settings, shape (m,); no check of the tried region.

        Returns
        -------
        array, shape (m,)
        """
        if self.success is not None:
            return np.asarray(special.ndtri(self.success.expected(coded)))
        return np.asarray(self.rows(coded) @ self.coefficients)

    def typical(self, coded: FloatArray) -> FloatArray:
        """Give what is typical at coded settings in the response's unit, shape (m,): the mean, or on another scale the median.

        Returns
        -------
        array, shape (m,)
        """
        return self.scale.back(self.mean(coded))

    def code(self, settings: Mapping[str, Any]) -> FloatArray:
        """Code a table of natural settings, shape (m, n_factors).

        Returns
        -------
        array, shape (m, n_factors)
        """
        return self.coding.code(settings)
