"""Draws of whole surfaces from their posterior: coefficients and scatter together, for all settings at once.

`kit.window.posterior` draws the chance at one setting; here one draw is a possible truth that can be asked at many
settings: on other printers, on the printer of an adopter, after a further round.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from kit.model.predict import part_distribution
from kit.model.surface import Surface
from kit.terms import FloatArray
from kit.window.grouping import NO_SCATTER, Group, group_alike
from kit.window.probability import limits_of
from kit.window.rectangle import normal_rectangle
from kit.window.scatter_draws import inverse_wishart_half, specimen_draws

SURE = 8.0
"""Places on the normal scale are cut here: beyond 1e-15 a chance is 0 or 1."""


@dataclass(frozen=True)
class GroupDraws:
    """Possible truths of responses that are judged together.

    Attributes
    ----------
    surfaces : tuple of Surface
        The q responses.
    coefficients : array, shape (draws, p, q)
    prints, part : array, shape (draws, q, q)
        Covariance between responses of one print mean, and of one part.
    """

    surfaces: tuple[Surface, ...]
    coefficients: FloatArray
    prints: FloatArray
    part: FloatArray

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the responses."""
        return tuple(s.response.name for s in self.surfaces)

    def means(self, coded: FloatArray) -> FloatArray:
        """Give possible means at settings, shape (draws, m, q)."""
        rows = self.surfaces[0].rows(coded)
        return np.asarray(np.einsum("mp,dpq->dmq", rows, self.coefficients, optimize=True))

    def chance(
        self, means: FloatArray, *, independent: bool = False, coded: FloatArray | None = None
    ) -> FloatArray:
        """Give P(one part meets the limits) for means of shape (draws, m, q): shape (draws, m).

        ``coded``, shape (m, n_factors), tells where scatter that is modelled by setting is taken; else it is the average one.

        Returns
        -------
        array, shape (draws, m)
        """
        low, high = limits_of([s.response for s in self.surfaces])
        floor = NO_SCATTER * max(1.0, float(np.abs(means).max(initial=0.0)))
        sd = np.maximum(np.sqrt(np.einsum("dii->di", self.part)), floor)
        wide = sd[:, None, :] if coded is None else self._sd_at(coded, sd)
        lower, upper = (low - means) / wide, (high - means) / wide
        draws, m, q = means.shape
        if q == 1 or independent:
            return np.asarray(np.prod(special.ndtr(upper) - special.ndtr(lower), axis=2))
        correlation = self.part / (sd[:, :, None] * sd[:, None, :])
        np.einsum("dii->di", correlation)[:] = 1.0
        return normal_rectangle(
            lower.reshape(-1, q), upper.reshape(-1, q), np.repeat(correlation, m, axis=0)
        ).reshape(draws, m)

    def _sd_at(self, coded: FloatArray, sd: FloatArray) -> FloatArray:
        # Give the SD of one part by setting, shape (draws, 1 or m, q); modelled scatter stands alone in its group.
        first = self.surfaces[0]
        if first.spread is None:
            return sd[:, None, :]
        share = first.print_variance(coded) / first.residual_variance - 1
        return np.sqrt(np.maximum(sd**2 + self.prints[:, 0] * share, 1e-300))[:, :, None]


@dataclass(frozen=True)
class OutcomeDraws(GroupDraws):
    """Possible truths of what a part passes or fails: coefficients are log odds, means lie on the normal scale."""

    def means(self, coded: FloatArray) -> FloatArray:
        """Give possible places on the normal scale, on which a part passes above 0, shape (draws, m, 1)."""
        odds = super().means(coded)
        return np.asarray(np.clip(special.ndtri(special.expit(odds)), -SURE, SURE))


