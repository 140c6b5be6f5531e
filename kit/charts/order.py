"""What pictures along the print order share: places, ticks, borders of blocks."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator, MultipleLocator

from kit.charts.labels import text_width
from kit.charts.style import LINE, MUTED, SMALL
from kit.terms import FloatArray


def in_print_order(table: pd.DataFrame) -> pd.DataFrame:
    """Sort runs as they were printed and give each its place.

    Parameters
    ----------
    table : DataFrame
        With ``print_order`` and ``block``, and ``round`` where there are several.

    Returns
    -------
    DataFrame
        The rows sorted, with ``place``: the print order itself, or, where later rounds count anew, 1, 2, ...
        through all.
    """
    if not table["print_order"].duplicated().any():
        ordered = table.sort_values("print_order", kind="stable")
        return ordered.assign(place=ordered["print_order"].astype(float)).reset_index(drop=True)
    stage = pd.factorize(table["round"])[0] if "round" in table else table["block"].to_numpy()
    ordered = table.assign(_stage=stage).sort_values(["_stage", "print_order"], kind="stable")
    ordered = ordered.drop(columns="_stage")
    return ordered.assign(place=np.arange(1.0, len(ordered) + 1)).reset_index(drop=True)


def border_places(places: FloatArray, blocks: pd.Series) -> FloatArray:
    """Give the places half-way between neighbours of different blocks."""
    changes = np.flatnonzero(blocks.to_numpy()[1:] != blocks.to_numpy()[:-1])
    return np.asarray((places[changes] + places[changes + 1]) / 2)


def mark_blocks(
    axes: Axes, places: FloatArray, blocks: pd.Series, *, name: bool = True, inches: float = 5.0
) -> None:
    """Draw a hairline between blocks; name them above the axes where there is room.

    Parameters
    ----------
    axes : Axes
        With its limits across set.
    places : array, shape (n,)
        In print order.
    blocks : Series
        Block of each.
    name : bool, default True
        Whether blocks are named at all.
    inches : float
        Width of the axes, about.
    """
    borders = border_places(places, blocks)
    if not len(borders):
        return
    for border in borders:
        axes.axvline(border, color=LINE, lw=1.0, zorder=1)
    low, high = axes.get_xlim()
    edges = np.array([low, *borders, high])
    words = [f"block {blocks.iloc[int(np.searchsorted(places, edge))]}" for edge in edges[:-1]]
    room = np.diff(edges) / (high - low) * inches
    if not name or any(text_width(w, SMALL) > r - 0.05 for w, r in zip(words, room, strict=True)):
        return
    for word, edge in zip(words, edges[:-1], strict=True):
        axes.annotate(
            word, (edge, 1), (3, 3), xycoords=axes.get_xaxis_transform(), textcoords="offset points",
            size=SMALL, color=MUTED, va="bottom",
        )  # fmt: skip


def order_axis(axes: Axes, places: FloatArray) -> None:
    """Give an axes the print order across: whole numbers, half a place of room at the ends."""
    axes.set_xlim(places.min() - 0.7, places.max() + 0.7)
    few = np.ptp(places) < 8
    axes.xaxis.set_major_locator(
        MultipleLocator(1) if few else MaxNLocator(8, integer=True, steps=[1, 2, 5, 10])
    )
    axes.set(xlabel="Print order")
