"""How far a surface would move if one print were left out."""

from __future__ import annotations

import numpy as np

from kit.model.known_misses import even_scale
from kit.model.least_squares import ALONE
from kit.model.surface import Surface
from kit.terms import FloatArray


def unit_moves(surface: Surface) -> FloatArray:
    """Give how the coefficients move for each unit by which a left-out print is missed.

    Parameters
    ----------
    surface : Surface
        As fitted.

    Returns
    -------
    array, shape (p, n)
        Coefficients with all prints minus those without print i, over what it is missed by; a mixed
        model at its estimated variances.

    Notes
    -----
    With the print's own mean-shift column in the model the coefficients are those without it, so the move
    is (X' V^-1 X)^-1 X' V^-1 e_i times what it is missed by; for least squares V is the unit matrix
    (Cook & Weisberg, Residuals and Influence in Regression, 1982, section 2.2).
    """
    if surface.weights is not None:
        return np.asarray(surface.unscaled @ (surface.design * surface.weights[:, None]).T)
    if surface.mixed is None:
        return np.asarray(surface.unscaled @ surface.design.T)
    white = np.linalg.solve(surface.mixed.V, surface.design)
    return np.asarray(surface.mixed.small.covariance @ white.T)


def missed_by(surface: Surface) -> FloatArray:
    """Give what each print misses the prediction without it by, shape (n,); missing where it decides alone.

    Returns
    -------
    array, shape (n,)
    """
    table = surface.observations
    return (table["value"] - table["left_out"]).to_numpy(dtype=float)


def largest_shifts(surface: Surface) -> FloatArray:
    """Give how far the surface at the printed settings moves, at most, when each print is left out.

    Returns
    -------
    array, shape (n,)
        In the response's unit, without sign.
    """
    reach = np.abs(surface.design @ unit_moves(surface)).max(axis=0)
    return np.asarray(reach * np.abs(missed_by(surface)))


def cook_distances(surface: Surface) -> FloatArray:
    """Give Cook's distance of each print: how far it moves all coefficients, in their own uncertainty.

    Returns
    -------
    array, shape (n,)
    """
    return np.asarray(_unit_distance(surface) * missed_by(surface) ** 2)


def distances_at_two_errors(surface: Surface) -> FloatArray:
    """Give Cook's distance each print would have if it were off by two of its standard errors.

    Returns
    -------
    array, shape (n,)
    """
    rest = 1 - surface.observations["leverage"].to_numpy(dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        own = surface.residual_variance / even_scale(surface) ** 2
        variance = np.where(rest > ALONE, own / rest, np.inf)
    return np.asarray(4 * variance * _unit_distance(surface))


def _unit_distance(surface: Surface) -> FloatArray:
    moves = unit_moves(surface)
    inverse = np.linalg.pinv(surface.covariance, hermitian=True)
    return np.asarray(np.sum(moves * (inverse @ moves), axis=0) / len(moves))
