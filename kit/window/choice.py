"""One setting chosen out of many, and everything to say about it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt
from scipy import special

from kit.model.predict import part_distribution
from kit.model.surface import Surface
from kit.terms import FloatArray
from kit.window.posterior import probability_interval
from kit.window.probability import Forecast
from kit.window.result import Choice, Prediction
from kit.window.settable import PrintableGrid

BoolArray = npt.NDArray[np.bool_]
ChanceAt = Callable[[FloatArray], FloatArray]

TIE = 1e-4
"""Chances this close count as equal: less than any page prints and than the readings can tell."""

CHUNK = 2000


def most_central(grid: PrintableGrid, rows: BoolArray, around: BoolArray) -> int:
    """Choose, among ``rows``, the setting nearest to the middle of the settings ``around``.

    Parameters
    ----------
    grid : PrintableGrid
        The settings looked at.
    rows, around : array of bool, shape (m,)
        Candidates; settings whose mean, for each combination of category levels, is the middle.

    Returns
    -------
    int
        Row of the grid. Between equals the one whose levels hold more of ``around``, then the first.
    """
    scale = np.array([not f.is_category for f in grid.coding.factors])
    best: tuple[float, int, int] | None = None
    for levels in np.unique(grid.index[rows][:, ~scale], axis=0):
        mine = np.all(grid.index[:, ~scale] == levels, axis=1)
        members = around & mine if (around & mine).any() else rows & mine
        middle = grid.coded[members][:, scale].mean(axis=0)
        candidates = np.flatnonzero(rows & mine)
        distance = np.linalg.norm(grid.coded[candidates][:, scale] - middle, axis=1).round(9)
        nearest = int(candidates[distance.argmin()])
        key = (float(distance.min()), -int(members.sum()), nearest)
        if best is None or key < best:
            best = key
    assert best is not None  # the caller gives at least one candidate
    return best[2]


def best_chance(forecast: Forecast) -> float:
    """Find the highest joint chance over all settings of a forecast without computing them all.

    No joint chance exceeds its smallest one-response chance, so settings whose bound is below the
    best value found so far need no integral.

    Returns
    -------
    float
        NaN when there is no setting.
    """
    bound = forecast.bound
    if bound.size == 0:
        return float("nan")
    first = np.argsort(-forecast.alone.prod(axis=1), kind="stable")[:CHUNK]
    best = float(forecast.take(first).chance().max())
    rest = np.setdiff1d(np.flatnonzero(bound > best), first)
    rest = rest[np.argsort(-bound[rest], kind="stable")]
    for start in range(0, len(rest), CHUNK):
        rows = rest[start : start + CHUNK]
        if bound[rows[0]] <= best:
            break
        best = max(best, float(forecast.take(rows).chance().max()))
    return best


def chances_without(forecast: Forecast) -> dict[str, float]:
    """Give the best joint chance over the region with each requirement dropped in turn."""
    return {name: best_chance(forecast.without(name)) for name in forecast.names}


def binding_requirement(without: Mapping[str, float], best: float) -> str | None:
    """Name the requirement whose removal raises the best joint chance most; None when none raises it."""
    if not without:
        return None
    name = max(without, key=lambda n: without[n])
    return name if without[name] > best + TIE else None


def predict_part(surface: Surface, at: FloatArray) -> Prediction:
    """Foretell one new part at one coded setting, shape (n_factors,): mean and 95 % limits.

    Where the response is fitted on another scale: the median and limits there, taken back into its unit. For what a part
    passes or fails: the chance to pass and its 95 % limits.

    Returns
    -------
    Prediction
    """
    if surface.success is not None:
        chance = float(surface.typical(at[None, :])[0])
        possible = special.expit(surface.rows(at[None, :]) @ surface.success.possible.T)
        low, high = (float(v) for v in np.quantile(possible, [0.025, 0.975]))
        return Prediction(chance, min(low, chance), max(high, chance))
    mean, scale, df = (
        float(np.asarray(v).ravel()[0]) for v in part_distribution(surface, at[None, :])
    )
    reach = float(special.stdtrit(df, 0.975)) * scale
    return Prediction(*(float(v) for v in surface.scale.back([mean, mean - reach, mean + reach])))


def describe_choice(
    surfaces: Mapping[str, Surface],
    grid: PrintableGrid,
    row: int,
    probability: float,
    alone: Mapping[str, float],
    rng: np.random.Generator,
    *,
    without: Mapping[str, float],
    best: float,
    desirability: float | None = None,
    how: str = "highest chance",
) -> Choice:
    """Gather what is known of one row of the grid.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        All fitted responses, with or without limits.
    grid : PrintableGrid
        The settings looked at.
    row : int
        Row of the grid.
    probability : float
        Chance to meet everything there; NaN when no requirement is stated.
    alone, without : mapping of response name to float
        Chance to meet each requirement there; best chance with each dropped.
    rng : Generator
        For the limits of the chance.
    best : float
        Highest chance over the region.
    desirability : float, optional
        Overall desirability there.
    how : str
        How the row was chosen.

    Returns
    -------
    Choice
    """
    at = grid.coded[row]
    low, high = (np.nan, np.nan)
    if np.isfinite(probability):
        low, high = probability_interval(surfaces, at, rng)
    return Choice(
        settings=grid.setting(grid.index[row]),
        probability=probability,
        low=low,
        high=high,
        predictions={name: predict_part(s, at) for name, s in surfaces.items()},
        alone=dict(alone),
        binding=binding_requirement(without, best),
        without=dict(without),
        desirability=desirability,
        how=how,
    )


def climb(
    grid: PrintableGrid, start: npt.NDArray[np.intp], chance: ChanceAt, *, rounds: int = 50
) -> npt.NDArray[np.intp]:
    """Walk from a position to the best printable setting one factor at a time, by full steps.

    Parameters
    ----------
    grid : PrintableGrid
        Its axes are walked along, also between the values it kept.
    start : array of int, shape (n_factors,)
        Positions on the axes.
    chance : callable
        Gives the chance at coded settings, shape (m, n_factors).
    rounds : int
        At most so many turns through all factors.

    Returns
    -------
    array of int, shape (n_factors,)
        A setting no single factor can improve on; not more: the top may lie elsewhere.
    """
    here = np.array(start)
    best = float(chance(grid.code(here[None, :]))[0])
    for _ in range(rounds):
        before = best
        for axis, values in enumerate(grid.axes):
            line = np.repeat(here[None, :], len(values), axis=0)
            line[:, axis] = np.arange(len(values))
            line = line[grid.allowed(grid.code(line))]
            values_here = chance(grid.code(line)) if len(line) else np.empty(0)
            if values_here.size and values_here.max() > best + 1e-12:
                best, here = float(values_here.max()), line[int(values_here.argmax())]
        if best <= before + 1e-12:
            break
    return here
