"""Where runs may lie: the settable levels of every factor, cut by limits.

A run is one row of coded numbers; a category holds its level number. Everything the optimal designs
need to know of the printer and of the user's limits stands in one `Region`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from kit.errors import DesignError
from kit.terms import FloatArray

IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

Terms = Sequence[Sequence[int]] | IntArray
"""A model: one whole number a factor in every term, see `kit.design.basis`."""

MOST_LISTED = 250_000
"""Settable points that are still listed one by one; larger regions are sampled."""

_SLACK = 1e-9
_ENOUGH_DRAWS = 2_000_000


@dataclass(frozen=True, eq=False)
class Region:
    """The settable points, and which of them are allowed.

    Parameters
    ----------
    grids : sequence
        One entry a factor: the coded values that can be set (array, at least two different ones),
        or for a category its number of levels (int, at least 2).
    limits : tuple (A, b), optional
        Linear limits ``A @ run <= b`` in coded units, shapes (m, k) and (m,).
    allowed : callable, optional
        Takes runs, shape (n, k), gives a boolean array, shape (n,): what the printer can do.
    names : sequence of str, optional
        Names of the factors for messages; default x1, x2, ...

    Raises
    ------
    DesignError
        If a grid is empty, has only one level or is not finite, or the limits have the wrong shape.

    Examples
    --------
    Two factors in 21 steps, cut by x1 + x2 <= 0.5:

    >>> region = Region([np.linspace(-1, 1, 21)] * 2, limits=([[1.0, 1.0]], [0.5]))
    >>> region.permits(np.array([[0.0, 0.5], [1.0, 0.0]])).tolist()
    [True, False]
    """

    grids: Sequence[Any]
    limits: tuple[Any, Any] | None = None
    allowed: Callable[[FloatArray], Any] | None = None
    names: Sequence[str] = ()
    is_category: BoolArray = field(init=False)
    levels: tuple[FloatArray, ...] = field(init=False)

    def __post_init__(self) -> None:
        """Check the parts and bring them into one form.

        Raises
        ------
        DesignError
            As the class says.
        """
        names = tuple(self.names) or tuple(f"x{j + 1}" for j in range(len(self.grids)))
        if len(names) != len(self.grids):
            raise DesignError(f"{len(names)} names for {len(self.grids)} factors; give one each.")
        categories = [isinstance(g, int | np.integer) for g in self.grids]
        levels = tuple(map(_levels, self.grids, names))
        object.__setattr__(self, "names", names)
        object.__setattr__(self, "is_category", np.array(categories, dtype=bool))
        object.__setattr__(self, "levels", levels)
        if self.limits is not None:
            object.__setattr__(self, "limits", _limits(self.limits, len(levels)))

    @property
    def k(self) -> int:
        """Number of factors."""
        return len(self.levels)

    @property
    def counts(self) -> IntArray:
        """Number of settable levels of each factor, shape (k,)."""
        return np.array([len(v) for v in self.levels], dtype=np.intp)

    @property
    def size(self) -> int:
        """Number of settable points before limits (a Python integer; it may be huge)."""
        return int(np.prod([len(v) for v in self.levels], dtype=object))

    @property
    def is_cut(self) -> bool:
        """Whether any limit applies beyond the grids."""
        return self.limits is not None or self.allowed is not None

    def permits(self, runs: FloatArray) -> BoolArray:
        """Say which runs are allowed.

        Parameters
        ----------
        runs : array, shape (..., k)
            Coded runs.

        Returns
        -------
        array of bool, shape (...)
            True where every limit is met.

        Raises
        ------
        DesignError
            If the ``allowed`` callable gives anything but one value a run.
        """
        runs = np.asarray(runs, dtype=float)
        flat = runs.reshape(-1, self.k)
        mask = np.ones(len(flat), dtype=bool)
        if self.limits is not None:
            A, b = self.limits
            mask &= (flat @ A.T <= b + _SLACK).all(axis=1)
        if self.allowed is not None and mask.any():
            answer = np.asarray(self.allowed(flat[mask]))
            if answer.shape != (int(mask.sum()),):
                raise DesignError(
                    f"allowed() gave shape {answer.shape} for {int(mask.sum())} runs; "
                    "it must give one true or false a run."
                )
            mask[mask] = answer.astype(bool)
        return mask.reshape(runs.shape[:-1])

    def values(self, index: IntArray) -> FloatArray:
        """Turn level numbers, shape (..., k), into coded values of the same shape."""
        return np.stack([self.levels[j][index[..., j]] for j in range(self.k)], axis=-1)

    @cached_property
    def table(self) -> BoolArray | None:
        """Whether each settable point is allowed, shape (counts); None when there are too many."""
        if self.size > MOST_LISTED:
            return None
        index = np.indices(tuple(self.counts)).reshape(self.k, -1).T
        return self.permits(self.values(index)).reshape(tuple(self.counts))

    def permits_index(self, index: IntArray) -> BoolArray:
        """Say which runs, given as level numbers, shape (..., k), are allowed."""
        if self.table is None:
            return self.permits(self.values(index))
        mask: BoolArray = self.table[tuple(np.moveaxis(index, -1, 0))]
        return mask

    def sample(self, m: int, rng: np.random.Generator) -> IntArray:
        """Draw allowed settable points, each equally likely.

        Parameters
        ----------
        m : int
            Number of points.
        rng : Generator
            Source of chance.

        Returns
        -------
        array of int, shape (m, k)
            Level numbers.

        Raises
        ------
        DesignError
            If no settable point is allowed.
        """
        if not self.is_cut:
            return rng.integers(0, self.counts, size=(m, self.k), dtype=np.intp)
        if self.table is not None:
            places = np.flatnonzero(self.table)
            if not places.size:
                raise self._infeasible()
            drawn = rng.choice(places, size=m)
            return np.stack(np.unravel_index(drawn, self.table.shape), axis=-1).astype(np.intp)
        return self._rejection(m, rng)

    def _rejection(self, m: int, rng: np.random.Generator) -> IntArray:
        """Draw from the whole grid and keep what is allowed."""
        kept: list[IntArray] = []
        have, drawn, size = 0, 0, max(1024, 2 * m)
        while have < m and drawn < _ENOUGH_DRAWS:
            index = rng.integers(0, self.counts, size=(size, self.k), dtype=np.intp)
            good = index[self.permits(self.values(index))]
            kept.append(good)
            have, drawn = have + len(good), drawn + size
            size = min(4 * size, 200_000)
        if not have:
            raise self._infeasible()
        found = np.concatenate(kept)
        return found[:m] if have >= m else found[rng.integers(0, have, size=m)]

    def _infeasible(self) -> DesignError:
        return DesignError(
            "No settable run meets all limits (tried "
            + ("every one of them" if self.table is not None else f"{_ENOUGH_DRAWS} at random")
            + "). Loosen a limit, widen the range of a factor, or set finer steps."
        )

    def spread(self, counts: Sequence[int]) -> list[IntArray]:
        """Give evenly spread level numbers, ends included, at most ``counts[j]`` of factor j.

        A category keeps all its levels.

        Parameters
        ----------
        counts : sequence of int, shape (k,)
            Most levels of each factor.

        Returns
        -------
        list of array of int
            Level numbers of each factor.
        """
        chosen = []
        for have, want, category in zip(self.counts, counts, self.is_category, strict=True):
            if category or want >= have:
                chosen.append(np.arange(have, dtype=np.intp))
            else:
                chosen.append(np.unique(np.round(np.linspace(0, have - 1, want)).astype(np.intp)))
        return chosen


def _levels(grid: Any, name: str) -> FloatArray:  # noqa: ANN401 - an array or a whole number
    if isinstance(grid, int | np.integer):
        if grid < 2:
            raise DesignError(f"{name} has {grid} level: a category needs at least 2.")
        return np.arange(int(grid), dtype=float)
    values = np.unique(np.asarray(grid, dtype=float))
    if values.size < 2 or not np.isfinite(values).all():
        raise DesignError(
            f"{name} cannot move: its settable values are {values.tolist()}. "
            "Give at least two, or take it out of the factors."
        )
    return values


def _limits(limits: tuple[Any, Any], k: int) -> tuple[FloatArray, FloatArray]:
    A, b = np.atleast_2d(np.asarray(limits[0], dtype=float)), np.asarray(limits[1], dtype=float)
    b = np.atleast_1d(b)
    if A.shape != (len(b), k):
        raise DesignError(
            f"limits A has shape {A.shape}, b {b.shape}; for {k} factors and "
            f"{len(b)} limits A must be ({len(b)}, {k})."
        )
    return A, b
