"""Where an adopter's prints tell most of the thermometer difference."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from kit.model.surface import Surface
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.printers import nozzle_place, offset_sd
from kit.window.result import Setting
from kit.window.settable import PrintableGrid, printable_grid

CANDIDATES = 240
"""Settings among which prints are placed."""


def place_prints(
    surfaces: Mapping[str, Surface],
    study: Study,
    prints: int,
    *,
    first: Mapping[str, Setting] | None = None,
    printed: FloatArray | None = None,
    middle: float = 0.0,
    sd: float | None = None,
) -> tuple[list[dict[str, Setting]], float]:
    """Place prints where they tell most of the thermometer difference.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        The donor's.
    study : Study
        The adopter's assumptions, in the donor's coding.
    prints : int
        How many.
    first : mapping of factor name to setting, optional
        Settings that one of them must have: the donor's recommended ones, which tell at once whether they hold.
    printed : array, shape (n, n_factors), optional
        Coded settings printed before.
    middle, sd : float
        What is believed of the difference, degC; at first 0 and the SD of thermometers.

    Returns
    -------
    settings : list of dict
    expected_sd : float
        Doubt of the difference that is expected then, degC.

    Notes
    -----
    Straight-line approximation at three likely differences: a print tells of d by the slope of each response along the
    temperature and of the biases by 1, with the scatter of prints and the doubt of the surface as noise. The prints
    that leave the least variance of d are chosen one after the other, then exchanged one by one until none helps.
    """
    spread = offset_sd(study) if sd is None else sd
    grid = _inner_grid(surfaces, study, spread, middle)
    criterion = _Doubt(surfaces, study, grid.coded, spread, middle, printed)
    chosen: list[int] = []
    if first is not None:
        chosen.append(
            _nearest(grid, study.coding.code({n: [first[n]] for n in study.coding.names})[0])
        )
    fixed = len(chosen)
    while len(chosen) < prints:
        chosen.append(int(np.argmin(criterion.with_each(chosen))))
    for _ in range(10):
        before = list(chosen)
        for i in range(fixed, len(chosen)):
            rest = chosen[:i] + chosen[i + 1 :]
            chosen[i] = int(np.argmin(criterion.with_each(rest)))
        if chosen == before:
            break
    settings = [grid.setting(grid.index[i]) for i in chosen]
    if first is not None and settings:
        settings[0] = dict(first)
    return settings, float(np.sqrt(criterion.of(chosen)))


def _inner_grid(
    surfaces: Mapping[str, Surface], study: Study, sd: float, middle: float
) -> PrintableGrid:
    """Give settings from which a likely difference does not lead outside of what was tried, where there are any."""
    grid = printable_grid(surfaces, study, largest=CANDIDATES * 4)
    place = nozzle_place(study)
    assert place is not None
    half = study.factors[place].coded.half_range
    inside = np.ones(len(grid.index), dtype=bool)
    for shift in (middle - sd, middle + sd):
        moved = grid.coded.copy()
        moved[:, place] += shift / half
        for s in surfaces.values():
            inside &= s.tried.contains(moved)
    index = grid.index[inside] if inside.sum() >= 2 else grid.index
    if len(index) > CANDIDATES:
        index = index[np.linspace(0, len(index) - 1, CANDIDATES).round().astype(int)]
    return PrintableGrid(grid.coding, grid.axes, grid.kept, index, grid.allowed, is_product=False)


def _nearest(grid: PrintableGrid, coded: FloatArray) -> int:
    return int(np.abs(grid.coded - coded).sum(axis=1).argmin())


class _Doubt:
    """Variance of the thermometer difference that prints at some settings are expected to leave."""

    def __init__(
        self,
        surfaces: Mapping[str, Surface],
        study: Study,
        coded: FloatArray,
        sd: float,
        middle: float,
        printed: FloatArray | None,
    ) -> None:
        place = nozzle_place(study)
        assert place is not None
        half = study.factors[place].coded.half_range
        self._prior = np.diag(
            [1 / sd**2]
            + [1 / max(study.adopt.bias**2 * s.residual_variance, 1e-12) for s in surfaces.values()]
        )
        self._each = [
            self._information(surfaces, coded, place, half, middle + z * sd)
            for z in (-1.0, 0.0, 1.0)
        ]
        past = np.empty((0, coded.shape[1])) if printed is None else printed
        self._past = [
            self._information(surfaces, past, place, half, middle + z * sd).sum(axis=0)
            + self._prior
            for z in (-1.0, 0.0, 1.0)
        ]

    @staticmethod
    def _information(
        surfaces: Mapping[str, Surface], coded: FloatArray, place: int, half: float, shift: float
    ) -> FloatArray:
        """Give the information of one print at each setting on (d, biases), shape (m, 1 + q, 1 + q)."""
        q = len(surfaces)
        found = np.zeros((len(coded), 1 + q, 1 + q))
        ends = [coded.copy(), coded.copy()]
        for moved, step in zip(ends, (-0.5, 0.5), strict=True):
            moved[:, place] += (shift + step) / half
        for j, s in enumerate(surfaces.values()):
            slope = s.mean(ends[1]) - s.mean(ends[0])
            rows = s.rows(coded)
            noise = s.residual_variance + np.sum((rows @ s.covariance) * rows, axis=1)
            direction = np.zeros((len(coded), 1 + q))
            direction[:, 0], direction[:, 1 + j] = slope, 1.0
            found += (
                direction[:, :, None]
                * direction[:, None, :]
                / np.maximum(noise, 1e-300)[:, None, None]
            )
        return found

    def with_each(self, chosen: list[int]) -> FloatArray:
        """Give the variance left by the chosen settings and each further one."""
        total = np.zeros(len(self._each[0]))
        for each, past in zip(self._each, self._past, strict=True):
            base = past + each[chosen].sum(axis=0)
            total += np.linalg.inv(base + each)[:, 0, 0]
        return total / len(self._each)

    def of(self, chosen: list[int]) -> float:
        """Give the variance left by the chosen settings."""
        left = [
            np.linalg.inv(past + each[chosen].sum(axis=0))[0, 0]
            for each, past in zip(self._each, self._past, strict=True)
        ]
        return float(np.mean(left))
