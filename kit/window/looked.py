"""The printable settings with everything computed on them: the chance at home and, where asked for, elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from kit.model.surface import Surface
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.choice import (
    BoolArray,
    climb,
)
from kit.window.printers import Lines, average_chance, lay_lines
from kit.window.probability import Forecast, chance_to_meet, forecast, with_limits
from kit.window.settable import LARGEST_GRID, PrintableGrid, printable_grid

Progress = Callable[[float, str], None]


CHUNK = 20_000


FIRST_LOOK = 20_000
"""Size of the coarse grid from which the best setting is sought where the full grid is too large."""


@dataclass(frozen=True)
class Looked:
    """The grid with everything computed on it."""

    surfaces: Mapping[str, Surface]
    study: Study
    grid: PrintableGrid
    forecast: Forecast
    probability: FloatArray
    home: FloatArray
    lines: Lines | None = None
    extended: Forecast | None = None

    @property
    def good(self) -> BoolArray:
        """Settings whose chance reaches the confidence, shape (m,)."""
        return np.asarray(self.probability >= self.study.window.confidence)

    def is_good(self, coded: FloatArray) -> BoolArray:
        """Tell which settings reach the confidence."""
        return np.asarray(self.chance(coded) >= self.study.window.confidence)

    def chance(self, coded: FloatArray) -> FloatArray:
        """Give the chance that counts: at home, or averaged over other printers."""
        return _chance_at(self.surfaces, self.study)(coded)

    @property
    def joint(self) -> bool:
        """Whether all responses that are measured are judged together."""
        return len(self.forecast.measured_units) <= 1

    @property
    def correlation(self) -> FloatArray | None:
        """Correlation of what a print misses the surfaces by, in the order of the responses; None unless joint."""
        found = self.forecast
        mine = [u for u in found.together if found.names[u.members[0]] not in found.outcomes]
        if len(mine) != 1 or len(mine[0].members) < 2:
            return None
        order = np.argsort(mine[0].members)
        return np.asarray(mine[0].prints_correlation[np.ix_(order, order)])


def silent(share: float, doing: str) -> None:
    """Tell nobody."""


def look(surfaces: Mapping[str, Surface], study: Study, tell: Progress) -> Looked:
    """Lay out the grid and compute the chance everywhere on it."""
    tell(0.0, "laying out printable settings")
    grid = printable_grid(surfaces, study, largest=LARGEST_GRID)
    if grid.is_thinned and len(grid.index) and with_limits(surfaces):
        grid = _refined(surfaces, study, grid)
    foretold = forecast(surfaces, grid.coded)
    probability = np.full(len(grid.index), np.nan)
    if foretold.names:
        for start in range(0, len(probability), CHUNK):
            rows = np.arange(start, min(start + CHUNK, len(probability)))
            tell(
                0.05 + 0.65 * start / len(probability),
                "computing the chance to meet every requirement",
            )
            probability[rows] = foretold.take(rows).chance()
    looked = Looked(surfaces, study, grid, foretold, probability, probability)
    return _averaged(looked, tell) if study.window.other_printers and foretold.names else looked


def _averaged(looked: Looked, tell: Progress) -> Looked:
    """Put the average over other printers in place of the chance at home."""
    lines = lay_lines(looked.surfaces, looked.study, looked.grid.coded)
    if lines is None:
        return looked
    tell(0.5, "averaging over other printers")
    extended = forecast(looked.surfaces, lines.coded)
    parts = np.array_split(np.arange(len(lines.coded)), max(1, len(lines.coded) // CHUNK))
    chances = np.concatenate([extended.take(rows).chance() for rows in parts])
    average = lines.average(chances)
    return replace(looked, probability=average, lines=lines, extended=extended)


def _chance_at(surfaces: Mapping[str, Surface], study: Study) -> Callable[[FloatArray], FloatArray]:
    if study.window.other_printers:
        return partial(average_chance, surfaces, study)
    return partial(chance_to_meet, surfaces)


def _refined(surfaces: Mapping[str, Surface], study: Study, grid: PrintableGrid) -> PrintableGrid:
    """Make the thinned grid hold the best setting that full steps can find."""
    chance = _chance_at(surfaces, study)
    coarse = printable_grid(surfaces, study, largest=FIRST_LOOK) if grid.is_product else grid
    coarse = coarse if len(coarse.index) else grid
    best = coarse.index[int(chance(coarse.coded).argmax())]
    found = climb(coarse, best, chance)
    if grid.is_product:
        return printable_grid(surfaces, study, largest=LARGEST_GRID, keep=found)
    return replace(grid, index=np.unique(np.vstack([grid.index, found]), axis=0))
