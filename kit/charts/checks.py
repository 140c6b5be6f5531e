"""How far the prints lie from the fitted surface, along the print order and foretold without themselves."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from kit.charts.labels import axis_label, decimals_for, number, stem, wrapped
from kit.charts.order import in_print_order, mark_blocks, order_axis
from kit.charts.picture import Picture
from kit.charts.style import (
    ACCENT,
    BAND,
    BODY,
    INK,
    LINE,
    MUTED,
    SMALL,
    dots,
    drawing,
    finish,
    framed,
    round_ticks,
)
from kit.model.known_misses import with_known_misses
from kit.model.surface import Surface
from kit.saying import with_unit
from kit.terms import FloatArray

NAMED = 3
"""At most so many prints are named."""
FAR = 2.0
"""Beyond so many residual SDs a print is named; the farthest always is."""


def draw_residual_story(surface: Surface) -> Picture:
    """Draw what is left over by print order, wide, and beside it left-out prints foretold against measured.

    Parameters
    ----------
    surface : Surface
        The fitted response.

    Returns
    -------
    Picture
    """
    response, all_prints = surface.response, len(surface.observations)
    surface = with_known_misses(surface)
    table = in_print_order(surface.observations.assign(run=surface.observations["run"].astype(str)))
    typical = float(np.sqrt(surface.residual_variance))
    decimals = decimals_for(typical, figures=2)
    miss = with_unit(number(typical, decimals), response.unit)
    with drawing():
        figure = framed(
            f"How far prints lie from the fitted {' '.join(response.title.split())}",
            f"Band: a typical miss, ±{miss}. Named: the farthest.", 3.2,
        )  # fmt: skip
        wide, small = figure.subplots(1, 2, width_ratios=[2.0, 1.0])
        _along_order(wide, table, typical, axis_label("missed by", response.unit))
        mark_blocks(wide, table["place"].to_numpy(), table["block"])
        _left_out(small, table, response.unit)
        finish(figure)
    return Picture(
        f"residuals-{stem(response.name)}", figure, _alt(table, typical, surface),
        f"Left: measured minus fitted {response.title} in print order."
        " Right: each print foretold from all the others."
        + (" Without prints at the limit of the instrument." if len(table) < all_prints else ""),
    )  # fmt: skip


def _along_order(axes: Axes, table: pd.DataFrame, typical: float, label: str) -> None:
    """Draw residuals as pins along the print order and name the farthest."""
    place, residual = table["place"].to_numpy(dtype=float), table["residual"].to_numpy(dtype=float)
    axes.axhspan(-typical, typical, color=BAND, lw=0, zorder=0)
    axes.axhline(0, color=INK, lw=1.2, zorder=1)
    axes.vlines(place, 0, residual, color=LINE, lw=1.6, zorder=2)
    dots(axes, place, residual, size=8, fill=ACCENT, rim="white", width=0.8, layer=3)
    reach = 1.35 * max(float(np.abs(residual).max()), 1.2 * typical) or 1.0
    order_axis(axes, place)
    axes.set(ylim=(-reach, reach))
    axes.set_ylabel(wrapped(label, 2.6, BODY, lines=2))
    round_ticks(axes.yaxis, 6)
    low, high = axes.get_xlim()
    for i in _farthest(residual, typical):
        up = residual[i] >= 0
        side = (
            "left"
            if place[i] < low + 0.15 * (high - low)
            else "right"
            if place[i] > high - 0.15 * (high - low)
            else "center"
        )
        axes.annotate(
            f"run {table['run'].iloc[i]}", (place[i], residual[i]), (0, 7 if up else -7), textcoords="offset points",
            size=SMALL, ha=side, va="bottom" if up else "top", zorder=4,
        )  # fmt: skip


def _farthest(residual: FloatArray, typical: float) -> list[int]:
    """Give the prints to be named: the farthest, and up to two more that are far."""
    ranked = np.argsort(-np.abs(residual), kind="stable")[:NAMED]
    return [int(i) for k, i in enumerate(ranked) if k == 0 or abs(residual[i]) > FAR * typical]


def _left_out(axes: Axes, table: pd.DataFrame, unit: str) -> None:
    """Draw each print as the others foretell it against what was measured."""
    x, y = table["left_out"].to_numpy(dtype=float), table["value"].to_numpy(dtype=float)
    both = np.concatenate([x[np.isfinite(x)], y])
    pad = 0.08 * float(np.ptp(both) or 1.0)
    ends = (float(both.min()) - pad, float(both.max()) + pad)
    axes.plot(ends, ends, color=MUTED, lw=1.0, zorder=1)
    dots(axes, x, y, size=6.5, fill=ACCENT, rim="white", width=0.8, layer=3)
    axes.set(xlim=ends, ylim=ends)
    axes.set_ylabel(wrapped(axis_label("measured", unit), 2.6, BODY, lines=2))
    axes.set_xlabel(wrapped(axis_label("foretold", unit), 1.8, BODY, lines=2))
    for axis in (axes.xaxis, axes.yaxis):
        round_ticks(axis, 4)


def _alt(table: pd.DataFrame, typical: float, surface: Surface) -> str:
    response = surface.response
    residual = table["residual"].to_numpy(dtype=float)
    decimals = decimals_for(typical, figures=2)
    worst = int(np.argmax(np.abs(residual)))
    left_out = (table["value"] - table["left_out"]).to_numpy(dtype=float)
    known = left_out[np.isfinite(left_out)]
    text = (
        f"Residuals of {response.title} for {len(table)} prints in print order: a print typically misses by"
        f" {with_unit(number(typical, decimals), response.unit)}; the farthest is run {table['run'].iloc[worst]}"
        f" at {with_unit(number(residual[worst], decimals, sign=True), response.unit)}."
    )
    if len(known):
        spread = float(np.sqrt(np.mean(known**2)))
        text += f" Left-out prints are foretold to {with_unit(number(spread, decimals), response.unit)}."
    return text
