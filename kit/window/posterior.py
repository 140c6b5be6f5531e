"""How sure the chance itself is: its 95 % limits over what the readings leave open.

The true coefficients and scatters are not known. Drawing them from their posterior and computing for
each draw the chance that one part meets every requirement gives a spread of chances; their mean is the
closed-form probability, their quantiles are its limits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from kit.model.predict import part_distribution
from kit.model.surface import Surface
from kit.terms import FloatArray
from kit.window.probability import (
    NO_SCATTER,
    Group,
    group_alike,
    limits_of,
    with_limits,
)
from kit.window.rectangle import normal_rectangle

DRAWS = 4000


def probability_draws(
    surfaces: Mapping[str, Surface],
    coded: FloatArray,
    rng: np.random.Generator,
    *,
    draws: int = DRAWS,
    joint: bool = True,
) -> FloatArray:
    """Draw the chance to meet every requirement at one setting from its posterior.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        Responses without limits take no part.
    coded : array, shape (n_factors,)
        One coded setting.
    rng : Generator
        Source of the draws.
    draws : int
        How many.
    joint : bool
        As in `kit.window.probability.chance_to_meet`.

    Returns
    -------
    array, shape (draws,)
        P(meet | coefficients, scatter); all 1 when no response has a limit.

    Notes
    -----
    Prior ``det(Sigma)^-q``: Sigma is inverse Wishart with scale (n - p) S and n - p + q - 1 degrees of
    freedom, so that each variance alone is scaled inverse chi-square with n - p; the mean at the
    setting is normal with covariance h Sigma. Specimen variances are independent scaled inverse
    chi-square. A mixed model's variances enter together, with the least degrees of freedom of the
    responses' predictions there.
    """
    chosen = list(with_limits(surfaces).values())
    result = np.ones(draws)
    for group in group_alike(chosen, joint=joint):
        result = result * _group_draws([chosen[i] for i in group.members], group, coded, rng, draws)
    return result


def probability_interval(
    surfaces: Mapping[str, Surface],
    coded: FloatArray,
    rng: np.random.Generator,
    *,
    level: float = 0.95,
    draws: int = DRAWS,
    joint: bool = True,
) -> tuple[float, float]:
    """Give equal-tailed posterior limits of the chance at one setting.

    Parameters
    ----------
    surfaces, coded, rng, draws, joint
        As in `probability_draws`.
    level : float
        Posterior probability between the limits, in 0 to 1.

    Returns
    -------
    low, high : float
        Probabilities.
    """
    values = probability_draws(surfaces, coded, rng, draws=draws, joint=joint)
    low, high = np.quantile(values, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)


def _group_draws(
    surfaces: Sequence[Surface],
    group: Group,
    coded: FloatArray,
    rng: np.random.Generator,
    draws: int,
) -> FloatArray:
    at = np.asarray(coded, dtype=float)[None, :]
    rows = surfaces[0].rows(at)
    fitted = np.array([s.mean(at)[0] for s in surfaces])
    if surfaces[0].mixed is None:
        h = float((rows @ surfaces[0].unscaled @ rows.T)[0, 0])
        half = _inverse_wishart_half(group, rng, draws)
        scatter = half @ half.transpose(0, 2, 1)
        means = fitted + np.sqrt(h) * np.einsum(
            "dij,dj->di", half, rng.standard_normal((draws, len(fitted)))
        )
        for i, surface in enumerate(surfaces):
            scatter[:, i, i] += _specimen_draws(surface, rng, draws)
    else:
        means, scatter = _mixed_draws(surfaces, group, at, rng, draws)
    low, high = limits_of([s.response for s in surfaces])
    floor = NO_SCATTER * np.maximum(1.0, np.abs(fitted))
    sd = np.maximum(np.sqrt(np.einsum("dii->di", scatter)), floor)
    correlation = scatter / (sd[:, :, None] * sd[:, None, :])
    np.einsum("dii->di", correlation)[:] = 1.0
    return normal_rectangle((low - means) / sd, (high - means) / sd, correlation)


def _inverse_wishart_half(group: Group, rng: np.random.Generator, draws: int) -> FloatArray:
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


def _specimen_draws(surface: Surface, rng: np.random.Generator, draws: int) -> FloatArray | float:
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


def _mixed_draws(
    surfaces: Sequence[Surface],
    group: Group,
    at: FloatArray,
    rng: np.random.Generator,
    draws: int,
) -> tuple[FloatArray, FloatArray]:
    """Draw means and scatter of one part: all its variances by one scaled inverse Wishart."""
    foretold = [part_distribution(s, at) for s in surfaces]
    mean, scale, df = (np.array([float(f[i][0]) for f in foretold]) for i in range(3))
    doubt = np.array([float((s.rows(at) @ s.covariance @ s.rows(at).T)[0, 0]) for s in surfaces])
    part = np.sqrt(np.maximum(scale**2 - doubt, 0.0))
    own = replace(
        group,
        members=tuple(range(len(surfaces))),
        scatter=group.correlation * np.outer(part, part),
        df=float(df.min()),
    )
    half = _inverse_wishart_half(own, rng, draws)
    spread = np.einsum("dij,dj->di", half, rng.standard_normal((draws, len(surfaces))))
    share = np.sqrt(np.divide(doubt, part**2, out=np.zeros_like(doubt), where=part > 0))
    return mean + share * spread, half @ half.transpose(0, 2, 1)
