"""What response maps and chance maps share: the row of slices, the runs on it, the scale above, the key below."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib.patheffects as effects
import numpy as np
import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.cm import ScalarMappable
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from kit.charts.labels import (
    Setting,
    factor_axis,
    factor_title,
    plain,
    setting_text,
    text_width,
    wrapped,
)
from kit.charts.style import (
    ACCENT,
    BODY,
    EDGE,
    INK,
    LINE,
    MUTED,
    SMALL,
    WIDTH,
    dots,
    finish,
    framed,
    text_height,
)
from kit.charts.view import View, runs_near
from kit.study.description import Study
from kit.terms import FloatArray

HALO: list[effects.AbstractPathEffect] = [effects.withStroke(linewidth=4.2, foreground="white")]
KEY_ROW = 0.235  # in
KEY_HANDLE = 0.6  # in, sign and gaps beside a text of the key


def map_row(
    study: Study, view: View, title: str, note: str, keys: Sequence[Artist]
) -> tuple[Figure, list[Axes], Callable[[], Figure]]:
    """Lay out one row of maps with one scale, a title a panel and the key at the foot.

    Parameters
    ----------
    study : Study
        Labels, units and limits.
    view : View
        Says which factors and slices are shown.
    title, note : str
        Head of the picture.
    keys : sequence of artists
        With labels; two in a row.

    Returns
    -------
    figure : Figure
    axes : list of Axes
        One a panel, hatched where nothing will be drawn over it.
    settle : callable
        To be called when all is drawn: settles the layout and sets the label of the shared axis.
    """
    count = len(view.panels)
    width = WIDTH if count <= 3 else 2.0 * count + 0.6
    panel = (width - 1.0) / count
    heads = [panel_title(study, view, p, panel - 0.15) for p in view.panels]
    lines = max(h.count("\n") + 1 for h in heads) if view.along else 0
    tall = {1: 3.4, 2: 2.7}.get(count, 2.2)
    label = wrapped(factor_axis(study, view.across or ""), width - 1, BODY, lines=2)
    below = key_rows(keys)
    foot = below + text_height(label, BODY) + 0.04
    figure = framed(title, note, tall + 0.95 + 0.2 * lines, foot=foot, width=width)
    row = list(figure.subplots(1, count, squeeze=False, sharex=True, sharey=True)[0])
    for axes, head in zip(row, heads, strict=True):
        axes.set_title(head if view.along else "", size=SMALL, loc="left", linespacing=1.15)
        axes.patch.set(hatch="////", edgecolor=LINE, linewidth=0)
        factor_ticks(axes.xaxis, study, view.across or "", {1: 5, 2: 5, 3: 3}.get(count, 2))
        factor_ticks(axes.yaxis, study, view.up or "", 5)
        for side in ("left", "bottom"):
            axes.spines[side].set_visible(False)
    row[0].set_ylabel(wrapped(factor_axis(study, view.up or ""), tall, BODY, lines=2))
    foot_key(figure, keys)
    return figure, row, lambda: finish(figure, row, label, below)


def factor_ticks(axis: Axis, study: Study, name: str, count: int) -> None:
    """Tick a factor at its low, its high and evenly between, written as settings."""
    factor = study.coding[name]
    values = np.linspace(factor.low, factor.high, count)
    axis.set_ticks(list(values), [plain(float(v)) for v in values])


def key_rows(keys: Sequence[Artist]) -> float:
    """Give the height of a key at the foot, in inches."""
    return KEY_ROW * -(-len(keys) // _columns(keys)) + 0.1 if keys else 0.0


def _columns(keys: Sequence[Artist]) -> int:
    """Give the most columns of equal cells that fit; more than two only for all in one row."""
    widest = max((text_width(str(k.get_label()), SMALL) for k in keys), default=0.0) + KEY_HANDLE
    fit = int((WIDTH - 2 * EDGE) / widest)
    return len(keys) if fit >= len(keys) else max(1, min(fit, 2 if len(keys) < 7 else fit))


def foot_key(figure: Figure, keys: Sequence[Artist]) -> None:
    """Write the key at the foot of a picture, row by row."""
    if not keys:
        return
    columns = _columns(keys)
    width, height = figure.get_size_inches()
    for key in keys:
        cell = (WIDTH - 2 * EDGE) / columns - KEY_HANDLE
        key.set_label(wrapped(str(key.get_label()), cell, SMALL, lines=1))
    rows = -(-len(keys) // columns)
    by_column = [
        keys[r * columns + c]
        for c in range(columns)
        for r in range(rows)
        if r * columns + c < len(keys)
    ]
    legend = figure.legend(
        handles=by_column, loc="lower left", bbox_to_anchor=(EDGE / width, 0.05 / height), ncols=columns,
        borderpad=0, borderaxespad=0, handletextpad=0.6, columnspacing=1.4, labelspacing=0.35, handlelength=1.6,
    )  # fmt: skip
    legend.set_in_layout(False)


def panel_title(study: Study, view: View, panel: Mapping[str, Setting], inches: float) -> str:
    """Say what a panel is a slice of: "Fan duty at 60 %"."""
    if view.along is None:
        return ""
    value = panel[view.along]
    title = factor_title(study, view.along)
    if isinstance(value, str):
        return wrapped(f"{title}: {value}", inches, SMALL, lines=3)
    return wrapped(f"{title} at {setting_text(study, view.along, value)}", inches, SMALL, lines=3)


def held_text(study: Study, view: View) -> str:
    """Say where the other factors are held; empty when there are none."""
    parts = [
        f"{factor_title(study, n).lower()} {setting_text(study, n, v)}"
        for n, v in view.held.items()
    ]
    return "With " + ", ".join(parts) + "." if parts else ""


def place_text(study: Study, settings: Mapping[str, Setting]) -> str:
    """Write settings in one phrase, in the study's order."""
    return ", ".join(
        f"{factor_title(study, n).lower()} {setting_text(study, n, settings[n])}"
        for n in study.coding.names
        if n in settings
    )


