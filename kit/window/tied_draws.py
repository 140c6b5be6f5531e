"""Draws of responses that are tied together across models: scatter, correlation and means of one possible truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy import special

from kit.model.predict import part_distribution
from kit.model.surface import Surface
from kit.terms import FloatArray
from kit.window.draws import GroupDraws, draw_group
from kit.window.grouping import Group, group_alike
from kit.window.scatter_draws import inverse_wishart_half, specimen_draws
from kit.window.ties import Tied, tie_groups, untied


class TiedDraws(GroupDraws):
    """Possible truths of responses with terms of their own; ``coefficients`` holds them side by side."""

    def means(self, coded: FloatArray) -> FloatArray:
        """Give possible means at settings, shape (draws, m, q)."""
        start, found = 0, []
        for surface in self.surfaces:
            rows = surface.rows(coded)
            own = self.coefficients[:, start : start + rows.shape[1], 0]
            found.append(own @ rows.T)
            start += rows.shape[1]
        return np.stack(found, axis=2)


def truth_draws(
    surfaces: Mapping[str, Surface], rng: np.random.Generator, draws: int
) -> list[GroupDraws]:
    """Draw possible truths of several surfaces, responses tied as far as their shared prints tell.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        All of them are drawn.
    rng : Generator
        Source of the draws.
    draws : int
        How many.

    Returns
    -------
    list of GroupDraws
        Independent of each other.
    """
    chosen = list(surfaces.values())
    groups = group_alike(chosen)
    clusters = tie_groups(chosen, groups)
    tied = [draw_tied([chosen[i] for i in c.members], c, rng, draws) for c in clusters]
    single = [
        draw_group([chosen[i] for i in g.members], g, rng, draws) for g in untied(groups, clusters)
    ]
    return [*tied, *single]


def draw_tied(
    surfaces: Sequence[Surface], tied: Tied, rng: np.random.Generator, draws: int
) -> TiedDraws:
    """Draw possible truths of tied responses.

    Parameters
    ----------
    surfaces : sequence of Surface
        The k members.
    tied : Tied
        How they go together.
    rng : Generator
        Source of the draws.
    draws : int
        How many.

    Returns
    -------
    TiedDraws

    Notes
    -----
    Correlations come from an inverse Wishart around those of the shared prints with the least degrees of freedom; the
    variances drawn with them are carried, quantile by quantile, to the degrees of freedom of each response, so that every
    response alone has its own posterior. Errors of the prints are drawn with these correlations and turned into errors of
    the coefficients as the fits turn them.
    """
    k = len(surfaces)
    half = inverse_wishart_half(Group(tuple(range(k)), tied.correlation, tied.df), rng, draws)
    scatter = half @ half.transpose(0, 2, 1)
    unit = np.sqrt(np.einsum("dii->di", scatter))
    own = np.array([_own(s) for s in surfaces])
    sd = np.sqrt(own[:, 0] * _carried(unit**2, tied.df, own[:, 1]))
    correlation = scatter / (unit[:, :, None] * unit[:, None, :])
    np.einsum("dii->di", correlation)[:] = 1.0
    prints = correlation * (sd[:, :, None] * sd[:, None, :])
    part = prints.copy()
    for i, surface in enumerate(surfaces):
        part[:, i, i] += specimen_draws(surface, rng, draws)
    n = tied.influence[0].shape[1]
    errors = rng.standard_normal((draws, n, k)) @ (half / unit[:, :, None]).transpose(0, 2, 1)
    coefficients = [
        s.coefficients + sd[:, i, None] * (errors[:, :, i] @ tied.influence[i].T)
        for i, s in enumerate(surfaces)
    ]
    return TiedDraws(
        tuple(surfaces), np.concatenate(coefficients, axis=1)[:, :, None], prints, part
    )


def _own(surface: Surface) -> tuple[float, float]:
    """Give variance and degrees of freedom of one print; of a mixed model, of a print in new groups."""
    if surface.mixed is None:
        return surface.residual_variance, float(surface.residual_df)
    middle = np.zeros((1, len(surface.coding.factors)))
    _, scale, df = part_distribution(surface, middle)
    rows = surface.rows(middle)
    doubt = float((rows @ surface.covariance @ rows.T)[0, 0])
    return max(float(scale[0]) ** 2 - doubt, 0.0), float(df[0])


def _carried(variance: FloatArray, df: float, own: FloatArray) -> FloatArray:
    """Carry scaled inverse chi-square draws around 1 to other degrees of freedom, keeping their order."""
    level = special.gammainc(df / 2, df / 2 / variance)
    same = np.isclose(own, df)
    carried = own / 2 / special.gammaincinv(own / 2, np.clip(level, 1e-300, 1 - 1e-16))
    return np.asarray(np.where(same, variance, carried))
