"""Slope and bend of a second-order surface in its scaled factors, with their uncertainty.

Both are linear in the coefficients, so each is kept as the matrix that makes it from them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np

from kit.model.surface import Surface
from kit.terms import FloatArray, Term


@dataclass(frozen=True)
class SecondOrder:
    """The surface value + x'slope + x'bend x at fixed levels of the categories.

    Attributes
    ----------
    surface : Surface
    levels : mapping of category to level
    slope_rows : array, shape (k, p)
        slope = slope_rows @ coefficients.
    bend_rows : array, shape (k, k, p)
        bend = bend_rows @ coefficients, symmetric.
    """

    surface: Surface
    levels: Mapping[str, str]
    slope_rows: FloatArray
    bend_rows: FloatArray

    @property
    def slope(self) -> FloatArray:
        """Slope at the middle, shape (k,)."""
        return np.asarray(self.slope_rows @ self.surface.coefficients)

    @property
    def bend(self) -> FloatArray:
        """Second-order matrix, shape (k, k)."""
        return np.asarray(self.bend_rows @ self.surface.coefficients)

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the surface's coefficients, shape (p, p)."""
        return self.surface.covariance

    def gradient_rows(self, x: FloatArray) -> FloatArray:
        """Give the matrices, shape (m, k, p), that make the slope at coded x, shape (m, k).

        Returns
        -------
        array, shape (m, k, p)
        """
        return np.asarray(
            self.slope_rows + 2 * np.einsum("jip,mi->mjp", self.bend_rows, np.atleast_2d(x))
        )

    def full(self, x: FloatArray) -> FloatArray:
        """Put the levels beside coded scaled factors: shape (m, k) to (m, n_factors).

        Returns
        -------
        array, shape (m, n_factors)
        """
        x = np.atleast_2d(x)
        columns, place = [], 0
        for factor in self.surface.coding.factors:
            if factor.is_category:
                columns.append(
                    np.full(len(x), float(factor.levels.index(self.levels[factor.name])))
                )
            else:
                columns.append(x[:, place])
                place += 1
        return np.column_stack(columns)


def second_order(surface: Surface, levels: Mapping[str, str] | None = None) -> SecondOrder | None:
    """Give slope and bend at some levels of the categories, by default the reference levels.

    Returns
    -------
    SecondOrder or None
        None when the model has no scaled factor, or terms above second order in them.

    Raises
    ------
    ValueError
        If a level is unknown.
    """
    chosen = {f.name: f.levels[0] for f in surface.coding.categories} | dict(levels or {})
    for factor in surface.coding.categories:
        if chosen[factor.name] not in factor.levels:
            raise ValueError(f"{factor.name}: unknown level {chosen[factor.name]!r}.")
    names = [f.name for f in surface.coding.continuous]
    k, p = len(names), len(surface.coefficients)
    slope, bend = np.zeros((k, p)), np.zeros((k, k, p))
    for column, term in enumerate(surface.terms):
        if not _present(term, chosen):
            continue
        places = [names.index(name) for name, power in term.powers for _ in range(power)]
        if len(places) > 2:
            return None
        if len(places) == 1:
            slope[places[0], column] = 1
        elif len(places) == 2:
            bend[places[0], places[1], column] += 0.5
            bend[places[1], places[0], column] += 0.5
    return SecondOrder(surface, chosen, slope, bend) if k else None


def level_choices(surface: Surface) -> list[dict[str, str]]:
    """List the level combinations at which slope or bend differ; one where no category matters to them.

    Returns
    -------
    list of dict
    """
    acting = {name for t in surface.terms if t.powers for name, _ in t.levels}
    categories = [f for f in surface.coding.categories if f.name in acting]
    return [
        dict(zip([f.name for f in categories], choice, strict=True))
        for choice in product(*(f.levels for f in categories))
    ]


def _present(term: Term, levels: Mapping[str, str]) -> bool:
    return all(levels[name] == level for name, level in term.levels)
