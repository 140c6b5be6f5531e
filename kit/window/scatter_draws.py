"""Draws of scatter from its posterior: between prints for several responses together, and between specimens."""

from __future__ import annotations

import numpy as np

from kit.model.surface import Surface
from kit.terms import FloatArray
from kit.window.grouping import Group


def inverse_wishart_half(group: Group, rng: np.random.Generator, draws: int) -> FloatArray:
    """Draw H with H H' = Sigma, shape (draws, q, q), by the Bartlett decomposition of its inverse."""
    q = len(group.members)
    freedom = group.df + q - 1
    values, vectors = np.linalg.eigh(group.scatter * group.df)
    root = vectors * np.sqrt(np.maximum(values, 0.0))  # also where one response follows from others
    lower = np.zeros((draws, q, q))
    for i in range(q):
        lower[:, i, i] = np.sqrt(rng.chisquare(freedom - i, size=draws))
        lower[:, i, :i] = rng.standard_normal((draws, i))
    # With W = B B' standard Wishart, W^-1 = B^-T B^-1, so Sigma = (root B^-T)(root B^-T)'.
    return np.asarray(root @ np.linalg.inv(lower).transpose(0, 2, 1))


def specimen_draws(surface: Surface, rng: np.random.Generator, draws: int) -> FloatArray | float:
    """Draw what specimens of one print add to the variance of a print mean."""
    if (
        surface.specimen_variance is None
        or surface.specimens_per_print <= 1
        or surface.specimen_df <= 0
    ):
        return 0.0
    share = 1 - 1 / surface.specimens_per_print
    drawn = surface.specimen_df / rng.chisquare(surface.specimen_df, size=draws)
    return np.asarray(share * surface.specimen_variance * drawn)
