"""How responses go together that do not rest on the same terms and runs.

Where one response has a print more, other terms, or random groups of its own, there is no multivariate t of all of them. But
prints that both have still tell how what they miss their surfaces by goes together. Each response keeps its own t
distribution exactly, and these are tied together by a t copula.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from kit.model.surface import Surface
from kit.terms import FloatArray
from kit.window.grouping import Group, has_scatter
from kit.window.rectangle import MOST_RESPONSES

FEWEST_SHARED = 3.0
"""With fewer spare prints in common nothing is said of how two responses go together (own choice)."""


@dataclass(frozen=True)
class Tied:
    """Responses of several groups that are judged together all the same.

    Attributes
    ----------
    members : tuple of int
        Places of the k responses, group by group.
    correlation : array, shape (k, k)
        Of what a print misses the surfaces by.
    df : float
        Degrees of freedom of the copula.
    sd : array, shape (k,)
        Of a print, on the fitted scales.
    influence : tuple of array, shape (p_i, n)
        What each of the n prints does to the coefficients, in units of ``sd``; 0 for prints that a response lacks.
    """

    members: tuple[int, ...]
    correlation: FloatArray
    df: float
    sd: FloatArray
    influence: tuple[FloatArray, ...]

    def shared_doubt(self, surfaces: Sequence[Surface], coded: FloatArray) -> FloatArray:
        """Give how the doubts of the fitted means hang together, were the correlations 1.

        Parameters
        ----------
        surfaces : sequence of Surface
            The k members.
        coded : array, shape (m, n_factors)
            Settings.

        Returns
        -------
        array, shape (m, k, k)
            On the diagonal the leverages.
        """
        rows = [s.rows(coded) for s in surfaces]
        k = len(rows)
        found = np.empty((len(coded), k, k))
        for i in range(k):
            for j in range(i, k):
                common = self.influence[i] @ self.influence[j].T
                found[:, i, j] = found[:, j, i] = np.sum((rows[i] @ common) * rows[j], axis=1)
        return found

    def part_correlation(
        self, surfaces: Sequence[Surface], coded: FloatArray, scale: FloatArray
    ) -> FloatArray:
        """Give the correlation of what one new part will show.

        Parameters
        ----------
        surfaces : sequence of Surface
            The k members.
        coded : array, shape (m, n_factors)
            Settings.
        scale : array, shape (m, k)
            Of each response's t distribution there.

        Returns
        -------
        array, shape (m, k, k)
            Covariances of a print and of the fitted means over the scales; specimen scatter counts as independent.
        """
        covariance = self.correlation * (1 + self.shared_doubt(surfaces, coded))
        part = self.sd / scale
        found = covariance * (part[:, :, None] * part[:, None, :])
        np.einsum("mii->mi", found)[:] = 1.0
        return np.asarray(np.clip(found, -1.0, 1.0))


def tie_groups(surfaces: Sequence[Surface], groups: Sequence[Group]) -> tuple[Tied, ...]:
    """Find which groups of responses can be judged together by the prints that they share.

    Parameters
    ----------
    surfaces : sequence of Surface
        The q responses.
    groups : sequence of Group
        A partition of them.

    Returns
    -------
    tuple of Tied
        Each of two groups or more. What a part passes or fails stays alone, as does a response without scatter or whose prints
        weigh differently. So do groups that have too few spare prints in common, or too many members for them.

    Notes
    -----
    Covariance of two responses: products of residuals of the shared prints over the trace that makes them unbiased (Zellner
    and Huang, Int. Econ. Rev. 3, 1962, 300-313, from memory, for prints of which one lacks some); for the same terms and
    runs it is that of the multivariate t. As there, the degrees of freedom say how well the correlations are known: the
    spare prints that two groups share, at most those of a group. Where correlations estimated from different prints do
    not fit together, those across groups are drawn in until they do.
    """
    if len(groups) < 2:
        return ()
    able = [i for i, g in enumerate(groups) if all(_can_be_tied(surfaces[j]) for j in g.members)]
    told = {j: _Prints.of(surfaces[j]) for i in able for j in groups[i].members}
    joined = _components(able, groups, told)
    found = []
    for part in joined:
        members = tuple(j for i in part for j in groups[i].members)
        df = min([groups[i].df for i in part] + _spare_shared(part, groups, told))
        if len(members) <= min(MOST_RESPONSES, df):
            found.append(_tied([groups[i] for i in part], told, df))
    return tuple(found)


def untied(groups: Sequence[Group], clusters: Sequence[Tied]) -> tuple[Group, ...]:
    """Give the groups that belong to no cluster."""
    taken = {i for c in clusters for i in c.members}
    return tuple(g for g in groups if g.members[0] not in taken)


def _can_be_tied(surface: Surface) -> bool:
    plain = surface.success is None and surface.weights is None and surface.spread is None
    return plain and has_scatter(surface)


@dataclass(frozen=True)
class _Prints:
    """What the prints of one response say: misses of the surface, and what each does to the coefficients."""

    runs: tuple[str, ...]
    missed: FloatArray  # (n,)
    sd: float
    influence: FloatArray  # (p, n)
    kept: FloatArray  # (n, n): turns errors of the prints into misses

    @classmethod
    def of(cls, surface: Surface) -> _Prints:
        X, n = surface.design, len(surface.design)
        runs = tuple(surface.observations["run"].astype(str))
        missed = surface.observations["value"].to_numpy(dtype=float) - X @ surface.coefficients
        if surface.mixed is None:
            sd = float(np.sqrt(surface.residual_variance))
            missed = surface.observations["residual"].to_numpy(dtype=float)
            influence = surface.unscaled @ X.T
            kept = np.eye(n) - X @ influence
            return cls(runs, missed, sd, influence, kept)
        small, V = surface.mixed.small, surface.mixed.V
        sd = float(np.sqrt(surface.mixed.components.sum()))
        weigh = small.covariance @ np.linalg.solve(V, X).T
        adjust = _root(small.adjusted) @ np.linalg.pinv(_root(small.covariance))
        influence = adjust @ weigh @ _root(V) / sd
        return cls(runs, missed, sd, influence, np.eye(n) - X @ weigh)


def _shared(a: _Prints, b: _Prints) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], float]:
    """Give the places of shared prints in both, and how many spare ones they are worth."""
    there = {run: i for i, run in enumerate(b.runs)}
    pairs = [(i, there[run]) for i, run in enumerate(a.runs) if run in there]
    mine, theirs = (np.array([p[side] for p in pairs], dtype=np.intp) for side in (0, 1))
    spare = float(np.sum(a.kept[np.ix_(mine, mine)] * b.kept[np.ix_(theirs, theirs)]))
    return mine, theirs, spare


def _components(
    able: Sequence[int], groups: Sequence[Group], told: dict[int, _Prints]
) -> list[list[int]]:
    """Join groups that have enough spare prints in common."""
    parts: list[list[int]] = [[i] for i in able]
    for a, b in combinations(able, 2):
        spare = _shared(told[groups[a].members[0]], told[groups[b].members[0]])[2]
        if spare < FEWEST_SHARED:
            continue
        one, other = (next(p for p in parts if i in p) for i in (a, b))
        if one is not other:
            one.extend(other)
            parts.remove(other)
    return [sorted(p) for p in parts if len(p) > 1]


def _spare_shared(
    part: Sequence[int], groups: Sequence[Group], told: dict[int, _Prints]
) -> list[float]:
    """Give the spare prints that each two groups share, where they are enough."""
    firsts = [told[groups[i].members[0]] for i in part]
    spares = [_shared(a, b)[2] for a, b in combinations(firsts, 2)]
    return [s for s in spares if s >= FEWEST_SHARED]


def _tied(groups: Sequence[Group], told: dict[int, _Prints], df: float) -> Tied:
    members = tuple(j for g in groups for j in g.members)
    which = [i for i, g in enumerate(groups) for _ in g.members]
    k = len(members)
    inside, across = np.eye(k), np.zeros((k, k))
    start = 0
    for g in groups:
        end = start + len(g.members)
        inside[start:end, start:end] = g.correlation
        start = end
    for i, j in combinations(range(k), 2):
        if which[i] != which[j]:
            across[i, j] = across[j, i] = _correlation(told[members[i]], told[members[j]])
    names = list(dict.fromkeys(run for j in members for run in told[j].runs))
    return Tied(
        members,
        fitting_together(inside, across),
        df,
        np.array([told[j].sd for j in members]),
        tuple(_spread_out(told[j], names) for j in members),
    )


def _correlation(a: _Prints, b: _Prints) -> float:
    mine, theirs, spare = _shared(a, b)
    if spare < FEWEST_SHARED:
        return 0.0
    found = float(a.missed[mine] @ b.missed[theirs]) / spare / (a.sd * b.sd)
    return float(np.clip(found, -1.0, 1.0))


def fitting_together(inside: FloatArray, across: FloatArray) -> FloatArray:
    """Draw correlations across groups in until all of them fit together (no negative eigenvalue)."""
    low, high = 0.0, 1.0
    if np.linalg.eigvalsh(inside + across)[0] >= -1e-9:
        return inside + across
    for _ in range(40):
        middle = (low + high) / 2
        fits = np.linalg.eigvalsh(inside + middle * across)[0] >= 0
        low, high = (middle, high) if fits else (low, middle)
    return inside + low * across


def _spread_out(prints: _Prints, names: Sequence[str]) -> FloatArray:
    place = {run: i for i, run in enumerate(names)}
    found = np.zeros((len(prints.influence), len(names)))
    found[:, [place[run] for run in prints.runs]] = prints.influence
    return found


def _root(matrix: FloatArray) -> FloatArray:
    """Give the symmetric root of a covariance."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)
