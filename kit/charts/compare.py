"""Comparisons: every print of each level, and each difference beside the margin."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from kit.charts.labels import (
    capital,
    decimals_for,
    lower_first,
    number,
    response_axis,
    stem,
    wrapped,
)
from kit.charts.picture import Picture
from kit.charts.style import (
    ACCENT,
    ALLOWED,
    BAND,
    BODY,
    EDGE,
    INK,
    MUTED,
    SMALL,
    WIDTH,
    bare,
    dots,
    drawing,
    finish,
    framed,
    heading,
    heading_room,
    round_ticks,
)
from kit.model.compare import Comparison
from kit.model.pairs import LESS, MORE, Pair
from kit.saying import counted, with_unit
from kit.study.description import Response
from kit.terms import FloatArray

LINE_IN, LANE_IN, GAP_IN, AXIS_IN = 0.215, 0.27, 0.15, 0.62
MOST_PAIRS = 15


def draw_differences(comparison: Comparison, response: Response) -> Picture:
    """Draw each difference as a dot with its intervals, the margin shaded behind.

    Parameters
    ----------
    comparison : Comparison
        Of one category and response; with many pairs the first `MOST_PAIRS` are drawn.
    response : Response
        Its title and unit.

    Returns
    -------
    Picture
    """
    pairs = comparison.pairs[:MOST_PAIRS]
    ends = _ends(pairs, comparison.margin)
    decimals = decimals_for(ends[1] - ends[0])
    said = [_change(p, response, decimals) for p in pairs]
    room = WIDTH - 4 * EDGE
    with drawing():
        heads = [
            wrapped(f"{p.second} against {p.first}", heading_room(c, room), SMALL, lines=3)
            for p, c in zip(pairs, said, strict=True)
        ]
        note = "Dot: estimate. Thick bar: 90 % interval. Thin bar: 95 %, for all pairs at once."
        if comparison.margin is not None:
            margin = with_unit(number(comparison.margin, _places(comparison.margin)), response.unit)
            note += f" Shaded: less than the margin of {margin}."
        depth = sum((h.count("\n") + 1) * LINE_IN + LANE_IN + GAP_IN for h in heads)
        title = f"{capital(comparison.factor.replace('_', ' '))}: differences in {response.title}"
        figure = framed(title, note, depth + AXIS_IN)
        axes = figure.subplots()
        pad = 0.05 * (ends[1] - ends[0])
        axes.set(xlim=(ends[0] - pad, ends[1] + pad), ylim=(depth, 0))
        top = 0.0
        for head, words, pair in zip(heads, said, pairs, strict=True):
            top = _lane(axes, head, words, top, pair, comparison.margin)
        bare(axes, "bottom")
        round_ticks(axes.xaxis, 6)
        label = "Difference in " + lower_first(response_axis(response))
        axes.set_xlabel(wrapped(label, room, BODY, lines=2))
        finish(figure)
    told = "; ".join(
        f"{p.second} against {p.first} {' '.join(c)}, {_verdict(p)}"
        for p, c in zip(pairs, said, strict=True)
    )
    alt = f"Differences in {response.title} with intervals. {told}."
    more = "" if len(pairs) == len(comparison.pairs) else f" The first {MOST_PAIRS} pairs."
    caption = (
        f"Differences in {response.title}: a thick bar wholly inside the shade shows a difference smaller than the margin."
        if comparison.margin is not None
        else f"Differences in {response.title} with their intervals; no margin is stated."
    )
    return Picture(
        f"differences-{stem(comparison.factor, response.name)}", figure, alt, caption + more
    )


def draw_levels(comparison: Comparison, prints: pd.DataFrame, response: Response) -> Picture:
    """Draw every print of each level, and the level's mean with its interval.

    Parameters
    ----------
    comparison : Comparison
        Of one category and response.
    prints : DataFrame
        One row a print: ``level``, ``value``.
    response : Response
        Its title and unit.

    Returns
    -------
    Picture
    """
    table = comparison.levels
    values = prints["value"].to_numpy(dtype=float)
    known = table[["low", "high"]].to_numpy(dtype=float)
    low, high = min(values.min(), known.min()), max(values.max(), known.max())
    pad = 0.05 * (high - low or 1.0)
    row_in = 0.52
    with drawing():
        figure = framed(
            f"{capital(comparison.factor.replace('_', ' '))}: every print's {response.title}",
            "Small dots: prints. Large dot and bar: mean of the level and its 95 % interval.",
            row_in * len(table) + AXIS_IN,
        )
        axes = figure.subplots()
        axes.set(xlim=(low - pad, high + pad), ylim=(len(table) - 0.5, -0.5))
        for row, level in enumerate(table.to_dict("records")):
            axes.axhspan(row - 0.36, row + 0.36, color=BAND, lw=0, zorder=0)
            mine = prints.loc[prints["level"] == level["level"], "value"].to_numpy(dtype=float)
            dots(
                axes,
                mine,
                row + 0.14 * np.ones(len(mine)),
                size=6,
                fill="white",
                rim=INK,
                width=1.1,
            )
            axes.hlines(row - 0.14, level["low"], level["high"], color=ACCENT, lw=3.2, zorder=3)
            dots(axes, [level["estimate"]], [row - 0.14], size=9.5, fill=ACCENT, width=1.2, layer=4)
        names = [wrapped(str(name), 1.9, SMALL, lines=2) for name in table["level"]]
        axes.set_yticks(range(len(table)), names)
        bare(axes, "left", "bottom")
        axes.spines["left"].set_visible(False)
        axes.tick_params(left=False)
        round_ticks(axes.xaxis, 6)
        axes.set_xlabel(wrapped(response_axis(response), 4.0, BODY, lines=2))
        finish(figure)
    places = decimals_for(float(high - low))
    told = "; ".join(
        f"{r['level']} {with_unit(number(r['estimate'], places), response.unit)} "
        f"({number(r['low'], places)} to {number(r['high'], places)}) from {counted(int(r['prints']), 'print')}"
        for r in table.to_dict("records")
    )
    alt = (
        f"Prints of each level of {comparison.factor} and their means in {response.title}. {told}."
    )
    caption = f"{capital(response.title)} of every print, by {comparison.factor.replace('_', ' ')}."
    return Picture(f"levels-{stem(comparison.factor, response.name)}", figure, alt, caption)


def _ends(pairs: tuple[Pair, ...], margin: float | None) -> tuple[float, float]:
    edge = margin or 0.0
    values = [0.0, -edge, edge, *(v for p in pairs for v in (p.low_all, p.high_all))]
    return min(values), max(values)


def _places(value: float) -> int:
    return next((d for d in range(4) if abs(round(value, d) - value) < 1e-9), 4)


def _change(pair: Pair, response: Response, decimals: int) -> tuple[str, str]:
    test = pair.equivalence
    low, high = (pair.low, pair.high) if test is None else (test.low, test.high)
    words = [number(v, decimals, sign=True) for v in (pair.estimate, low, high)]
    return with_unit(words[0], response.unit), f"({words[1]} to {words[2]})"


def _verdict(pair: Pair) -> str:
    return {
        MORE: "more than the margin",
        LESS: "less than the margin",
    }.get(pair.verdict, "whether by less than the margin is open")


def _lane(
    axes: Axes,
    head: str,
    words: tuple[str, str],
    top: float,
    pair: Pair,
    margin: float | None,
) -> float:
    """Draw one difference below its heading; gives the top of the next."""
    upper = top + (head.count("\n") + 1) * LINE_IN
    middle, lower = upper + LANE_IN / 2, upper + LANE_IN
    heading(axes, upper - 0.06, head, words)
    axes.axhspan(upper, lower, color=BAND, lw=0, zorder=0)
    if margin is not None:
        across: FloatArray = np.array([-margin, margin])
        axes.fill_between(across, upper, lower, color=ALLOWED, lw=0, zorder=0.5)
        axes.vlines(across, upper, lower, color=INK, lw=1.6, zorder=1.5)
    axes.vlines(0, upper, lower, color=MUTED, lw=0.9, zorder=1)
    axes.hlines(middle, pair.low_all, pair.high_all, color=ACCENT, lw=1.3, zorder=3)
    test = pair.equivalence
    low, high = (pair.low, pair.high) if test is None else (test.low, test.high)
    axes.hlines(middle, low, high, color=ACCENT, lw=4.2, zorder=3)
    dots(axes, [pair.estimate], [middle], size=9.5, fill=ACCENT, width=1.2, layer=4)
    return lower + GAP_IN
