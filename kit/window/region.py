"""The window: which printable settings are good enough, and which to recommend.

Nothing is ever recommended outside the tried region. When no setting reaches the stated confidence, the
answer is a best compromise and what giving way on each limit would buy.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from kit.errors import ModelError
from kit.model.predict import part_distribution
from kit.model.surface import Surface
from kit.study.description import Study
from kit.window.choice import (
    TIE,
    chances_without,
    describe_choice,
    most_central,
)
from kit.window.desirability import desirability, largest_shortfall
from kit.window.elsewhere import (
    Elsewhere,
    Transfer,
    best_average_without,
    elsewhere_note,
    transfer,
    transmitted,
)
from kit.window.elsewhere_choice import on_other_printers
from kit.window.looked import Looked, Progress, look, silent
from kit.window.notes import best_reached, range_notes, standing_notes
from kit.window.printers import nozzle_place
from kit.window.ranges import Ranges, window_ranges
from kit.window.relaxation import PASSES, relaxations
from kit.window.relaxation_elsewhere import averaged_relaxations
from kit.window.result import Choice, Relaxation, Window


def find_window(
    surfaces: Mapping[str, Surface],
    study: Study,
    *,
    weights: Mapping[str, float] | None = None,
    progress: Progress | None = None,
) -> Window:
    """Find the printable settings at which one new part meets every requirement, and recommend one.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        At least one. Requirements are read from ``study`` where it knows the response.
    study : Study
        Requirements, steps, limits, confidence and seed.
    weights : mapping of factor name to float, optional
        How much the width of the box in each factor counts; by default what the study says, else 1 each.
    progress : callable, optional
        Told now and then the share done, 0 to 1, and what is being done.

    Returns
    -------
    Window
        Recommended: highest chance, chances within 1e-4 counting as equal, the nearest to the middle of
        the window (the mean of its settings at the same category levels) winning.

    Raises
    ------
    ModelError
        If there is no surface.

    Notes
    -----
    The best of many settings is chosen by its own chance, which flatters it where effects hardly rise
    above the scatter; a note then says so. Share counts the printable settings that were looked at. Where no response has a limit the chance
    is undefined: nothing is recommended, and a best compromise (with NaN for its chance) is named only
    if some response states a target.
    """
    if not surfaces:
        raise ModelError(
            "no response has a fitted surface, so there is no window; take readings first."
        )
    known = {r.name: r for r in study.responses}
    surfaces = {n: s.with_response(known.get(n, s.stated)) for n, s in surfaces.items()}
    tell = progress or silent
    looked = look(surfaces, study, tell)
    if not len(looked.grid.index):
        note = "No printable setting lies inside the tried region and the limits of the plan, so nothing is recommended."
        return _window(looked, notes=(note,))
    tell(0.7, "looking for the best settings")
    if not looked.forecast.names:
        return _without_requirement(looked)
    if looked.good.any():
        return _with_window(looked, study.window.weights if weights is None else weights)
    return _without_window(looked)


def _with_window(looked: Looked, weights: Mapping[str, float]) -> Window:
    best = float(looked.probability.max())
    tied = looked.good & (looked.probability >= best - TIE)
    row = most_central(looked.grid, tied, looked.good)
    ranges = window_ranges(looked.grid, looked.good, row, looked.is_good, weights=weights)
    choice = _describe(looked, row, best)
    return _window(
        looked,
        recommended=choice,
        ranges=ranges,
        notes=tuple(range_notes(looked.study, looked.grid, ranges))
        if looked.grid.is_product
        else (),
    )


def _without_window(looked: Looked) -> Window:
    best = float(looked.probability.max())
    choice = _compromise(looked, best)
    top = most_central(
        looked.grid, looked.probability >= best - TIE, np.ones(len(looked.probability), dtype=bool)
    )
    settings = looked.grid.setting(looked.grid.index[top])
    confidence = looked.study.window.confidence
    notes = [best_reached(looked.study, settings, float(looked.probability[top]), confidence)]
    if choice is not None and choice.how == "smallest largest shortfall":
        notes.append(
            "No setting suits every response even in its mean; the compromise is where the worst of them falls "
            "least short, measured in the scatter of one part."
        )
    return _window(
        looked,
        compromise=choice,
        relaxed=_relaxed(looked),
        notes=tuple(notes),
    )


def _relaxed(looked: Looked) -> tuple[Relaxation, ...]:
    """Say what giving way on each limit would buy, limits in the units of the study."""
    if looked.lines is None or looked.extended is None:
        found = relaxations(looked.forecast, looked.study.window.confidence)
    else:
        found = averaged_relaxations(
            looked.surfaces, looked.study, looked.grid.coded, looked.lines, looked.extended
        )
    return tuple(_stated(r, looked.surfaces.get(r.response)) for r in found)


def _stated(found: Relaxation, surface: Surface | None) -> Relaxation:
    if surface is None or surface.scale.is_plain or found.side == PASSES:
        return found
    limit = float(getattr(surface.stated, found.side))
    needed = None if found.needed is None else float(surface.scale.back(found.needed))
    return replace(found, limit=limit, needed=needed)


def _without_requirement(looked: Looked) -> Window:
    """Answer a study that states no limit."""
    note = "No requirement is stated, so there is no chance to meet it: give a response a lower or an upper limit."
    choice = _compromise(looked, np.nan)
    if choice is None:
        return _window(looked, notes=(note,))
    closest = "The settings named are those whose fitted means come closest to the targets."
    return _window(looked, compromise=choice, notes=(note, closest))


def _compromise(looked: Looked, best: float) -> Choice | None:
    """Choose by desirability, or where that is 0 everywhere by the smallest largest shortfall."""
    surfaces = list(looked.surfaces.values())
    parts = [part_distribution(s, looked.grid.coded) for s in surfaces]
    means = np.column_stack([p[0] for p in parts])
    typical = np.column_stack([s.scale.back(p[0]) for s, p in zip(surfaces, parts, strict=True)])
    overall = desirability([s.stated for s in surfaces], typical)
    if overall is None:
        return None
    everywhere = np.ones(len(means), dtype=bool)
    if overall.max() > 0:
        row = most_central(looked.grid, overall >= overall.max() * (1 - 1e-9), everywhere)
        return _describe(looked, row, best, desirability=float(overall[row]), how="desirability")
    scales = np.column_stack([np.broadcast_to(p[1], len(means)) for p in parts])
    shortfall = largest_shortfall([s.response for s in surfaces], means, scales)
    row = most_central(looked.grid, shortfall <= shortfall.min() + 1e-9, everywhere)
    return _describe(looked, row, best, desirability=0.0, how="smallest largest shortfall")


def _describe(
    looked: Looked,
    row: int,
    best: float,
    *,
    desirability: float | None = None,
    how: str = "highest chance",
) -> Choice:
    rng = np.random.default_rng(looked.study.seed)
    choice = describe_choice(
        looked.surfaces,
        looked.grid,
        row,
        float(looked.probability[row]),
        dict(zip(looked.forecast.names, looked.forecast.alone[row].tolist(), strict=True)),
        rng,
        without=_without(looked),
        best=best,
        desirability=desirability,
        how=how,
    )
    if looked.lines is None:
        return choice
    return on_other_printers(choice, looked.surfaces, looked.study, rng)


def _without(looked: Looked) -> dict[str, float]:
    """Give the best chance with each requirement dropped in turn."""
    if looked.lines is None or looked.extended is None:
        return chances_without(looked.forecast)
    return best_average_without(
        looked.surfaces, looked.study, looked.grid.coded, looked.lines, looked.extended
    )


def _elsewhere(looked: Looked, chosen: Choice | None) -> Elsewhere | None:
    """Set side by side what is best at home and what is best on other printers; else follow the choice there."""
    if not looked.forecast.names or chosen is None or nozzle_place(looked.study) is None:
        return None
    surfaces, study = looked.surfaces, looked.study
    sides: list[Transfer] = []
    if looked.lines is not None:
        everything = np.ones(len(looked.home), dtype=bool)
        row = most_central(looked.grid, looked.home >= looked.home.max() - TIE, everything)
        settings = looked.grid.setting(looked.grid.index[row])
        sides.append(transfer(surfaces, study, settings))
    sides.append(transfer(surfaces, study, chosen.settings))
    return Elsewhere(
        study.printer.thermometer_offset,
        sides[0],
        sides[1] if len(sides) > 1 else None,
        transmitted(surfaces, study, chosen.settings),
    )


def _window(
    looked: Looked,
    *,
    recommended: Choice | None = None,
    compromise: Choice | None = None,
    ranges: Ranges | None = None,
    relaxed: tuple[Relaxation, ...] = (),
    notes: tuple[str, ...] = (),
) -> Window:
    grid = looked.grid
    elsewhere = _elsewhere(looked, recommended or compromise)
    told = []
    if elsewhere is not None:
        reached = recommended is not None
        told = elsewhere_note(elsewhere, looked.study.window.confidence, reached=reached)
    return Window(
        confidence=looked.study.window.confidence,
        recommended=recommended,
        best_compromise=compromise,
        share=float(looked.good.mean()) if len(grid.index) else 0.0,
        ranges=ranges or {},
        grid=_table(looked),
        steps=dict(zip(grid.coding.names, grid.axes, strict=True)),
        joint=looked.joint,
        relaxations=relaxed,
        notes=(
            *notes,
            *told,
            *standing_notes(looked.surfaces, looked.study, looked.forecast),
            *grid.notes,
        ),
        correlation=looked.correlation,
        elsewhere=elsewhere,
    )


def _table(looked: Looked) -> pd.DataFrame:
    """Lay out the grid as a table, one row a printable setting."""
    columns: dict[str, object] = dict(looked.grid.columns())
    columns["probability"] = looked.probability
    if looked.lines is not None:
        columns["home"] = looked.home
    alone = dict(zip(looked.forecast.names, looked.forecast.alone.T, strict=True))
    for name, surface in looked.surfaces.items():
        columns[f"chance_{name}"] = alone.get(name, np.full(len(looked.probability), np.nan))
        columns[f"mean_{name}"] = surface.typical(looked.grid.coded)
    return pd.DataFrame(columns)
