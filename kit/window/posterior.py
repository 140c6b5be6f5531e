"""How sure the chance itself is: its 95 % limits over what the readings leave open.

The true coefficients and scatters are not known. Drawing them from their posterior and computing for
each draw the chance that one part meets every requirement gives a spread of chances; their mean is the
closed-form probability, their quantiles are its limits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy import special

from kit.model.predict import part_distribution
from kit.model.surface import Surface
from kit.terms import FloatArray
from kit.window.grouping import NO_SCATTER, Group, group_alike
from kit.window.probability import limits_of, with_limits
from kit.window.rectangle import normal_rectangle
from kit.window.scatter_draws import inverse_wishart_half, specimen_draws
from kit.window.tied_draws import draw_tied
from kit.window.ties import tie_groups, untied

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
    responses' predictions there; so does, alone, a response whose scatter is modelled by setting. Responses tied across
    models: `kit.window.tied_draws`.
    """
    chosen = list(with_limits(surfaces).values())
    result = np.ones(draws)
    groups = group_alike(chosen, joint=joint)
    clusters = tie_groups(chosen, groups) if joint else ()
    for tied in clusters:
        possible = draw_tied([chosen[i] for i in tied.members], tied, rng, draws)
        means = possible.means(np.asarray(coded, dtype=float)[None, :])
        result = result * possible.chance(means)[:, 0]
    for group in untied(groups, clusters):
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
    if surfaces[0].success is not None:
        possible = surfaces[0].success.possible
        drawn = possible[rng.integers(len(possible), size=draws)]
        return np.asarray(special.expit(drawn @ rows[0]))
    fitted = np.array([s.mean(at)[0] for s in surfaces])
    if surfaces[0].mixed is None and surfaces[0].spread is None:
        h = float((rows @ surfaces[0].unscaled @ rows.T)[0, 0])
        half = inverse_wishart_half(group, rng, draws)
        scatter = half @ half.transpose(0, 2, 1)
        means = fitted + np.sqrt(h) * np.einsum(
            "dij,dj->di", half, rng.standard_normal((draws, len(fitted)))
        )
        for i, surface in enumerate(surfaces):
            scatter[:, i, i] += specimen_draws(surface, rng, draws)
    else:
        means, scatter = _mixed_draws(surfaces, group, at, rng, draws)
    low, high = limits_of([s.response for s in surfaces])
    floor = NO_SCATTER * np.maximum(1.0, np.abs(fitted))
    sd = np.maximum(np.sqrt(np.einsum("dii->di", scatter)), floor)
    correlation = scatter / (sd[:, :, None] * sd[:, None, :])
    np.einsum("dii->di", correlation)[:] = 1.0
    return normal_rectangle((low - means) / sd, (high - means) / sd, correlation)


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
    half = inverse_wishart_half(own, rng, draws)
    spread = np.einsum("dij,dj->di", half, rng.standard_normal((draws, len(surfaces))))
    share = np.sqrt(np.divide(doubt, part**2, out=np.zeros_like(doubt), where=part > 0))
    return mean + share * spread, half @ half.transpose(0, 2, 1)
