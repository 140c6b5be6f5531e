"""Other printers: what becomes of the chance when their thermometers read differently from this one's.

A printer set to the same temperature runs hotter or colder by the difference of the two thermometers. The chance is
averaged over that difference; where it would carry the nozzle outside what was tried, nobody knows, and it counts
as not met.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from kit.model.surface import Surface
from kit.model.tried import HULL_DIMENSIONS
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.probability import Forecast, forecast

IntArray = npt.NDArray[np.intp]
Chance = Callable[[Forecast], FloatArray]

WITHIN = 1.96
"""The stated offset holds 95 % of printers: so many standard deviations of a normal distribution."""

NODES = 41
"""Settings along a line of temperatures at which the chance is computed; it is smooth, so few do."""

FINE = 200
"""Places at which it is then interpolated, on the probit scale, and integrated (Gauss-Legendre)."""

FARTHEST = 8.0
"""Probits are cut here: beyond 1e-15 a chance is 0 or 1."""

HALVINGS = 20, 6
"""Steps to find where a line leaves the tried region; fewer where each step costs a linear programme a line."""


def nozzle_place(study: Study) -> int | None:
    """Give the place of the nozzle temperature among the factors; None where it is none of them."""
    return next((i for i, f in enumerate(study.factors) if f.kind == "nozzle_temperature"), None)


def offset_sd(study: Study) -> float:
    """Give the standard deviation of thermometer differences between printers, degC."""
    return study.printer.thermometer_offset / WITHIN


@dataclass(frozen=True)
class Lines:
    """Coded settings sorted into lines along the nozzle temperature.

    Attributes
    ----------
    study : Study
    place : int
        Of the nozzle temperature among the factors.
    line : array of int, shape (m,)
        Line of each setting.
    at : array, shape (m,)
        Coded nozzle temperature of each setting.
    ends : array, shape (n_lines, 2)
        Coded temperatures between which the line lies in the tried region of every response.
    coded : array, shape (n_lines * NODES, n_factors)
        The nodes: evenly spaced along each line, ends included.
    """

    study: Study
    place: int
    line: IntArray
    at: FloatArray
    ends: FloatArray
    coded: FloatArray

    @property
    def sd(self) -> float:
        """Standard deviation of the thermometer differences in coded units."""
        return offset_sd(self.study) / self.study.factors[self.place].coded.half_range

    def average(self, chances: FloatArray) -> FloatArray:
        """Average chances at the nodes over thermometer differences.

        Parameters
        ----------
        chances : array, shape (n_lines * NODES,)
            At ``coded``.

        Returns
        -------
        array, shape (m,)
            One a setting; the part of the differences that leads outside the tried region counts 0.
        """
        probits = special.ndtri(chances.reshape(-1, NODES))
        probits = np.clip(np.nan_to_num(probits, nan=-FARTHEST), -FARTHEST, FARTHEST)
        kinds, kind = np.unique(self.ends.round(9), axis=0, return_inverse=True)
        kind = kind.ravel()
        result = np.empty(len(self.line))
        for number, (low, high) in enumerate(kinds):
            rows = np.flatnonzero(kind[self.line] == number)
            lines, mine = np.unique(self.line[rows], return_inverse=True)
            places, which = np.unique(self.at[rows].round(12), return_inverse=True)
            between, weights = _weights(float(low), float(high), places, self.sd)
            fine = special.ndtr(probits[lines] @ between.T)
            result[rows] = (fine @ weights.T)[mine.ravel(), which.ravel()]
        return result

    def along(self, chances: FloatArray, row: int) -> tuple[FloatArray, FloatArray]:
        """Give differences of thermometers (degC) and the chance under each, for one setting.

        Returns
        -------
        differences, chances : array, shape (n,)
            Over the whole span that was tried, from cold to hot.
        """
        line = self.line[row]
        low, high = self.ends[line]
        probits = special.ndtri(chances.reshape(-1, NODES)[line])
        probits = np.clip(np.nan_to_num(probits, nan=-FARTHEST), -FARTHEST, FARTHEST)
        t = np.linspace(low, high, 20 * (NODES - 1) + 1)
        values = special.ndtr(_between(np.linspace(-1, 1, len(t))) @ probits)
        half = self.study.factors[self.place].coded.half_range
        return (t - self.at[row]) * half, values


def lay_lines(surfaces: Mapping[str, Surface], study: Study, coded: FloatArray) -> Lines | None:
    """Sort settings into lines along the nozzle temperature and lay nodes on each.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        Their tried regions count; limits of the plan do not, since another printer keeps them by what it
        indicates.
    study : Study
        Which factor is the nozzle temperature.
    coded : array, shape (m, n_factors)
        Settings inside the tried region.

    Returns
    -------
    Lines or None
        None without a nozzle temperature among the factors, or without settings.
    """
    place = nozzle_place(study)
    if place is None or not len(coded):
        return None
    others = np.delete(coded, place, axis=1).round(12)
    _, first, line = np.unique(others, axis=0, return_index=True, return_inverse=True)
    line = line.ravel()
    ends = _ends(surfaces, coded, line, first, place)
    along = np.linspace(0.0, 1.0, NODES)
    nodes = np.repeat(coded[first], NODES, axis=0)
    nodes[:, place] = (ends[:, :1] + (ends[:, 1:] - ends[:, :1]) * along).ravel()
    return Lines(study, place, line, coded[:, place], ends, nodes)


def _ends(
    surfaces: Mapping[str, Surface],
    coded: FloatArray,
    line: IntArray,
    first: IntArray,
    place: int,
) -> FloatArray:
    """Find where each line enters and leaves the tried region (convex, so between is inside)."""
    count = len(first)
    inner = np.column_stack([np.full(count, np.inf), np.full(count, -np.inf)])
    np.minimum.at(inner[:, 0], line, coded[:, place])
    np.maximum.at(inner[:, 1], line, coded[:, place])
    regions = [s.tried for s in surfaces.values()]
    outer = (
        max(r.points[:, place].min() for r in regions),
        min(r.points[:, place].max() for r in regions),
    )
    scales = len(regions[0].coding.continuous)
    steps = HALVINGS[0] if scales <= HULL_DIMENSIONS else HALVINGS[1]
    distinct = [
        r
        for i, r in enumerate(regions)
        if not any(np.array_equal(r.points, q.points) for q in regions[:i])
    ]
    for side, limit in enumerate(outer):
        inside, outside = inner[:, side].copy(), np.full(count, limit)
        open_ = np.abs(inside - outside) > 1e-9
        if not open_.any():
            continue
        tried = coded[first].copy()
        tried[:, place] = outside
        reached = open_ & _in_all(distinct, tried)
        inside[reached] = limit
        open_ &= ~reached
        for _ in range(steps if open_.any() else 0):
            rows = np.flatnonzero(open_)
            middle = (inside[rows] + outside[rows]) / 2
            tried[rows, place] = middle
            good = _in_all(distinct, tried[rows])
            inside[rows[good]], outside[rows[~good]] = middle[good], middle[~good]
        inner[:, side] = inside
    return inner


def _in_all(regions: list, coded: FloatArray) -> npt.NDArray[np.bool_]:  # type: ignore[type-arg]
    inside = np.ones(len(coded), dtype=bool)
    for region in regions:
        inside &= region.contains(coded)
    return inside


def _weights(
    low: float, high: float, places: FloatArray, sd: float
) -> tuple[FloatArray, FloatArray]:
    """Give the interpolation from nodes to fine places, and the weight of each fine place a setting.

    Returns
    -------
    between : array, shape (n_fine, NODES)
    weights : array, shape (n_places, n_fine)
    """
    width = high - low
    if width <= 0 or sd <= 0:
        # A line of one temperature: no other printer is sure to run there; without differences all are.
        t = 2 * (places - low) / width - 1 if width > 0 else np.zeros(len(places))
        return _between(t), np.eye(len(places)) * (1.0 if sd <= 0 else 0.0)
    count = int(np.clip(2.5 * width / sd, FINE, 4000))
    x, w = _gauss(count)
    t = low + width * (x + 1) / 2
    z = (t[None, :] - places[:, None]) / sd
    weights = w * width / 2 * np.exp(-0.5 * z * z) / (sd * np.sqrt(2 * np.pi))
    return _between(x), weights


_RULES: dict[int, tuple[FloatArray, FloatArray]] = {}


def _gauss(count: int) -> tuple[FloatArray, FloatArray]:
    if count not in _RULES:
        _RULES[count] = np.polynomial.legendre.leggauss(count)
    return _RULES[count]


def _between(x: FloatArray) -> FloatArray:
    """Interpolate by cubics through four neighbouring nodes: matrix from nodes to places x in -1 to 1."""
    position = (np.asarray(x) + 1) / 2 * (NODES - 1)
    start = np.clip(np.floor(position).astype(np.intp) - 1, 0, NODES - 4)
    f = position - start
    matrix = np.zeros((len(position), NODES))
    rows = np.arange(len(position))
    for j in range(4):
        others = [k for k in range(4) if k != j]
        part = np.ones(len(position))
        for k in others:
            part = part * (f - k) / (j - k)
        matrix[rows, start + j] = part
    return matrix


def average_chance(
    surfaces: Mapping[str, Surface],
    study: Study,
    coded: FloatArray,
    *,
    joint: bool = True,
) -> FloatArray:
    """Give the chance that one new part meets every requirement on another printer, drawn at random.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        Responses without limits take no part.
    study : Study
        For the thermometer differences: normal, SD = ``thermometer_offset`` / 1.96.
    coded : array, shape (m, n_factors)
        Coded settings inside the tried region.
    joint : bool
        As in `kit.window.probability.chance_to_meet`.

    Returns
    -------
    array, shape (m,)
        Averaged over the differences; without a nozzle temperature among the factors, the chance at home.
    """
    lines = lay_lines(surfaces, study, coded)
    if lines is None:
        return forecast(surfaces, coded, joint=joint).chance()
    return lines.average(forecast(surfaces, lines.coded, joint=joint).chance())


def most_reachable(study: Study, *, low: float | None = None, high: float | None = None) -> float:
    """Give the highest average chance that the tried range of temperatures allows at all.

    Parameters
    ----------
    study : Study
        Range of the nozzle temperature and thermometer differences.
    low, high : float, optional
        Range tried, degC; that of the study by default.

    Returns
    -------
    float
        From its middle, if every temperature tried met everything; 1 without a nozzle temperature.
    """
    place, sd = nozzle_place(study), offset_sd(study)
    if place is None or sd <= 0:
        return 1.0
    factor = study.factors[place]
    assert factor.low is not None  # the reader checked both
    assert factor.high is not None
    width = (factor.high if high is None else high) - (factor.low if low is None else low)
    return float(2 * special.ndtr(width / 2 / sd) - 1)


def narrow_range_note(
    study: Study, *, low: float | None = None, high: float | None = None
) -> str | None:
    """Warn where the tried range of temperatures is too narrow to judge other printers.

    Returns
    -------
    str or None
        A sentence; None where the range takes less than a quarter of the misses that the confidence allows, or
        where other printers were not asked for.
    """
    if not study.window.other_printers:
        return None
    confidence, most = study.window.confidence, most_reachable(study, low=low, high=high)
    allowed = 1 - confidence
    if 1 - most <= allowed / 4:
        return None
    place = nozzle_place(study)
    assert place is not None  # without one everything is reachable
    factor = study.factors[place]
    needed = -2 * offset_sd(study) * float(special.ndtri(allowed / 8))
    text = (
        f"The range of {factor.name.replace('_', ' ')} is too narrow to judge other printers: with differences of up to "
        f"{study.printer.thermometer_offset:g} °C the chance elsewhere can be shown to reach {100 * most:.0f} % at most, "
        f"since {100 * (1 - most):.0f} % of printers run outside of what is tried even from its middle. A range of "
        f"{np.ceil(needed):.0f} °C or more would do."
    )
    return (
        text
        if most >= confidence
        else f"{text} The {100 * confidence:g} % asked for cannot be reached."
    )
