"""Canonical analysis: where a second-order surface is level, and what shape it has there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import stats

from kit.model.effects import effects_table as effects_table
from kit.model.effects import fit_summary as fit_summary
from kit.model.effects import step_effects as step_effects
from kit.model.second_order import SecondOrder, level_choices, second_order
from kit.model.surface import Surface
from kit.terms import FloatArray

INTERVAL = 0.95

SINGULAR = 1e-9
"""An eigenvalue smaller than this share of the largest counts as none."""


@dataclass(frozen=True)
class Stationary:
    """The stationary point of a surface; it may lie far outside what was tried.

    Attributes
    ----------
    settings : mapping of factor name to setting
        Natural units; categories at the levels it holds for.
    coded : array, shape (k,)
        The k scaled factors, coded.
    value, std_error, df, low, high : float
        Fitted mean there and its 95 % limits, in the unit of the response; where it is fitted on another scale the
        median, and ``std_error`` on that scale, as are the eigenvalues.
    eigenvalues, eigenvalue_low, eigenvalue_high : array, shape (k,)
        Of the coded second-order matrix, ascending, with 95 % limits, each by itself.
    eigenvectors : array, shape (k, k)
        Columns in the same order; the largest entry of each is positive.
    shape : str
        ``maximum``, ``minimum`` or ``saddle``, by the signs alone.
    nature : str
        The same, but ``ridge`` when the limits of an eigenvalue enclose 0.
    inside : bool
        Whether it lies in the tried region.
    """

    settings: Mapping[str, float | str]
    coded: FloatArray
    value: float
    std_error: float
    df: float
    low: float
    high: float
    eigenvalues: FloatArray
    eigenvalue_low: FloatArray
    eigenvalue_high: FloatArray
    eigenvectors: FloatArray
    shape: str
    nature: str
    inside: bool


def stationary_point(
    surface: Surface, levels: Mapping[str, str] | None = None
) -> Stationary | None:
    """Find where the surface is level.

    Parameters
    ----------
    surface : Surface
        Of second order in its scaled factors.
    levels : mapping of category to level, optional
        The reference levels by default.

    Returns
    -------
    Stationary or None
        None when the second-order matrix is singular (or the model is not of second order).

    Notes
    -----
    With y = b0 + x'b + x'Bx the point is -B^-1 b / 2. Limits of an eigenvalue come from the delta
    method: to first order the variance of eigenvalue i is that of u'Bu, u its eigenvector (Bisgaard &
    Ankenman, Technometrics 38, 1996, 238-246). They are rough where two eigenvalues nearly agree.
    """
    form = second_order(surface, levels)
    if form is None:
        return None
    eigenvalues, vectors = np.linalg.eigh(form.bend)
    largest = np.abs(eigenvalues).max()
    if largest == 0 or np.abs(eigenvalues).min() < SINGULAR * largest:
        return None
    vectors = vectors * np.sign(vectors[np.abs(vectors).argmax(axis=0), np.arange(len(vectors))])
    coded = -np.linalg.solve(form.bend, form.slope) / 2
    row = surface.rows(form.full(coded))[0]
    value, std_error = (
        float(row @ surface.coefficients),
        float(np.sqrt(row @ surface.covariance @ row)),
    )
    df = float(surface.row_df(row[None, :])[0])
    reach = float(stats.t.ppf((1 + INTERVAL) / 2, df)) * std_error
    shown, shown_low, shown_high = surface.scale.back([value, value - reach, value + reach])
    spread = _eigenvalue_reach(form, vectors)
    low, high = eigenvalues - spread, eigenvalues + spread
    shape = _shape(eigenvalues)
    natural = surface.coding.decode(form.full(coded))
    return Stationary(
        settings={name: _plain(column[0]) for name, column in natural.items()},
        coded=coded,
        value=float(shown),
        std_error=std_error,
        df=df,
        low=float(shown_low),
        high=float(shown_high),
        eigenvalues=eigenvalues,
        eigenvalue_low=low,
        eigenvalue_high=high,
        eigenvectors=vectors,
        shape=shape,
        nature="ridge" if bool(np.any((low <= 0) & (high >= 0))) else shape,
        inside=bool(surface.tried.contains(form.full(coded))[0]),
    )


def stationary_points(surface: Surface) -> tuple[Stationary | None, ...]:
    """Give the stationary point for each combination of levels that changes slope or bend.

    One, at the reference levels, where no category does.

    Returns
    -------
    tuple of Stationary or None
    """
    return tuple(stationary_point(surface, levels) for levels in level_choices(surface))


def _eigenvalue_reach(form: SecondOrder, vectors: FloatArray) -> FloatArray:
    # Give half the width of the interval of u'Bu for each eigenvector (columns), shape (k,).
    rows = np.einsum("iq,ijp,jq->qp", vectors, form.bend_rows, vectors)
    errors = np.sqrt(np.sum((rows @ form.covariance) * rows, axis=1))
    return np.asarray(stats.t.ppf((1 + INTERVAL) / 2, form.surface.row_df(rows)) * errors)


def _shape(eigenvalues: FloatArray) -> str:
    if (eigenvalues < 0).all():
        return "maximum"
    return "minimum" if (eigenvalues > 0).all() else "saddle"


def _plain(value: float | str) -> float | str:
    return value if isinstance(value, str) else float(value)
