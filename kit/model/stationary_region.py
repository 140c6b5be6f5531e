"""Where the stationary point may lie: the confidence region of Box and Hunter.

A setting belongs to it when the slope of the surface there could be level in every direction. The
region is often unbounded; then the readings do not place the point, and that is said.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np
from scipy import optimize, stats

from kit.model.second_order import SecondOrder, second_order
from kit.model.surface import Surface
from kit.saying import listed, setting
from kit.terms import FloatArray

LATTICE = {1: 401, 2: 81, 3: 25, 4: 13, 5: 9}
"""Points along each factor when the tried box is searched, by the number of scaled factors."""
FEW = 200
"""Directions looked at first."""
SINGULAR = 1e-3
"""Ratio of the diagonal of a Cholesky factor from which on a variance counts as nearly singular."""


@dataclass(frozen=True)
class StationaryRegion:
    """The confidence region of a stationary point.

    Attributes
    ----------
    confidence : float
    limit : float
        A setting belongs to the region when its statistic is at most this F quantile.
    bounded : bool
        Whether the region is closed; if not, the readings do not place the point.
    ranges : mapping of factor name to (low, high)
        Extent of the part inside the box of tried settings, natural units, on a lattice; empty when
        no part lies there.
    share : float
        Share of the lattice in the tried box that belongs to the region.
    """

    confidence: float
    limit: float
    bounded: bool
    ranges: Mapping[str, tuple[float, float]]
    share: float


def stationary_statistic(
    surface: Surface, coded: FloatArray, levels: Mapping[str, str] | None = None
) -> FloatArray:
    """Give g' Var(g)^-1 g / k, g the fitted slope, at coded settings of the k scaled factors.

    Parameters
    ----------
    surface : Surface
        Of second order in its scaled factors.
    coded : array, shape (m, k)
        Coded settings of the scaled factors.
    levels : mapping of category to level, optional
        The reference levels by default.

    Returns
    -------
    array, shape (m,)
        Compared with F(k, residual df) (Box & Hunter, Biometrika 41, 1954, 190-199).

    Raises
    ------
    ValueError
        If the model is not of second order.
    """
    return _statistic(_form(surface, levels), np.atleast_2d(coded))


def stationary_region(
    surface: Surface, *, confidence: float = 0.95, levels: Mapping[str, str] | None = None
) -> StationaryRegion:
    """Find the confidence region of the stationary point.

    Parameters
    ----------
    surface : Surface
        Of second order in its scaled factors.
    confidence : float, default 0.95
        Strictly between 0 and 1; joint over the factors.
    levels : mapping of category to level, optional
        The reference levels by default.

    Returns
    -------
    StationaryRegion

    Raises
    ------
    ValueError
        If the model is not of second order, or ``confidence`` not allowed.

    Notes
    -----
    Far out in direction u the statistic tends to that of the bend along u, so the region is bounded
    when the smallest of these over all directions exceeds the limit.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie in 0 to 1, got {confidence!r}; write 95 % as 0.95.")
    form = _form(surface, levels)
    k = len(form.slope)
    # A mixed model's slopes differ in their degrees of freedom; the least keep the confidence.
    df = float(surface.row_df(form.slope_rows).min())
    limit = float(stats.f.ppf(confidence, k, df))
    scaled = [i for i, f in enumerate(surface.coding.factors) if not f.is_category]
    tried = surface.tried.points[:, scaled]
    axes = [
        np.linspace(lo, hi, LATTICE.get(k, 5))
        for lo, hi in zip(tried.min(0), tried.max(0), strict=True)
    ]
    lattice = np.array(list(product(*axes)))
    belongs = _statistic(form, lattice) <= limit
    ranges = {
        factor.name: (float(ends[0]), float(ends[1]))
        for place, factor in enumerate(surface.coding.continuous)
        if belongs.any()
        for ends in [
            factor.decode(np.array([lattice[belongs, place].min(), lattice[belongs, place].max()]))
        ]
    }
    return StationaryRegion(
        confidence=confidence,
        limit=limit,
        bounded=_is_bounded(form, limit),
        ranges=ranges,
        share=float(belongs.mean()),
    )