def posterior_draws(
    surfaces: Mapping[str, Surface],
    rng: np.random.Generator,
    draws: int,
    *,
    joint: bool = True,
    usual_prior: bool = False,
) -> list[GroupDraws]:
    """Draw possible truths of several surfaces.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        All of them are drawn; leave out those that are not asked for.
    rng : Generator
        Source of the draws.
    draws : int
        How many.
    joint : bool
        Whether alike responses are drawn together.
    usual_prior : bool
        True: the prior ``det(Sigma)^-(q+1)/2`` and correlations drawn in, for what weighs responses against each other by
        their scatter. False: the prior of the chances, under which every response alone is exact.

    Returns
    -------
    list of GroupDraws
        One a group of responses that are judged together; groups are independent.

    Notes
    -----
    Least squares: Sigma inverse Wishart and B normal given Sigma with covariance (X'X)^-1 (x) Sigma, as in
    `kit.window.posterior`. Mixed models: one scaled inverse Wishart for all variances, coefficients normal with the
    adjusted covariance, scaled alike.
    """
    chosen = list(surfaces.values())
    groups = group_alike(chosen, joint=joint)
    if usual_prior:
        groups = tuple(_with_usual_prior(g) for g in groups)
    return [draw_group([chosen[i] for i in g.members], g, rng, draws) for g in groups]


def _with_usual_prior(group: Group) -> Group:
    """Give a group whose draws have n - p degrees of freedom, correlations drawn in towards 0 by q / (n - p).

    Weighing q responses by correlations estimated from few spare runs exploits what is chance in them: limits of a
    thermometer difference then hold 90 % instead of 95 %. Drawn in, they hold 93 % for responses that do not
    go together and 97 % for a correlation of 0.6 (simulated; the share is common practice, no source).

    Returns
    -------
    Group
    """
    q = len(group.members)
    freedom = group.df - q + 1
    drawn_in = min(1.0, q / group.df) if q > 1 else 0.0
    scatter = (1 - drawn_in) * group.scatter + drawn_in * np.diag(np.diag(group.scatter))
    return replace(group, df=freedom, scatter=scatter * (group.df / freedom))


def draw_group(
    surfaces: Sequence[Surface], group: Group, rng: np.random.Generator, draws: int
) -> GroupDraws:
    """Draw possible truths of the responses of one group; see `posterior_draws`."""
    first, q = surfaces[0], len(surfaces)
    if first.success is not None:
        possible = first.success.possible
        drawn = possible[rng.integers(len(possible), size=draws)][:, :, None]
        one = np.ones((draws, 1, 1))
        return OutcomeDraws((first,), drawn, one, one)
    fitted = np.column_stack([s.coefficients for s in surfaces])
    normal = rng.standard_normal((draws, len(fitted), q))
    if getattr(first, "mixed", None) is None:
        half = inverse_wishart_half(group, rng, draws)
        prints = half @ half.transpose(0, 2, 1)
        part = prints.copy()
        for i, surface in enumerate(surfaces):
            part[:, i, i] += specimen_draws(surface, rng, draws)
        spread = _root(first.unscaled) @ normal @ half.transpose(0, 2, 1)
        return GroupDraws(tuple(surfaces), fitted + spread, prints, part)
    return _draw_mixed(tuple(surfaces), group, fitted, normal, rng)


def _draw_mixed(
    surfaces: tuple[Surface, ...],
    group: Group,
    fitted: FloatArray,
    normal: FloatArray,
    rng: np.random.Generator,
) -> GroupDraws:
    middle = np.zeros((1, len(surfaces[0].coding.factors)))
    foretold = [part_distribution(s, middle) for s in surfaces]
    doubt = [float((s.rows(middle) @ s.covariance @ s.rows(middle).T)[0, 0]) for s in surfaces]
    part = np.array(
        [max(float(f[1][0]) ** 2 - d, 0.0) for f, d in zip(foretold, doubt, strict=True)]
    )
    df = min(float(f[2][0]) for f in foretold)
    sd = np.sqrt(part)
    own = Group(tuple(range(len(surfaces))), group.correlation * np.outer(sd, sd), df)
    half = inverse_wishart_half(own, rng, len(normal))
    scatter = half @ half.transpose(0, 2, 1)
    scaled = normal @ (half / np.where(sd > 0, sd, 1.0)[None, :, None]).transpose(0, 2, 1)
    spread = np.stack(
        [scaled[:, :, i] @ _root(s.covariance).T for i, s in enumerate(surfaces)], axis=2
    )
    return GroupDraws(surfaces, fitted + spread, scatter, scatter)


def _root(matrix: FloatArray) -> FloatArray:
    """Give R with R R' = matrix, also where the matrix is singular."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
