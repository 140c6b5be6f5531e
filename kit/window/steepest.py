"""Steepest ascent: in which direction a fitted surface rises fastest, how sure that is, and a path along it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import asin, degrees, sqrt

import numpy as np
from scipy import stats

from kit.model.surface import Surface
from kit.terms import FloatArray

DIRECTIONS = 4000
"""Directions on the edge of the cone that are looked at, where there are more than two factors."""


@dataclass(frozen=True)
class Ascent:
    """The direction of steepest ascent at one setting.

    Attributes
    ----------
    names : tuple of str
        Factors on a scale.
    gradient : array, shape (k,)
        Rise of the response a coded unit of each factor.
    direction : array, shape (k,)
        The same, of length 1.
    half_angle : float or None
        Degrees: directions farther off than this are excluded with the stated confidence; None when no direction
        is excluded, so that the slope may be chance.
    confidence : float
    """

    names: tuple[str, ...]
    gradient: FloatArray
    direction: FloatArray
    half_angle: float | None
    confidence: float

    def path(self, steps: Sequence[float], *, along: str | None = None) -> FloatArray:
        """Give points on the path, coded, relative to where it starts.

        Parameters
        ----------
        steps : sequence of float
            Coded moves of the factor ``along``, in the direction of ascent.
        along : str, optional
            The factor that the steps are counted in; the one that moves most by default.

        Returns
        -------
        array, shape (len(steps), k)
        """
        place = int(np.abs(self.direction).argmax()) if along is None else self.names.index(along)
        scaled = self.direction / abs(self.direction[place])
        return np.outer(np.asarray(steps, dtype=float), scaled)


def steepest_ascent(
    surface: Surface,
    at: FloatArray | None = None,
    *,
    sign: float = 1.0,
    confidence: float = 0.95,
    variance: float | None = None,
    df: float | None = None,
) -> Ascent:
    """Find the direction of steepest ascent and its confidence cone.

    Parameters
    ----------
    surface : Surface
        The fitted surface.
    at : array, shape (n_factors,), optional
        Coded setting; the middle by default.
    sign : float
        -1 for steepest descent.
    confidence : float
        Of the cone, in 0 to 1.
    variance, df : float, optional
        Another estimate of the scatter, such as that of repeated runs.

    Returns
    -------
    Ascent

    Notes
    -----
    The true gradient lies along d with the stated confidence when min over c of (g - c d)' V^-1 (g - c d) is at most
    (k - 1) F(k - 1, df) (Box & Draper 1987, Empirical Model-Building and Response Surfaces, 6.3; for equal variances
    sin^2 of the half-angle is (k - 1) s_b^2 F / sum of b_i^2). For unequal variances the widest angle on the edge
    of the cone is given.
    """
    coding = surface.coding
    middle = np.zeros(len(coding.factors)) if at is None else np.asarray(at, dtype=float)
    scale = [i for i, f in enumerate(coding.factors) if not f.is_category]
    rows = _slope_rows(surface, middle, scale)
    gradient = sign * rows @ surface.coefficients
    covariance = surface.covariance
    if variance is not None:
        covariance = surface.unscaled * variance
    spread = rows @ covariance @ rows.T
    freedom = float(np.min(surface.term_df)) if df is None else df
    length = float(np.linalg.norm(gradient))
    direction = gradient / length if length > 0 else np.zeros(len(scale))
    half = _half_angle(gradient, spread, freedom, confidence) if length > 0 else None
    names = tuple(coding.names[i] for i in scale)
    return Ascent(names, gradient, direction, half, confidence)


def _slope_rows(surface: Surface, at: FloatArray, scale: Sequence[int]) -> FloatArray:
    """Give the derivative of the model's row by each factor; exact for second order."""
    found = []
    for i in scale:
        ends = np.repeat(at[None, :], 2, axis=0)
        ends[0, i] -= 0.5
        ends[1, i] += 0.5
        low, high = surface.rows(ends)
        found.append(high - low)
    return np.array(found)


def _half_angle(
    gradient: FloatArray, covariance: FloatArray, df: float, confidence: float
) -> float | None:
    k = len(gradient)
    if k == 1:
        t = abs(float(gradient[0])) / sqrt(float(covariance[0, 0]))
        return 0.0 if t > float(stats.t.ppf((1 + confidence) / 2, df)) else None
    root = np.linalg.cholesky((covariance + covariance.T) / 2)
    white = np.linalg.solve(root, gradient)
    sine2 = (k - 1) * float(stats.f.ppf(confidence, k - 1, df)) / float(white @ white)
    if sine2 >= 1:
        return None
    angle = asin(sqrt(sine2))
    axis = white / np.linalg.norm(white)
    across = _across(axis)
    edge = np.cos(angle) * axis + np.sin(angle) * across
    mapped = edge @ root.T
    cosine = mapped @ gradient / (np.linalg.norm(mapped, axis=1) * np.linalg.norm(gradient))
    return degrees(float(np.arccos(np.clip(cosine.min(), -1.0, 1.0))))


def _across(axis: FloatArray) -> FloatArray:
    """Give unit vectors at right angles to an axis: both of them for two factors, many for more."""
    k = len(axis)
    basis = np.linalg.svd(axis[None, :])[2][1:]
    if k == 2:
        return np.vstack([basis, -basis])
    angles = np.random.default_rng(0).standard_normal((DIRECTIONS, k - 1))
    return np.asarray((angles / np.linalg.norm(angles, axis=1, keepdims=True)) @ basis)
