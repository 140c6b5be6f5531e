"""The shape of a second-order surface in words and tables: where it is level, how it bends, where to go."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.model.canonical import Stationary, stationary_point
from kit.model.refits import REFITS, Optima, optima
from kit.model.ridge import ridge_path
from kit.model.second_order import level_choices, second_order
from kit.model.stationary_region import StationaryRegion, region_in_words, stationary_region
from kit.model.surface import Surface
from kit.saying import listed
from kit.study.description import Response
from kit.terms import FloatArray

RADII = (0.25, 0.5, 0.75, 1.0, 1.25, 1.5)
"""Distances from the middle at which the best setting is followed, in half-ranges."""

TELLING = 0.35
"""Share of a direction's length above which a factor is named in it."""

FEW_FACTORS = 3
MOST_FACTORS = 5
"""The region is searched on a lattice for so many scaled factors at most."""


@dataclass(frozen=True)
class Shape:
    """What canonical analysis says of one surface at some levels of its categories.

    Attributes
    ----------
    levels : mapping of category to level
        Empty where no category changes the shape.
    point : Stationary or None
        None when the second-order matrix is singular.
    region : StationaryRegion or None
        Where the stationary point may lie.
    region_words : str
        The same in a sentence; empty without a region.
    directions : DataFrame
        One row a principal direction: ``direction`` (words), ``bend``, ``low``, ``high`` (95 %): the change half a
        range away from the stationary point, in the response's unit.
    path : DataFrame
        The best settings at growing distance from the middle, inside the tried region; see
        `kit.model.ridge.ridge_path`.
    goal : str
        ``largest`` or ``smallest``; empty where two limits want neither.
    best : Optima or None
        Where the best mean lay in many refits.
    """

    levels: Mapping[str, str]
    point: Stationary | None
    region: StationaryRegion | None
    region_words: str
    directions: pd.DataFrame
    path: pd.DataFrame
    goal: str
    best: Optima | None = None


def shapes_of(surface: Surface) -> tuple[Shape, ...]:
    """Describe the shape of a surface, once for each combination of levels that changes it.

    Parameters
    ----------
    surface : Surface
        As fitted.

    Returns
    -------
    tuple of Shape
        Empty where the model has no bend to describe.
    """
    form = second_order(surface)
    if form is None or not np.any(form.bend_rows):
        return ()
    return tuple(_shape(surface, levels) for levels in level_choices(surface))


def _shape(surface: Surface, levels: dict[str, str]) -> Shape:
    point = stationary_point(surface, levels)
    region = None
    if point is not None and len(point.coded) <= MOST_FACTORS:
        region = stationary_region(surface, levels=levels)
    goal = _goal(surface.response)
    path = ridge_path(surface, RADII, goal=goal or "largest", levels=levels)
    kept = path["tried"] & bool(goal)
    return Shape(
        levels=levels,
        point=point,
        region=region,
        region_words="" if region is None else region_in_words(surface, region),
        directions=_directions(surface, point),
        path=path[kept].reset_index(drop=True),
        goal=goal,
        best=_best(surface, goal, levels) if goal else None,
    )


def _best(surface: Surface, goal: str, levels: dict[str, str]) -> Optima | None:
    # A box in many factors has many faces: fewer refits then.
    few = len(surface.coding.continuous) <= FEW_FACTORS
    rng = np.random.default_rng(1)
    return optima(surface, rng, goal=goal, levels=levels, draws=REFITS if few else REFITS // 5)


def _goal(response: Response) -> str:
    # Follow what the requirement asks for: nothing between two limits; without any, the largest.
    if response.upper is None:
        return "largest"
    return "smallest" if response.lower is None else ""


def _directions(surface: Surface, point: Stationary | None) -> pd.DataFrame:
    columns = ["direction", "bend", "low", "high"]
    if point is None:
        return pd.DataFrame(columns=columns)
    names = [f.name for f in surface.coding.continuous]
    rows = [
        (_direction_words(names, point.eigenvectors[:, i]), *numbers)
        for i, numbers in enumerate(
            zip(point.eigenvalues, point.eigenvalue_low, point.eigenvalue_high, strict=True)
        )
    ]
    return pd.DataFrame(rows, columns=columns)


def _direction_words(names: list[str], direction: FloatArray) -> str:
    # Name the factors that move along a direction, and which of them go the other way.
    order = np.argsort(-np.abs(direction), kind="stable")
    telling = [i for i in order if abs(direction[i]) >= TELLING]
    up = [names[i].replace("_", " ") for i in telling if direction[i] > 0]
    down = [names[i].replace("_", " ") for i in telling if direction[i] < 0]
    if not down:
        return listed(up) + (" together" if len(up) > 1 else "")
    return f"{listed(up)} up, {listed(down)} down"
