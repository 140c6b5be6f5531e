"""Which responses can be judged together: those with the same terms, the same runs and the same random groups."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kit.model.small_sample import future_variance
from kit.model.surface import Surface
from kit.terms import FloatArray
from kit.window.rectangle import MOST_RESPONSES

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
    def prints_correlation(self) -> FloatArray:
        """Correlation of what a print misses the surfaces by, shape (q, q)."""
        return self.correlation

    @property
    def correlation(self) -> FloatArray:
        """Correlation of the residuals, shape (q, q)."""
        sd = np.sqrt(np.diag(self.scatter))
        matrix = self.scatter / np.outer(sd, sd)
        np.fill_diagonal(matrix, 1.0)
        return np.asarray(matrix)


def are_alike(a: Surface, b: Surface) -> bool:
    """Tell whether two surfaces have the same terms and runs, so that their residuals pair up."""
    if a.success is not None or b.success is not None:  # it passes or not; there is no scatter
        return False
    if a.design.shape != b.design.shape or not _same_groups(a, b):
        return False
    if a.weights is not None or b.weights is not None:  # what its prints miss does not pair up
        return False
    names = [t.name for t in a.terms] == [
        t.name for t in b.terms
    ] and a.block_names == b.block_names
    runs = list(a.observations["run"]) == list(b.observations["run"])
    scatter = has_scatter(a) and has_scatter(b)
    return bool(names and runs and scatter and np.allclose(a.design, b.design, rtol=0, atol=1e-9))


def _same_groups(a: Surface, b: Surface) -> bool:
    if a.mixed is None or b.mixed is None:
        return a.mixed is None and b.mixed is None
    return a.mixed.names == b.mixed.names and np.array_equal(a.mixed.groups, b.mixed.groups)


def has_scatter(surface: Surface) -> bool:
    """Tell whether prints miss the surface by more than rounding."""
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
    if surfaces[members[0]].success is not None:
        return Group(tuple(members), np.ones((1, 1)), np.inf)
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
