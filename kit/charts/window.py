"""The chance that one new part meets every requirement, as a map of printable tiles."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import Normalize
from matplotlib.patches import Rectangle

from kit.charts.chances import (
    TICK_LABELS,
    TICKS,
    answer,
    answer_text,
    chance_caption,
    chance_title,
    draw_chance_curve,
    everything,
    is_known,
    on_grid,
    on_slice,
)
from kit.charts.labels import Setting, factor_title
from kit.charts.limits import draw_limits_strip
from kit.charts.maps import (
    HALO,
    choice_key,
    draw_choice,
    draw_runs,
    held_text,
    is_on_panel,
    key_line,
    key_mark,
    map_row,
    run_keys,
    scale_bar,
    slices_text,
)
from kit.charts.picture import Picture
from kit.charts.style import ACCENT, COLOUR_MAP, INK, drawing
from kit.charts.view import View, choose_view, printed_runs, runs_near
from kit.saying import stated_percent
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.result import Window

FINE_TILES = 30
"""With more tiles than this on a side their gaps are left out."""


def draw_chance_map(
    window: Window, study: Study, runs: pd.DataFrame | None = None, view: View | None = None
) -> Picture:
    """Draw the chance that one new part meets every requirement, tile by printable tile.

    Parameters
    ----------
    window : Window
        The answer and the grid it was found on.
    study : Study
        Labels, units and limits.
    runs : DataFrame, optional
        The runs table or a surface's observations; its printed runs are shown on the map.
    view : View, optional
        As `choose_view` gives it. Default: the study's first two scales, sliced through the answer.

    Returns
    -------
    Picture
        With two factors or more on a scale a row of maps; else a curve, or a dot a level.
    """
    choice = answer(window)
    view = on_grid(
        view or choose_view({}, study, None if choice is None else choice.settings), window
    )
    if view.up is None or view.across is None:
        return draw_chance_curve(window, study, view)
    printed = pd.DataFrame() if runs is None else printed_runs(runs, study)
    with drawing():
        boxes = [_box(window, view, panel) for panel in view.panels]
        whole = is_known(window) and all(
            len(on_slice(window, p))
            == len(_seen(window, view.across)) * len(_seen(window, view.up))
            for p in view.panels
        )
        untried = "" if whole else "Hatched: not tried."
        note = " ".join(
            filter(None, ["One tile: one setting you can print.", untried, held_text(study, view)])
        )
        keys = _keys(window, study, view, printed, any(boxes))
        figure, row, settle = map_row(study, view, chance_title(window, study), note, keys)
        for axes, panel, box in zip(row, view.panels, boxes, strict=True):
            shades = _tiles(axes, window, view, panel)
            if len(printed):
                draw_runs(axes, printed, study, view, panel)
            if box is not None:
                axes.add_patch(box)
            if choice is not None and is_on_panel(choice.settings, panel):
                x, y = float(choice.settings[view.across]), float(choice.settings[view.up])
                draw_choice(axes, x, y, sure=window.recommended is not None)
        bar = scale_bar(
            figure,
            row,
            shades,
            f"Chance that a new part meets {everything(study)}",
            TICKS,
            TICK_LABELS,
        )
        bar.axvline(window.confidence, color=INK, lw=2.0)
        settle()
    across, up = factor_title(study, view.across).lower(), factor_title(study, view.up).lower()
    alt = (
        f"Map of the chance that one new part meets {everything(study)}, over {across} and"
        f" {up}{slices_text(study, view)}. {answer_text(window, study)}"
    )
    return Picture("chance", figure, alt, chance_caption(window, study))


def _keys(
    window: Window, study: Study, view: View, printed: pd.DataFrame, boxed: bool
) -> list[Artist]:
    keys: list[Artist] = []
    if answer(window) is not None:
        keys.append(choice_key(window.recommended is not None))
    if window.recommended is not None:
        keys.append(key_line(f"chance of {stated_percent(window.confidence)}"))
    if len(printed):
        keys += run_keys(any(len(runs_near(printed, study, view, p)[1]) for p in view.panels))
    if boxed:
        keys.append(
            key_mark(
                "ranges that hold together", marker="s", ms=10, mfc="none", mec=ACCENT, mew=1.6
            )
        )
    return keys


def _tiles(axes: Axes, window: Window, view: View, panel: Mapping[str, Setting]) -> ScalarMappable:
    """Shade one tile a printable setting, and draw the contour at the confidence."""
    xs, ys = _seen(window, view.across), _seen(window, view.up)
    if not is_known(window):
        return ScalarMappable(Normalize(0, 1), COLOUR_MAP)
    z = np.full((len(ys), len(xs)), np.nan)
    rows = on_slice(window, panel)
    i = np.searchsorted(xs, rows[view.across].to_numpy(dtype=float))
    j = np.searchsorted(ys, rows[view.up].to_numpy(dtype=float))
    z[j, i] = rows["probability"].to_numpy(dtype=float)
    gap = 0.0 if max(z.shape) > FINE_TILES else 0.5
    shades = axes.pcolormesh(
        _edges(xs), _edges(ys), np.ma.masked_invalid(z), cmap=COLOUR_MAP, vmin=0, vmax=1, zorder=2,
        edgecolors="white" if gap else "face", linewidth=gap or 0.1,
    )  # fmt: skip
    _outline(axes, _edges(xs), _edges(ys), z, window.confidence)
    return shades


def _outline(axes: Axes, x: FloatArray, y: FloatArray, z: FloatArray, level: float) -> None:
    """Draw the border, along the edges of the tiles, between those that reach the level and those that do not."""
    good, known = z >= level, np.isfinite(z)
    across = known[:, 1:] & known[:, :-1] & (good[:, 1:] != good[:, :-1])
    up = known[1:] & known[:-1] & (good[1:] != good[:-1])
    sides = [((x[i + 1], y[j]), (x[i + 1], y[j + 1])) for j, i in np.argwhere(across)]
    sides += [((x[i], y[j + 1]), (x[i + 1], y[j + 1])) for j, i in np.argwhere(up)]
    for colour, width, layer in (("white", 4.4, 4.9), (INK, 2.2, 5.0)):
        line = LineCollection(
            sides, colors=colour, linewidths=width, capstyle="projecting", zorder=layer
        )
        axes.add_collection(line, autolim=False)


def _seen(window: Window, name: str | None) -> FloatArray:
    return np.unique(window.grid[name].to_numpy(dtype=float))


def _edges(values: FloatArray) -> FloatArray:
    """Give the edges of tiles round printable values: half-way between them."""
    if len(values) == 1:
        return np.array([values[0] - 0.5, values[0] + 0.5])
    middle = (values[1:] + values[:-1]) / 2
    ends = values[0] - (middle[0] - values[0]), values[-1] + (values[-1] - middle[-1])
    return np.concatenate([[ends[0]], middle, [ends[1]]])


def _box(window: Window, view: View, panel: Mapping[str, Setting]) -> Rectangle | None:
    """Outline the tiles of the ranges where they cross a panel."""
    ranges = window.ranges
    if not ranges or not all(_within(panel[n], ranges[n]) for n in panel if n in ranges):
        return None
    sides = []
    for name in (view.across or "", view.up or ""):
        values = _seen(window, name)
        edges = _edges(values)
        first, last = (int(np.argmin(np.abs(values - float(end)))) for end in ranges[name])
        sides.append((edges[first], edges[last + 1]))
    (x0, x1), (y0, y1) = sides
    box = Rectangle(
        (x0, y0), x1 - x0, y1 - y0, fill=False, ec=ACCENT, lw=1.6, zorder=6, clip_on=False
    )
    box.set_path_effects(HALO)
    return box


def _within(value: Setting, sides: tuple[Setting, Setting]) -> bool:
    if isinstance(value, str):
        return value in sides
    return float(sides[0]) - 1e-9 <= value <= float(sides[1]) + 1e-9


__all__ = ["draw_chance_map", "draw_limits_strip"]
