"""The chance that one new part meets each requirement, and all of them at once.

One response: Student t around the fitted mean, with the variance of one part and the doubt about the
mean. Several responses with the same terms and runs: their joint t, since what misses one limit often
misses another as well. Unlike models: each keeps its own t, tied together by the prints that they share. What a part
passes or fails, and what shares too little: the product of the chances, and the answer says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import special

from kit.model.predict import part_distribution
from kit.model.surface import Surface
from kit.study.description import Response
from kit.terms import FloatArray
from kit.window.grouping import NO_SCATTER as NO_SCATTER
from kit.window.grouping import Group as Group
from kit.window.grouping import are_alike as are_alike
from kit.window.grouping import group_alike as group_alike
from kit.window.margins import carried_limits
from kit.window.rectangle import student_copula_rectangle, student_rectangle
from kit.window.ties import Tied, tie_groups

IntArray = npt.NDArray[np.intp]

SAME_DF = 1e-6
"""Degrees of freedom and variances this close (relative) count as equal."""


@dataclass(frozen=True)
class Cluster:
    """Responses of several groups, tied together at each of m settings.

    Attributes
    ----------
    members : tuple of int
        Places of the k responses in the forecast.
    correlation : array, shape (m, k, k)
        Of what one new part will show.
    df : float
        Degrees of freedom of the copula.
    prints_correlation : array, shape (k, k)
        Of what a print misses the surfaces by.
    """

    members: tuple[int, ...]
    correlation: FloatArray
    df: float
    prints_correlation: FloatArray


@dataclass(frozen=True)
class Forecast:
    """What one new part would show at each of m settings, for the q responses that have limits.

    Attributes
    ----------
    names : tuple of str
        The q responses.
    mean, scale, df : array, shape (m, q)
        Location, scale and degrees of freedom of each response's t distribution.
    leverage : array, shape (m, q)
        h, variance of the fitted mean over the residual variance.
    lower, upper : array, shape (q,)
        Limits; infinite where there is none.
    groups : tuple of Group
        A partition of the responses; those of one group have their joint t.
    alone : array, shape (m, q)
        Chance to meet each response's own limits.
    clusters : tuple of Cluster
        Groups that are tied together; all others count as independent.
    outcomes : frozenset of str
        Responses that a part passes or fails, with no limit that could be moved.
    """

    names: tuple[str, ...]
    mean: FloatArray
    scale: FloatArray
    df: FloatArray
    leverage: FloatArray
    lower: FloatArray
    upper: FloatArray
    groups: tuple[Group, ...]
    alone: FloatArray
    clusters: tuple[Cluster, ...] = ()
    outcomes: frozenset[str] = frozenset()

    @property
    def single_groups(self) -> tuple[Group, ...]:
        """The groups that are tied to no other."""
        taken = {i for c in self.clusters for i in c.members}
        return tuple(g for g in self.groups if g.members[0] not in taken)

    @property
    def together(self) -> list[Group | Cluster]:
        """What is judged together: the clusters, then the groups that are tied to no other."""
        return [*self.clusters, *self.single_groups]

    @property
    def units(self) -> tuple[tuple[int, ...], ...]:
        """Places of the responses that are judged together; chances of different units are multiplied."""
        return tuple(u.members for u in self.together)

    @property
    def measured_units(self) -> tuple[tuple[int, ...], ...]:
        """Those units that hold what is measured, not what a part passes or fails."""
        return tuple(u for u in self.units if self.names[u[0]] not in self.outcomes)

    @cached_property
    def bound(self) -> FloatArray:
        """No chance to meet everything is above this, shape (m,): the least in each unit, multiplied."""
        result = np.ones(len(self.mean))
        for members in self.units:
            result = result * self.alone[:, list(members)].min(axis=1)
        return result

    def take(self, rows: IntArray) -> Forecast:
        """Give the forecast for some of the settings."""
        cut = {k: getattr(self, k)[rows] for k in ("mean", "scale", "df", "leverage", "alone")}
        tied = tuple(replace(c, correlation=c.correlation[rows]) for c in self.clusters)
        return replace(self, **cut, clusters=tied)

    def with_limits(self, lower: FloatArray, upper: FloatArray) -> Forecast:
        """Give the forecast judged by other limits, each of shape (q,)."""
        alone = self.alone.copy()
        for i in np.flatnonzero((lower != self.lower) | (upper != self.upper)):
            low, high = (lower[i] - self.mean[:, i]), (upper[i] - self.mean[:, i])
            scale = self.scale[:, i]
            alone[:, i] = interval_chance(low / scale, high / scale, self.df[:, i])
        return replace(self, lower=lower, upper=upper, alone=alone)

    def without(self, name: str) -> Forecast:
        """Give the forecast with the requirement of one response dropped."""
        dropped = np.array([n == name for n in self.names])
        return self.with_limits(
            np.where(dropped, -np.inf, self.lower), np.where(dropped, np.inf, self.upper)
        )

    def chance(self) -> FloatArray:
        """Give the chance that one part meets all the limits, shape (m,); 1 where there is no limit."""
        result = np.ones(len(self.mean))
        for unit in self.together:
            result = result * self._unit_chance(unit)
        return result

    def _unit_chance(self, unit: Group | Cluster) -> FloatArray:
        limited = np.isfinite(self.lower) | np.isfinite(self.upper)
        inside = [i for i, j in enumerate(unit.members) if limited[j]]
        places = [unit.members[i] for i in inside]
        if not places:
            return np.ones(len(self.mean))
        alone = self.alone[:, places]
        if len(places) == 1:
            return np.asarray(alone[:, 0])
        if isinstance(unit, Cluster):
            joint = self._tied(places, unit.correlation[:, inside][:, :, inside], unit.df)
        else:
            scatter = unit.scatter[np.ix_(inside, inside)]
            joint = self._joint(replace(unit, members=tuple(places), scatter=scatter))
        # No joint chance lies outside these bounds (Frechet); the integral is good to about 1e-9.
        floor = np.maximum(alone.sum(axis=1) - (len(places) - 1), 0.0)
        return np.asarray(np.clip(joint, floor, alone.min(axis=1)))

    def _tied(self, at: list[int], correlation: FloatArray, df: float) -> FloatArray:
        lower = (self.lower[at] - self.mean[:, at]) / self.scale[:, at]
        upper = (self.upper[at] - self.mean[:, at]) / self.scale[:, at]
        own = self.df[:, at]
        lower, upper = carried_limits(lower, own, df), carried_limits(upper, own, df)
        return np.asarray(student_rectangle(lower, upper, correlation, df))

    def _joint(self, group: Group) -> FloatArray:
        at = list(group.members)
        lower = (self.lower[at] - self.mean[:, at]) / self.scale[:, at]
        upper = (self.upper[at] - self.mean[:, at]) / self.scale[:, at]
        own = np.diag(group.scatter) * (1 + self.leverage[:, at])
        total = self.scale[:, at] ** 2
        df = self.df[:, at]
        if np.allclose(own, total, rtol=SAME_DF) and np.allclose(df, group.df, rtol=SAME_DF):
            return np.asarray(student_rectangle(lower, upper, group.correlation, group.df))
        shrink = np.sqrt(own / total)
        correlation = group.correlation * (shrink[:, :, None] * shrink[:, None, :])
        correlation[:, range(len(at)), range(len(at))] = 1.0
        low_p, high_p = special.stdtr(df, lower), special.stdtr(df, upper)
        return np.asarray(student_copula_rectangle(low_p, high_p, correlation, group.df))


def interval_chance(lower: FloatArray, upper: FloatArray, df: FloatArray | float) -> FloatArray:
    """Give the probability that a standard t variable lies between two limits.

    Parameters
    ----------
    lower, upper : array, any common shape
        Standardised limits, possibly infinite.
    df : array or float
        Degrees of freedom, > 0, of a shape that fits.

    Returns
    -------
    array
        Probabilities; in the upper tail computed on the mirrored side, where accuracy is kept.
    """
    mirror = lower > 0
    low, high = np.where(mirror, -upper, lower), np.where(mirror, -lower, upper)
    return np.asarray(np.maximum(special.stdtr(df, high) - special.stdtr(df, low), 0.0))


def limits_of(responses: Sequence[Response]) -> tuple[FloatArray, FloatArray]:
    """Give lower and upper limits, each of shape (q,), infinite where there is none."""
    lower = [-np.inf if r.lower is None else r.lower for r in responses]
    upper = [np.inf if r.upper is None else r.upper for r in responses]
    return np.array(lower, dtype=float), np.array(upper, dtype=float)


def with_limits(surfaces: Mapping[str, Surface], drop: str | None = None) -> dict[str, Surface]:
    """Give the surfaces whose response has a limit that a part can fail, ``drop`` left out."""
    return {n: s for n, s in surfaces.items() if s.response.has_limits and n != drop}


def forecast(
    surfaces: Mapping[str, Surface],
    coded: FloatArray,
    *,
    joint: bool = True,
    drop: str | None = None,
) -> Forecast:
    """Foretell one new part at each setting, for the responses that have limits.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        Responses without a lower or upper limit take no part.
    coded : array, shape (m, n_factors)
        Coded settings; it is for the caller to stay inside the tried region.
    joint : bool
        False: count the responses as independent.
    drop : str, optional
        A response whose requirement is left out.

    Returns
    -------
    Forecast
    """
    chosen = with_limits(surfaces, drop)
    fitted = list(chosen.values())
    groups = group_alike(fitted, joint=joint)
    coded = np.asarray(coded, dtype=float)
    parts = [part_distribution(s, coded) for s in chosen.values()]
    mean, scale, df = (_columns([p[i] for p in parts], len(coded)) for i in range(3))
    # A fit without any scatter still gets a scale, so that limits have a side to lie on.
    scale = np.maximum(scale, NO_SCATTER * np.maximum(1.0, np.abs(mean)))
    lower, upper = limits_of([s.response for s in fitted])
    tied = tie_groups(fitted, groups) if joint else ()
    return Forecast(
        names=tuple(chosen),
        mean=mean,
        scale=scale,
        df=df,
        leverage=_columns([_leverage(s, coded) for s in chosen.values()], len(coded)),
        lower=lower,
        upper=upper,
        groups=groups,
        alone=interval_chance((lower - mean) / scale, (upper - mean) / scale, df),
        clusters=tuple(_cluster(t, fitted, coded, scale) for t in tied),
        outcomes=frozenset(n for n, s in chosen.items() if s.success is not None),
    )


def _cluster(
    tied: Tied, surfaces: Sequence[Surface], coded: FloatArray, scale: FloatArray
) -> Cluster:
    at = list(tied.members)
    correlation = tied.part_correlation([surfaces[i] for i in at], coded, scale[:, at])
    return Cluster(tied.members, correlation, tied.df, tied.correlation)


def _columns(parts: Sequence[FloatArray | float], rows: int) -> FloatArray:
    """Stack one column a response, also where a response gives one number for all settings."""
    columns = [np.broadcast_to(np.asarray(p, dtype=float), (rows,)) for p in parts]
    return np.column_stack(columns) if columns else np.empty((rows, 0))


def _leverage(surface: Surface, coded: FloatArray) -> FloatArray:
    rows = surface.rows(coded)
    if surface.mixed is not None:
        doubt = np.sum((rows @ surface.covariance) * rows, axis=1)
        return np.asarray(doubt / surface.mixed.components.sum())
    return np.asarray(np.sum((rows @ surface.unscaled) * rows, axis=1))


def chance_to_meet(
    surfaces: Mapping[str, Surface],
    coded: FloatArray,
    *,
    joint: bool = True,
    drop: str | None = None,
) -> FloatArray:
    """Give the chance that one new part meets every requirement at each setting.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        Only responses with a lower or upper limit count.
    coded : array, shape (m, n_factors)
        Coded settings; it is for the caller to stay inside the tried region.
    joint : bool
        True: responses are treated as correlated as far as the prints that they share tell. False: the product.
    drop : str, optional
        A response whose requirement is left out.

    Returns
    -------
    array, shape (m,)
        Probabilities; the posterior mean of P(meet | coefficients, scatter).

    Raises
    ------
    ValueError
        If no response that counts has a limit: the chance is then undefined.

    Notes
    -----
    Variance of one part: residual mean square of print means plus s2_specimen (1 - 1/m), where m
    specimens of a print were averaged; degrees of freedom by Satterthwaite. The doubt about the mean
    adds x'Vx. For q responses with common terms and runs and the prior ``det(Sigma)^-q`` the new part is
    multivariate t with n - p degrees of freedom, location x'B and scale S (1 + h), S the residual
    cross-products over n - p: then every margin is exactly the one-response t. (The usual prior
    ``det(Sigma)^-(q+1)/2`` gives n - p - q + 1; Press, Applied Multivariate Analysis, from memory.)
    Where specimen scatter makes the degrees of freedom unequal, the margins are kept and tied
    together by a t copula with n - p degrees of freedom and the correlation of one part, specimen
    scatter counting as independent between responses. Mixed models of the same runs and groups are tied
    together in the same way, each margin with its own Satterthwaite degrees of freedom; so are responses with other
    terms, runs or groups, by what their shared prints say (`kit.window.ties`), and what one part passes or fails is
    multiplied: it counts as independent of the rest at the same settings.
    """
    if not with_limits(surfaces, drop):
        raise ValueError(
            "no requirement is stated, so no chance to meet it; give a response a lower or upper limit."
        )
    return forecast(surfaces, coded, joint=joint, drop=drop).chance()
