"""The terms of a model on the settable grid, in the neutral form that the optimal designs use.

A term is a tuple with one whole number a factor: the power of a continuous factor, or for a category
the number of the level whose indicator enters (0: the factor does not enter; level 0 is the
reference). So ``(1, 0, 2)`` is x1 times x3 squared if x3 is continuous, or x1 on level 2 of x3.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from kit.design.region import IntArray, Region, Terms
from kit.errors import DesignError
from kit.terms import Coding, FloatArray, Term


def term_numbers(coding: Coding, terms: Sequence[Term]) -> list[tuple[int, ...]]:
    """Turn the floor's terms into tuples of whole numbers.

    Parameters
    ----------
    coding : Coding
        The factors, in order.
    terms : sequence of Term
        The model.

    Returns
    -------
    list of tuple of int
        One tuple a term, one number a factor.

    Examples
    --------
    >>> from kit.terms import CodedFactor, expand_terms
    >>> coding = Coding((CodedFactor("nozzle"), CodedFactor("spool", levels=("white", "pink"))))
    >>> term_numbers(coding, expand_terms(coding, "second_order"))
    [(0, 0), (1, 0), (0, 1), (1, 1), (2, 0)]
    """
    numbers = []
    for term in terms:
        powers, levels = dict(term.powers), dict(term.levels)
        numbers.append(
            tuple(
                f.levels.index(levels[f.name]) if f.name in levels else powers.get(f.name, 0)
                for f in coding.factors
            )
        )
    return numbers


def polynomial_terms(region: Region, order: str = "second_order") -> list[tuple[int, ...]]:
    """List the terms of a usual model.

    Parameters
    ----------
    region : Region
        Says which factors are categories, and of how many levels.
    order : {"main", "interactions", "second_order"}
        The family.

    Returns
    -------
    list of tuple of int
        Intercept, main effects, two-factor terms, squares.

    Raises
    ------
    DesignError
        If the family is unknown.

    Examples
    --------
    >>> polynomial_terms(Region([[-1, 0, 1], [-1, 0, 1]]))
    [(0, 0), (1, 0), (0, 1), (1, 1), (2, 0), (0, 2)]
    """
    if order not in ("main", "interactions", "second_order"):
        raise DesignError(f"terms {order!r} unknown; use main, interactions or second_order.")
    k = region.k
    single = [
        [_unit(k, {j: level}) for level in range(1, len(region.levels[j]) if category else 2)]
        for j, category in enumerate(region.is_category)
    ]
    terms = [(0,) * k, *(t for group in single for t in group)]
    if order != "main":
        for a, b in combinations(range(k), 2):
            terms += [tuple(np.add(s, t).tolist()) for s in single[a] for t in single[b]]
    if order == "second_order":
        terms += [_unit(k, {j: 2}) for j in range(k) if not region.is_category[j]]
    return terms


def _unit(k: int, entries: dict[int, int]) -> tuple[int, ...]:
    return tuple(entries.get(j, 0) for j in range(k))


class Basis:
    """Model rows on a grid, quickly: every factor contributes one looked-up number to a term.

    Parameters
    ----------
    region : Region
        The settable grid.
    terms : sequence of tuple of int, shape (p, k)
        The model, see the module's first lines.
    extra : array, shape (m, k), optional
        Runs that are not on the grid (already printed); their values join the tables as levels
        beyond the settable ones, so that every run can be given by level numbers.

    Raises
    ------
    DesignError
        If a term does not fit the factors, or terms repeat.

    Attributes
    ----------
    E : array of int, shape (p, k)
        The terms.
    levels : tuple of array
        Settable values of each factor, then the extra ones.
    tables : tuple of array, shape (levels, functions)
        1, x, x^2, ... of a continuous factor; 1 and the indicators of a category.
    """

    def __init__(self, region: Region, terms: Terms, extra: FloatArray | None = None) -> None:
        self.region = region
        self.E = _check_terms(region, terms)
        self.levels = tuple(
            _join(region.levels[j], None if extra is None else extra[:, j]) for j in range(region.k)
        )
        self.tables = tuple(self._table(j) for j in range(region.k))
        self._factors = tuple(t[:, e] for t, e in zip(self.tables, self.E.T, strict=True))

    @property
    def p(self) -> int:
        """Number of terms."""
        return len(self.E)

    def _table(self, j: int) -> FloatArray:
        values = self.levels[j][:, None]
        if self.region.is_category[j]:
            count = len(self.region.levels[j])
            return np.hstack([np.ones_like(values), values == np.arange(1, count)]).astype(float)
        powers: FloatArray = values ** np.arange(self.E[:, j].max() + 1)
        return powers

    def factor(self, j: int) -> FloatArray:
        """Give factor j's share in every term at each level, shape (levels, p)."""
        return self._factors[j]

    def number(self, runs: FloatArray) -> IntArray:
        """Give the level numbers of runs, shape (m, k), whose values all stand in the tables."""
        columns = [np.searchsorted(np.sort(v), runs[:, j]) for j, v in enumerate(self.levels)]
        order = [np.argsort(v, kind="stable") for v in self.levels]
        return np.stack([o[c] for o, c in zip(order, columns, strict=True)], axis=-1)

    def values(self, index: IntArray) -> FloatArray:
        """Turn level numbers, shape (..., k), into coded values."""
        return np.stack([v[index[..., j]] for j, v in enumerate(self.levels)], axis=-1)

    def rows(self, index: IntArray) -> FloatArray:
        """Give the model rows, shape (..., p), of runs given as level numbers, shape (..., k)."""
        rows = self._factors[0][index[..., 0]]
        for j in range(1, self.region.k):
            rows = rows * self._factors[j][index[..., j]]
        return rows

    def term_name(self, t: int) -> str:
        """Name a term for a message, such as ``nozzle:speed`` or ``nozzle^2``."""
        parts = []
        for name, e, category in zip(
            self.region.names, self.E[t], self.region.is_category, strict=True
        ):
            if e:
                parts.append(f"{name}={e}" if category else name if e == 1 else f"{name}^{e}")
        return ":".join(parts) or "intercept"


def _join(settable: FloatArray, extra: FloatArray | None) -> FloatArray:
    if extra is None:
        return settable
    return np.concatenate([settable, np.setdiff1d(extra, settable)])


def _check_terms(region: Region, terms: Terms) -> IntArray:
    E = np.asarray(terms, dtype=np.intp)
    if E.ndim != 2 or E.shape[1] != region.k or not len(E):
        raise DesignError(
            f"terms have shape {E.shape}; give one tuple a term with {region.k} numbers, one a factor."
        )
    top = np.where(region.is_category, region.counts - 1, np.iinfo(np.intp).max)
    if (E < 0).any() or (top < E).any():
        raise DesignError("a term has a negative power or a level number that its category lacks.")
    if len(np.unique(E, axis=0)) != len(E):
        raise DesignError("the same term is given twice; give each once.")
    return E
