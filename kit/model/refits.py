"""Thousands of refits at once, each with the exact optimum in the box of the tried ranges.

They tell how far the best setting could have come out elsewhere by luck. New readings are drawn about the fitted
surface; the runs stay as they are, since a plan with some of its corners drawn twice and others left out often
cannot be fitted at all.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.model.influence import unit_moves
from kit.model.second_order import second_order
from kit.model.surface import Surface
from kit.terms import FloatArray

REFITS = 10_000
TINY = 1e-12


@dataclass(frozen=True)
class Optima:
    """Where the best mean lay in each refit.

    Attributes
    ----------
    coded : array, shape (draws, k)
        Coded settings of the k scaled factors.
    value : array, shape (draws,)
        The mean there, in the response's unit.
    ranges : DataFrame
        One row a scaled factor: ``factor``, ``low``, ``high`` (the middle 95 % of refits, natural units),
        ``at_low_end``, ``at_high_end`` (share of refits with the optimum at that end of the tried range).
    """

    coded: FloatArray
    value: FloatArray
    ranges: pd.DataFrame


def refit(surface: Surface, rng: np.random.Generator, draws: int = REFITS) -> FloatArray:
    """Refit the surface to new readings drawn about it.

    Parameters
    ----------
    surface : Surface
        As fitted.
    rng : Generator
        Source of the scatter.
    draws : int, default 10000
        How many refits.

    Returns
    -------
    array, shape (p, draws)
        Coefficients. The scatter itself is drawn anew for each (scaled inverse chi-square with the residual
        degrees of freedom), so that they spread as widely as t intervals do; a mixed model's groups are drawn
        too, at the estimated variances.
    """
    if surface.weights is not None:  # prints do not weigh alike: what they give is drawn at once
        values, vectors = np.linalg.eigh(surface.covariance)
        moves = (vectors * np.sqrt(np.maximum(values, 0.0))) @ rng.standard_normal(
            (len(values), draws)
        )
        moves *= np.sqrt(surface.residual_df / rng.chisquare(surface.residual_df, size=draws))
        return np.asarray(surface.coefficients[:, None] + moves)
    n = len(surface.observations)
    noise = rng.standard_normal((n, draws))
    if surface.mixed is None:
        noise *= np.sqrt(surface.residual_variance)
    else:
        noise = np.linalg.cholesky(surface.mixed.V) @ noise
    noise *= np.sqrt(surface.residual_df / rng.chisquare(surface.residual_df, size=draws))
    return np.asarray(surface.coefficients[:, None] + unit_moves(surface) @ noise)


def optima(
    surface: Surface,
    rng: np.random.Generator,
    *,
    goal: str = "largest",
    levels: Mapping[str, str] | None = None,
    draws: int = REFITS,
) -> Optima | None:
    """Find the best setting of each of many refits, in the box of the tried ranges.

    Parameters
    ----------
    surface : Surface
        Of second order in its scaled factors.
    rng : Generator
        Source of the scatter.
    goal : {"largest", "smallest"}, default "largest"
        Which mean is best.
    levels : mapping of category to level, optional
        The reference levels by default.
    draws : int, default 10000
        How many refits.

    Returns
    -------
    Optima or None
        None when the model is not of second order.
    """
    form = second_order(surface, levels)
    if form is None:
        return None
    sign = 1.0 if goal == "largest" else -1.0
    drawn = refit(surface, rng, draws)
    slopes = sign * (form.slope_rows @ drawn).T
    bends = sign * np.einsum("jkp,pd->djk", form.bend_rows, drawn, optimize=True)
    scaled = [i for i, f in enumerate(surface.coding.factors) if not f.is_category]
    tried = surface.tried.points[:, scaled]
    low, high = tried.min(axis=0), tried.max(axis=0)
    coded, rise = box_maxima(slopes, bends, low, high)
    middle = (surface.rows(form.full(np.zeros((1, len(low))))) @ drawn)[0]
    rows = []
    for place, factor in enumerate(surface.coding.continuous):
        ends = factor.decode(np.quantile(coded[:, place], [0.025, 0.975]))
        at_low = float(np.mean(coded[:, place] <= low[place] + 1e-9))
        at_high = float(np.mean(coded[:, place] >= high[place] - 1e-9))
        rows.append((factor.name, float(ends[0]), float(ends[1]), at_low, at_high))
    table = pd.DataFrame(rows, columns=["factor", "low", "high", "at_low_end", "at_high_end"])
    return Optima(coded, middle + sign * rise, table)


def box_maxima(
    slopes: FloatArray, bends: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Find the exact maximum of many quadratics x'b + x'Bx over one box.

    Parameters
    ----------
    slopes : array, shape (m, k)
        b of each.
    bends : array, shape (m, k, k)
        B of each, symmetric.
    low, high : array, shape (k,)
        The box.

    Returns
    -------
    x : array, shape (m, k)
        The maximum; where several are equal, one of them.
    value : array, shape (m,)
        x'b + x'Bx there.

    Notes
    -----
    The maximum lies inside one of the 3^k faces of the box, and is level along it: each face gives one
    candidate for all quadratics at once, kept where it lies inside the face. Meant for k up to about 6.
    """
    m, k = slopes.shape
    best = np.full(m, -np.inf)
    place = np.empty((m, k))
    for face in product((0, 1, 2), repeat=k):  # 0 at the low end, 1 at the high end, 2 inside
        free = np.array([f == 2 for f in face])
        x = np.where(np.array(face) == 1, high, low)[None, :].repeat(m, axis=0)
        keep = np.ones(m, dtype=bool)
        if free.any():
            curved = bends[:, free][:, :, free]
            pull = slopes[:, free] / 2 + bends[:, free][:, :, ~free] @ x[0, ~free]
            inner, concave = _level(curved, pull)
            keep = concave & (inner >= low[free]).all(axis=1) & (inner <= high[free]).all(axis=1)
            x[:, free] = inner
        value = np.full(m, -np.inf)
        rows = np.flatnonzero(keep)
        at = x[rows]
        value[rows] = np.sum(at * (slopes[rows] + np.einsum("mij,mj->mi", bends[rows], at)), axis=1)
        better = value > best
        best[better], place[better] = value[better], x[better]
    return place, best


def _level(curved: FloatArray, pull: FloatArray) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    # Solve pull + curved x = 0 along a face, and tell where that can be a maximum.
    size = curved.shape[1]
    diagonal = np.einsum("mii->mi", curved)
    # A maximum needs every diagonal entry below 0; that spares most of the solving.
    able = (diagonal < -TINY).all(axis=1)
    point = np.zeros(pull.shape)
    if size == 1:
        point[able] = -pull[able] / curved[able][:, 0]
        return point, able
    if size == 2:
        a, b, d = curved[:, 0, 0], curved[:, 0, 1], curved[:, 1, 1]
        det = a * d - b * b
        able &= det > TINY
        safe = np.where(able, det, 1.0)
        point = np.column_stack([b * pull[:, 1] - d * pull[:, 0], b * pull[:, 0] - a * pull[:, 1]])
        return point / safe[:, None], able
    rows = np.flatnonzero(able)
    if len(rows):
        steep = np.linalg.eigvalsh(curved[rows])[:, -1] < -TINY
        able[rows[~steep]] = False
        rows = rows[steep]
        point[rows] = -np.linalg.solve(curved[rows], pull[rows][..., None])[..., 0]
    return point, able
