"""The chance of meeting every requirement: its titles, and its picture where no map can be drawn."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from kit.charts.labels import Setting, factor_axis, factor_title, wrapped
from kit.charts.maps import factor_ticks, held_text, is_on_panel, panel_title, place_text
from kit.charts.picture import Picture
from kit.charts.style import (
    ACCENT,
    BODY,
    INK,
    LINE,
    SMALL,
    WIDTH,
    dots,
    drawing,
    finish,
    framed,
    text_height,
)
from kit.charts.view import View
from kit.saying import percent, stated_percent
from kit.study.description import Study
from kit.terms import FloatArray
from kit.window.result import Choice, Window

TICKS = (0.0, 0.25, 0.5, 0.75, 1.0)
TICK_LABELS = tuple(f"{100 * t:.0f} %" for t in TICKS)


def everything(study: Study) -> str:
    """Say "every requirement", or "the requirement" where there is one."""
    return "every requirement" if len(study.judged) > 1 else "the requirement"


def chance_title(window: Window, study: Study) -> str:
    """Say in one line what a picture of the chance shows."""
    if not is_known(window):
        return f"No chance can be shown: {_why(window)}"
    if window.recommended is not None:
        return f"Where the chance is {stated_percent(window.confidence)} or better"
    best = window.best_compromise
    top = "" if best is None else f"; the best compromise has {percent(best.probability)}"
    return f"No setting reaches a chance of {stated_percent(window.confidence)}{top}"


def is_known(window: Window) -> bool:
    """Tell whether the chance was found anywhere: not without a requirement or without a printable setting."""
    return bool(window.grid["probability"].notna().any())


def _why(window: Window) -> str:
    return (
        "nothing is required"
        if len(window.grid)
        else "no printable setting lies in the tried region"
    )


def chance_caption(window: Window, study: Study) -> str:
    """Give the sentence under a picture of the chance."""
    if not is_known(window):
        return f"There is no chance to show, since {_why(window)}."
    start, sure = (
        f"Chance that one new part meets {everything(study)}",
        stated_percent(window.confidence),
    )
    if window.recommended is None:
        return f"{start}; nowhere among the printable settings tried does it reach {sure}."
    return f"{start}; the line marks a chance of {sure}."


def answer_text(window: Window, study: Study) -> str:
    """Say the answer and the share of the window, for alt texts."""
    if not is_known(window):
        return f"{chance_title(window, study)}."
    choice = answer(window)
    text = ""
    if choice is not None:
        what = "Recommended" if window.recommended is not None else "Best compromise"
        text = (
            f"{what}: {place_text(study, choice.settings)}, chance {percent(choice.probability)}"
            f" ({percent(choice.low)} to {percent(choice.high)}). "
        )
    share = percent(window.share) if window.share > 0 else "none"
    return f"{text}A chance of {stated_percent(window.confidence)} is reached on {share} of the printable settings tried."


def answer(window: Window) -> Choice | None:
    """Give the recommended settings, or else the best compromise."""
    return window.choice


def on_grid(view: View, window: Window) -> View:
    """Move slices and held settings to the nearest ones at which the window was searched."""

    def nearest(name: str, value: Setting) -> Setting:
        seen = window.grid[name].unique()
        if isinstance(value, str) or not len(seen):
            return value
        return float(min(seen, key=lambda s: abs(float(s) - value)))

    held = {name: nearest(name, value) for name, value in view.held.items()}
    slices = view.slices
    if view.along is not None:
        slices = tuple(dict.fromkeys(nearest(view.along, value) for value in slices))
    return View(view.across, view.up, view.along, slices, held)


def on_slice(window: Window, panel: Mapping[str, Setting]) -> pd.DataFrame:
    """Give the rows of the window's grid that lie on a panel."""
    grid = window.grid
    mine = np.ones(len(grid), dtype=bool)
    for name, value in panel.items():
        if isinstance(value, str):
            mine &= (grid[name].astype(str) == value).to_numpy()
        else:
            mine &= np.isclose(grid[name].to_numpy(dtype=float), value, rtol=1e-9, atol=1e-12)
    return grid[mine]


