"""Ridge analysis: the best response at each distance from the middle, and how far that was tried."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from scipy import stats
from scipy.optimize import brentq

from kit.model.second_order import second_order
from kit.model.surface import Surface
from kit.terms import FloatArray

INTERVAL = 0.95


def ridge_path(
    surface: Surface,
    radii: Sequence[float] | FloatArray,
    *,
    goal: str = "largest",
    levels: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Follow the largest (or smallest) fitted response outwards from the middle of the ranges.

    For a stationary point that is a saddle, a ridge or out of reach: it says in which direction to go
    and what to expect, instead of an optimum nobody tried.

    Parameters
    ----------
    surface : Surface
        Of second order in its scaled factors.
    radii : sequence of float
        Distances from the middle in coded units, > 0.
    goal : {"largest", "smallest"}, default "largest"
        Which response is followed.
    levels : mapping of category to level, optional
        The reference levels by default.

    Returns
    -------
    DataFrame
        One row a radius: ``radius``, ``multiplier``, one column a factor (natural settings),
        ``estimate``, ``std_error``, ``df``, ``low``, ``high`` (95 % limits of the mean, where it is fitted on
        another scale of the median, ``std_error`` on that scale), ``tried``. Read only the rows
        where ``tried`` is True as predictions.

    Raises
    ------
    ValueError
        If the model has terms above second order, no scaled factor, or a radius is not above 0.

    Notes
    -----
    On the sphere of radius R the optimum obeys (B - mu I) x = -b/2 with mu above the largest eigenvalue
    of B (below the smallest for "smallest"): Hoerl, Ind. Eng. Chem. 56, 1964; Draper, Technometrics 5,
    1963, 469-479.
    """
    form = second_order(surface, levels)
    if form is None:
        raise ValueError(
            "ridge analysis needs a second-order surface in at least one scaled factor."
        )
    if goal not in ("largest", "smallest"):
        raise ValueError(f"goal must be largest or smallest, got {goal!r}.")
    if min(radii, default=1.0) <= 0:
        raise ValueError("radii must be above 0.")
    sign = 1.0 if goal == "largest" else -1.0
    found = [_on_sphere(sign * form.bend, sign * form.slope, float(radius)) for radius in radii]
    coded = form.full(np.array([x for _, x in found]))
    rows = surface.rows(coded)
    std_error = np.sqrt(np.sum((rows @ surface.covariance) * rows, axis=1))
    df = surface.row_df(rows)
    half = stats.t.ppf((1 + INTERVAL) / 2, df) * std_error
    estimate = rows @ surface.coefficients
    return pd.DataFrame(
        {
            "radius": np.asarray(radii, dtype=float),
            "multiplier": [sign * mu for mu, _ in found],
            **surface.coding.decode(coded),
            "estimate": surface.scale.back(estimate),
            "std_error": std_error,
            "df": df,
            "low": surface.scale.back(estimate - half),
            "high": surface.scale.back(estimate + half),
            "tried": surface.tried.contains(coded),
        }
    )


def _on_sphere(B: FloatArray, b: FloatArray, radius: float) -> tuple[float, FloatArray]:
    # Find the largest x'b + x'Bx with |x| = radius; gives the multiplier and x.
    eigenvalues, vectors = np.linalg.eigh(B)
    slope = vectors.T @ b / 2
    top = eigenvalues[-1]
    size = max(float(np.abs(slope).max()), radius * float(np.abs(eigenvalues).max()), 1e-300)

    def excess(shift: float) -> float:
        return float(np.linalg.norm(slope / (shift + top - eigenvalues))) - radius

    least = 1e-12 * size / radius
    if excess(least) <= 0:
        # The slope has no part along the top direction: going either way there is as good.
        below = eigenvalues < top - least
        inner = np.where(below, slope / np.where(below, top - eigenvalues, 1.0), 0.0)
        inner[-1] = np.sqrt(max(radius**2 - float(inner @ inner), 0.0))
        return float(top), np.asarray(vectors @ inner)
    most = float(np.linalg.norm(slope)) / radius
    shift = brentq(
        excess, least, max(most, 2 * least) * (1 + 1e-12), xtol=1e-14 * max(most, least), rtol=1e-14
    )
    return float(top + shift), np.asarray(vectors @ (slope / (shift + top - eigenvalues)))
