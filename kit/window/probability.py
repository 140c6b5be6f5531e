"""The chance that one new part meets each requirement, and all of them at once.

One response: Student t around the fitted mean, with the variance of one part and the doubt about the
mean. Several responses with the same terms and runs: their joint t, since what misses one limit often
misses another as well. Unlike models: the product of the chances, and the answer says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import special

from kit.model.predict import part_distribution
from kit.model.small_sample import future_variance
from kit.model.surface import Surface
from kit.study.description import Response
from kit.terms import FloatArray
from kit.window.rectangle import MOST_RESPONSES, student_copula_rectangle, student_rectangle

IntArray = npt.NDArray[np.intp]

SAME_DF = 1e-6
"""Degrees of freedom and variances this close (relative) count as equal."""

NO_SCATTER = 1e-12
"""Residuals below this share of the values are rounding, not scatter."""


@dataclass(frozen=True)
class Group:
    """Responses whose scatter is judged together: same terms, same runs, same random groups.

    Attributes
    ----------
    members : tuple of int
        Places of the responses in the forecast.
    scatter : array, shape (q, q)
        S, residual cross-products of the print means over ``df``; for mixed models the variances of a print in
        new groups, with the correlation of what the prints miss the surfaces by.
    df : float
        Residual degrees of freedom, n - p; for mixed models the least of a print in new groups.
    """

    members: tuple[int, ...]
    scatter: FloatArray
    df: float

    @property
    def correlation(self) -> FloatArray:
        """Correlation of the residuals, shape (q, q)."""
        sd = np.sqrt(np.diag(self.scatter))
        matrix = self.scatter / np.outer(sd, sd)
        np.fill_diagonal(matrix, 1.0)
        return np.asarray(matrix)


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
        A partition of the responses; responses of different groups count as independent.
    alone : array, shape (m, q)
        Chance to meet each response's own limits.
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

    @cached_property
    def bound(self) -> FloatArray:
        """No chance to meet everything is above this, shape (m,): the least in each group, multiplied."""
        result = np.ones(len(self.mean))
        for group in self.groups:
            result = result * self.alone[:, list(group.members)].min(axis=1)
        return result

    def take(self, rows: IntArray) -> Forecast:
        """Give the forecast for some of the settings."""
        cut = {k: getattr(self, k)[rows] for k in ("mean", "scale", "df", "leverage", "alone")}
        return replace(self, **cut)

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
        for group in self.groups:
            result = result * self._group_chance(group)
        return result

    def _group_chance(self, group: Group) -> FloatArray:
        limited = np.isfinite(self.lower) | np.isfinite(self.upper)
        inside = [i for i, j in enumerate(group.members) if limited[j]]
        places = [group.members[i] for i in inside]
        if not places:
            return np.ones(len(self.mean))
        alone = self.alone[:, places]
        if len(places) == 1:
            return np.asarray(alone[:, 0])
        joint = self._joint(
            replace(group, members=tuple(places), scatter=group.scatter[np.ix_(inside, inside)])
        )
        # No joint chance lies outside these bounds (Frechet); the integral is good to about 1e-9.
        floor = np.maximum(alone.sum(axis=1) - (len(places) - 1), 0.0)
        return np.asarray(np.clip(joint, floor, alone.min(axis=1)))

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


def are_alike(a: Surface, b: Surface) -> bool:
    """Tell whether two surfaces have the same terms and runs, so that their residuals pair up."""
    if a.design.shape != b.design.shape or not _same_groups(a, b):
        return False
    names = [t.name for t in a.terms] == [
        t.name for t in b.terms
    ] and a.block_names == b.block_names
    runs = list(a.observations["run"]) == list(b.observations["run"])
    scatter = _has_scatter(a) and _has_scatter(b)
    return bool(names and runs and scatter and np.allclose(a.design, b.design, rtol=0, atol=1e-9))


def _same_groups(a: Surface, b: Surface) -> bool:
    if a.mixed is None or b.mixed is None:
        return a.mixed is None and b.mixed is None
    return a.mixed.names == b.mixed.names and np.array_equal(a.mixed.groups, b.mixed.groups)


def _has_scatter(surface: Surface) -> bool:
    size = max(1.0, float(np.abs(surface.observations["value"]).max()))
    return bool(surface.residual_variance > (NO_SCATTER * size) ** 2)


def group_alike(surfaces: Sequence[Surface], *, joint: bool = True) -> tuple[Group, ...]:
    """Sort responses into groups that can be judged together.

    Parameters
    ----------
    surfaces : sequence of Surface
        The q surfaces.
    joint : bool
        False: every response for itself (the chances are multiplied).

    Returns
    -------
    tuple of Group
        In the order of their first member. A group larger than its residual degrees of freedom is
        split into single responses, since its correlations could not be told; so is one of more than
        six responses, which the integrals do not take.
    """
    parts: list[list[int]] = []
    for i, surface in enumerate(surfaces):
        mate = next((p for p in parts if joint and are_alike(surfaces[p[0]], surface)), None)
        if mate is None:
            parts.append([i])
        else:
            mate.append(i)
    most = [min(MOST_RESPONSES, surfaces[p[0]].residual_df) for p in parts]
    split = [[p] if len(p) <= m else [[i] for i in p] for p, m in zip(parts, most, strict=True)]
    return tuple(_group(surfaces, members) for part in split for members in part)


def _group(surfaces: Sequence[Surface], members: Sequence[int]) -> Group:
    df = float(surfaces[members[0]].residual_df)
    if surfaces[members[0]].mixed is not None:
        return _mixed_group([surfaces[i] for i in members], members)
    if len(members) == 1:
        return Group(tuple(members), np.array([[surfaces[members[0]].residual_variance]]), df)
    residuals = np.column_stack([surfaces[i].observations["residual"] for i in members])
    return Group(tuple(members), residuals.T @ residuals / df, df)


def _mixed_group(surfaces: Sequence[Surface], members: Sequence[int]) -> Group:
    parts = [s.mixed for s in surfaces if s.mixed is not None]
    sd = np.sqrt([part.components.sum() for part in parts])
    df = min(
        float(future_variance(p.small, s.design).df.min())
        for p, s in zip(parts, surfaces, strict=True)
    )
    missed = np.column_stack(
        [s.observations["value"] - s.design @ s.coefficients for s in surfaces]
    )
    correlation = np.atleast_2d(np.corrcoef(missed, rowvar=False))
    return Group(tuple(members), correlation * np.outer(sd, sd), df)


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
    coded = np.asarray(coded, dtype=float)
    parts = [part_distribution(s, coded) for s in chosen.values()]
    mean, scale, df = (_columns([p[i] for p in parts], len(coded)) for i in range(3))
    # A fit without any scatter still gets a scale, so that limits have a side to lie on.
    scale = np.maximum(scale, NO_SCATTER * np.maximum(1.0, np.abs(mean)))
    lower, upper = limits_of([s.response for s in chosen.values()])
    return Forecast(
        names=tuple(chosen),
        mean=mean,
        scale=scale,
        df=df,
        leverage=_columns([_leverage(s, coded) for s in chosen.values()], len(coded)),
        lower=lower,
        upper=upper,
        groups=group_alike(list(chosen.values()), joint=joint),
        alone=interval_chance((lower - mean) / scale, (upper - mean) / scale, df),
    )


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
        True: responses with the same terms and runs are treated as correlated. False: the product.
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
    together in the same way, each margin with its own Satterthwaite degrees of freedom.
    """
    if not with_limits(surfaces, drop):
        raise ValueError(
            "no requirement is stated, so no chance to meet it; give a response a lower or upper limit."
        )
    return forecast(surfaces, coded, joint=joint, drop=drop).chance()