def slices_text(study: Study, view: View) -> str:
    """Say along which factor the panels go, for the alt text."""
    if view.along is None:
        return ""
    unit = setting_text(study, view.along, view.slices[-1]).removeprefix(plain(view.slices[-1]))
    values = [plain(v) for v in view.slices]
    joined = values[0] if len(values) == 1 else ", ".join(values[:-1]) + " and " + values[-1]
    return f", for {factor_title(study, view.along).lower()} {joined}{unit}"


def draw_runs(
    axes: Axes, printed: pd.DataFrame, study: Study, view: View, panel: Mapping[str, Setting]
) -> None:
    """Put the printed runs on a panel: rings on the slice, small dots near it."""
    on, near = runs_near(printed, study, view, panel)
    if len(near):
        dots(
            axes,
            near[view.across],
            near[view.up],
            size=4,
            fill=INK,
            rim="white",
            width=0.8,
            layer=6,
        )
    if len(on):
        dots(
            axes,
            on[view.across],
            on[view.up],
            size=7.5,
            fill="white",
            rim=INK,
            width=1.4,
            layer=7,
        )


def draw_choice(axes: Axes, x: float, y: float, *, sure: bool = True) -> None:
    """Mark the recommended settings, or hollow the best compromise."""
    face = ACCENT if sure else "white"
    axes.plot(x, y, marker="D", ms=13, mfc="white", mec="white", zorder=8, ls="", clip_on=False)
    axes.plot(x, y, marker="D", ms=10, mfc=face, mec=ACCENT, mew=2, zorder=9, ls="", clip_on=False)


def is_on_panel(settings: Mapping[str, Any], panel: Mapping[str, Setting]) -> bool:
    """Tell whether settings lie on a panel's slice."""
    for name, value in panel.items():
        if isinstance(value, str):
            if str(settings[name]) != value:
                return False
        elif abs(float(settings[name]) - float(value)) > 1e-9 * max(1.0, abs(float(value))):
            return False
    return True


@dataclass(frozen=True)
class Limit:
    """A limit on a map: its level, where it fails (-1 below, +1 above), line style and words."""

    level: float
    fails: int
    look: str
    text: str

    @property
    def key(self) -> Line2D:
        """Its key at the foot."""
        return key_line(self.text, self.look, fails=self.fails)


def limit_line(axes: Axes, x: FloatArray, y: FloatArray, z: FloatArray, limit: Limit) -> None:
    """Draw a thick contour with short ticks towards the side that fails."""
    line = axes.contour(
        x, y, z, levels=[limit.level], colors=INK, linewidths=2.0, linestyles=limit.look, zorder=5
    )
    line.set_path_effects([*HALO, *_ticked(limit.fails)])


def _ticked(fails: int) -> list[effects.AbstractPathEffect]:
    # Contours run with the higher values at their left.
    angle = 90 * fails
    return [effects.Normal(), effects.withTickedStroke(angle=angle, length=0.55, spacing=9)]


def key_line(label: str, look: str = "-", *, fails: int = 0) -> Line2D:
    """Give the key of a contour."""
    line = Line2D([], [], color=INK, lw=2.0, ls=look, label=label)
    if fails:
        line.set_path_effects(_ticked(fails))
    return line


def key_mark(
    label: str, marker: str, ms: float, *, mfc: str = "none", mec: str = "white", mew: float = 1.0
) -> Line2D:
    """Give the key of a marker of that size, fill, rim and width of the rim."""
    return Line2D([], [], ls="", label=label, marker=marker, ms=ms, mfc=mfc, mec=mec, mew=mew)


def run_keys(near: bool) -> list[Line2D]:
    """Give the keys of the printed runs."""
    keys = [key_mark("printed run", marker="o", ms=7.5, mfc="white", mec=INK, mew=1.4)]
    if near:
        keys.append(key_mark("printed at nearby settings", marker="o", ms=4, mfc=INK, mec="white"))
    return keys


def choice_key(sure: bool = True) -> Line2D:
    """Give the key of the recommended settings or the best compromise."""
    label = "recommended settings" if sure else "best compromise"
    return key_mark(label, marker="D", ms=9, mfc=ACCENT if sure else "white", mec=ACCENT, mew=2)


def scale_bar(
    figure: Figure,
    row: list[Axes],
    shades: ScalarMappable,
    label: str,
    ticks: Sequence[float],
    names: Sequence[str],
) -> Axes:
    """Put the shared colour scale above the panels, its label on the left, as many ticks named as fit."""
    across = float(figure.get_figwidth())
    skip, room = 1, 0.8 * (across - 1.2)
    while sum(text_width(name, SMALL) + 0.1 for name in names[::skip]) > room:
        skip += 1
    bar = figure.colorbar(
        shades, ax=row, location="top", aspect=42 * across / WIDTH, fraction=0.06, pad=0.03
    )
    bar.set_ticks(list(ticks[::skip]), labels=list(names[::skip]))
    bar.outline.set_visible(False)
    bar.ax.minorticks_off()
    bar.ax.tick_params(labelsize=SMALL, color=MUTED, length=3)
    bar.set_label(wrapped(label, WIDTH - 1, SMALL, lines=2), size=SMALL, loc="left")
    return bar.ax