def draw_chance_curve(window: Window, study: Study, view: View) -> Picture:
    """Draw the chance over the one factor on a scale, or a dot a level.

    Parameters
    ----------
    window : Window
        The answer and the grid it was found on.
    study : Study
        Labels, units and limits.
    view : View
        With at most one factor on an axis; moved to the window's grid by `on_grid`.

    Returns
    -------
    Picture
    """
    panels = view.panels if view.across else (dict(view.held),)
    name = view.across or view.along or ""
    with drawing():
        label = wrapped(factor_axis(study, name), WIDTH - 1, BODY, lines=2)
        note = " ".join(
            filter(None, ["One dot: one setting you can print.", held_text(study, view)])
        )
        figure = framed(chance_title(window, study), note, 3.2, foot=text_height(label, BODY) + 0.1)
        row = list(figure.subplots(1, len(panels), squeeze=False, sharey=True)[0])
        for axes, panel in zip(row, panels, strict=True):
            rows = on_slice(window, panel)
            _spots(axes, rows, study, view)
            _threshold(axes, window)
            axes.set_title(
                panel_title(study, view, panel, (WIDTH - 1) / len(row) - 0.15)
                if view.across
                else "",
                size=SMALL,
                loc="left",
            )
            if view.across:
                factor_ticks(axes.xaxis, study, view.across, {1: 5, 2: 5, 3: 3}.get(len(row), 2))
            choice = answer(window)
            if choice is not None and is_on_panel(choice.settings, panel):
                place = choice.settings[name]
                x = view.slices.index(place) if isinstance(place, str) else place
                face = ACCENT if window.recommended is not None else "white"
                dots(
                    axes,
                    [x],
                    [choice.probability],
                    size=11,
                    marker="D",
                    fill=face,
                    rim=ACCENT,
                    width=2,
                    layer=6,
                )
        row[0].set_yticks(TICKS, TICK_LABELS)
        row[0].set(ylim=(-0.03, 1.06), ylabel="Chance")
        finish(figure, row, label, 0.06)
    alt = f"Chance that one new part meets {everything(study)} over {factor_title(study, name).lower()}. {answer_text(window, study)}"
    return Picture("chance", figure, alt, chance_caption(window, study))


def _spots(axes: Axes, rows: pd.DataFrame, study: Study, view: View) -> None:
    """Draw the chance at each printable setting of a panel."""
    chance = rows["probability"].to_numpy(dtype=float)
    x: FloatArray
    if view.across:
        x = rows[view.across].to_numpy(dtype=float)
        order = np.argsort(x)
        axes.plot(x[order], chance[order], color=INK, lw=1.2, zorder=3)
    else:
        x = np.array([view.slices.index(str(v)) for v in rows[view.along or ""]], dtype=float)
        cell = (WIDTH - 1.2) / len(view.slices) - 0.1
        axes.set_xticks(
            range(len(view.slices)), [wrapped(str(v), cell, SMALL, lines=2) for v in view.slices]
        )
        axes.set_xlim(-0.5, len(view.slices) - 0.5)
    dots(axes, x, chance, size=6.5, fill="white", rim=INK, width=1.3, layer=4)
    axes.grid(axis="y", color=LINE, lw=0.6, zorder=0)
    axes.set(xlabel="", ylabel="")


def _threshold(axes: Axes, window: Window) -> None:
    axes.axhline(window.confidence, color=INK, lw=2.0, zorder=2)
    axes.annotate(
        f"wanted: {stated_percent(window.confidence)}", (0, window.confidence), (4, -4), va="top", size=SMALL,
        xycoords=axes.get_yaxis_transform(), textcoords="offset points",
        bbox={"fc": "white", "ec": "none", "alpha": 0.8, "pad": 0.5}, zorder=5,
    )  # fmt: skip