def region_in_words(surface: Surface, region: StationaryRegion) -> str:
    """Say how well the readings place the stationary point.

    Parameters
    ----------
    surface : Surface
        The surface that the region belongs to.
    region : StationaryRegion
        From `stationary_region`.

    Returns
    -------
    str
        One sentence.
    """
    title, sure = surface.stated.title, f"{100 * region.confidence:g} %"
    if not region.ranges:
        return (
            f"With {sure} confidence the surface of {title} is nowhere level inside the tried ranges: it rises "
            "or falls through them."
        )
    where = listed(
        f"{name} {setting(float(f'{low:.3g}'))} to {setting(float(f'{high:.3g}'), surface.factor_units.get(name, ''))}"
        for name, (low, high) in region.ranges.items()
    )
    if not region.bounded:
        return (
            f"The readings do not place the point where {title} is level: with {sure} confidence it may lie "
            f"anywhere along a band without end, which crosses the tried ranges over {where}."
        )
    place = f"With {sure} confidence the point where {title} is level lies within {where}"
    return (
        f"{place}, or beyond the edge of what was tried."
        if _at_edge(surface, region)
        else f"{place}."
    )


def _at_edge(surface: Surface, region: StationaryRegion) -> bool:
    # Whether the part inside the tried box touches its border, so that more may lie outside.
    for place, factor in enumerate(surface.coding.factors):
        if not factor.is_category:
            ends = factor.decode(surface.tried.points[:, place])
            if np.isclose(region.ranges[factor.name], (np.min(ends), np.max(ends))).any():
                return True
    return False


def _form(surface: Surface, levels: Mapping[str, str] | None) -> SecondOrder:
    form = second_order(surface, levels)
    if form is None:
        raise ValueError(
            "the stationary point needs a second-order surface in at least one scaled factor."
        )
    return form


def _statistic(form: SecondOrder, x: FloatArray) -> FloatArray:
    return _ratio(form, form.gradient_rows(x))


def _ratio(form: SecondOrder, rows: FloatArray) -> FloatArray:
    # Give v' Var(v)^-1 v / k for v = rows @ coefficients, rows of shape (m, k, p).
    v = rows @ form.surface.coefficients
    spread = rows @ form.covariance @ rows.transpose(0, 2, 1)
    return np.asarray(np.einsum("mi,mi->m", v, _divided(spread, v)) / v.shape[1])


def _divided(spread: FloatArray, v: FloatArray) -> FloatArray:
    # Give Var(v)^-1 v for many; where a matrix is nearly singular by the pseudo-inverse, which takes ten times as long.
    with suppress(np.linalg.LinAlgError):
        roots = np.diagonal(np.linalg.cholesky(spread), axis1=1, axis2=2)
        if np.all(roots.min(axis=1) > SINGULAR * roots.max(axis=1)):
            return np.asarray(np.linalg.solve(spread, v[..., None])[..., 0])
    inverse = np.linalg.pinv(spread, rcond=1e-10, hermitian=True)
    return np.asarray(np.einsum("mij,mj->mi", inverse, v))


def _is_bounded(form: SecondOrder, limit: float) -> bool:
    # Whether the smallest statistic of the bend over all directions exceeds the limit.
    k = len(form.slope)

    def far_out(directions: FloatArray) -> FloatArray:
        unit = directions / np.linalg.norm(directions, axis=1, keepdims=True)
        return _ratio(form, np.einsum("jip,mi->mjp", form.bend_rows, unit))

    if k == 1:
        return float(far_out(np.ones((1, 1)))[0]) > limit
    starts = _directions(k)
    # One direction below the limit answers; mostly it is among the first few hundred.
    if far_out(starts[:: len(starts) // FEW]).min() <= limit:
        return False
    values = far_out(starts)
    if values.min() <= limit:
        return False
    best = starts[np.argsort(values)[:3]]
    return all(
        optimize.minimize(lambda u: float(far_out(u[None])[0]), start, method="Nelder-Mead").fun
        > limit
        for start in best
    )


@cache
def _directions(k: int) -> FloatArray:
    # Spread directions in k dimensions.
    if k == 2:
        angles = np.linspace(0, np.pi, 2001)
        return np.column_stack([np.cos(angles), np.sin(angles)])
    points = stats.qmc.Halton(k, scramble=False).random(4001)[1:]
    return np.asarray(stats.norm.ppf(points))
