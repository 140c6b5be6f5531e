"""The gauge study: how far readings of one part lie apart, and the measuring beside the requirement."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import cycle

import numpy as np
import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes

from kit.charts.labels import axis_label, capital, decimals_for, number, stem, text_width, wrapped
from kit.charts.maps import foot_key, key_mark, key_rows
from kit.charts.picture import Picture
from kit.charts.style import (
    ACCENT,
    ALLOWED,
    BAND,
    BODY,
    EDGE,
    INK,
    LINE,
    MARKERS,
    PALETTE,
    SMALL,
    WIDTH,
    bare,
    dots,
    drawing,
    finish,
    framed,
    heading,
    round_ticks,
)
from kit.model.gauge_result import Component, Gauge
from kit.saying import counted, with_unit

STRIP_IN, AXIS_IN = 0.34, 0.62
LANE_IN = 0.62
MOST_STRIPS = 40
REACH = 4.0
"""An interval is cut off this many times beyond the largest estimate, and its end written instead."""


def draw_gauge_strips(readings: pd.DataFrame, gauge: Gauge, title: str, unit: str) -> Picture:
    """Draw one strip a part with the readings of all operators, as deviations from the part's mean.

    Parameters
    ----------
    readings : DataFrame
        ``part``, ``operator``, ``value``, as they were analysed.
    gauge : Gauge
        What the study found.
    title, unit : str
        Of what was read.

    Returns
    -------
    Picture
    """
    means = readings.groupby("part")["value"].mean().sort_values()
    parts = list(means.index[:MOST_STRIPS])
    operators = list(dict.fromkeys(readings["operator"]))
    decimals = decimals_for(float(np.ptp(means)) or gauge.measuring_sd, figures=3)
    off = readings["value"] - readings["part"].map(means)
    reach = 1.12 * max(float(off.abs().max()), 2 * gauge.repeat_sd) or 1.0
    names = [f"{p}: {with_unit(number(means[p], decimals), unit)}" for p in parts]
    with drawing():
        keys = _operator_keys(operators)
        figure = framed(
            f"How far readings of one part lie apart: {title}",
            f"One strip a part, its mean beside it. Band: ±2 SD of repeat readings, ±{with_unit(number(2 * gauge.repeat_sd, decimals_for(gauge.repeat_sd, 2)), unit)}.",
            STRIP_IN * len(parts) + AXIS_IN,
            foot=key_rows(keys),
        )
        axes = figure.subplots()
        axes.set(xlim=(-reach, reach), ylim=(len(parts) - 0.5, -0.5))
        for row, part in enumerate(parts):
            axes.axhspan(row - 0.36, row + 0.36, color=BAND, lw=0, zorder=0)
            mine = readings["part"] == part
            _strip(axes, row, readings[mine], off[mine], operators)
        axes.axvspan(
            -2 * gauge.repeat_sd, 2 * gauge.repeat_sd, color=ALLOWED, lw=0, zorder=0.5, alpha=0.7
        )
        axes.axvline(0, color=INK, lw=1.0, zorder=1)
        axes.set_yticks(range(len(parts)), [wrapped(n, 2.4, SMALL, lines=1) for n in names])
        bare(axes, "left", "bottom")
        axes.spines["left"].set_visible(False)
        axes.tick_params(left=False)
        round_ticks(axes.xaxis, 5)
        axes.set_xlabel(
            wrapped(axis_label("reading minus the part's mean", unit), 4.0, BODY, lines=2)
        )
        foot_key(figure, keys)
        finish(figure)
    widest = float(
        (readings.groupby("part")["value"].max() - readings.groupby("part")["value"].min()).max()
    )
    alt = (
        f"{counted(len(readings), 'reading')} of {counted(gauge.parts, 'part')} by {counted(gauge.operators, 'operator')}: repeat readings scatter with "
        f"an SD of {with_unit(number(gauge.repeat_sd, decimals_for(gauge.repeat_sd, 2)), unit)}; readings of one part lie at most "
        f"{with_unit(number(widest, decimals_for(widest, 2)), unit)} apart."
    )
    more = "" if len(parts) == len(means) else f" The first {MOST_STRIPS} of {len(means)} parts."
    caption = f"Every reading of {title}, minus the mean of its part.{more}"
    return Picture(f"gauge-strips-{stem(title)}", figure, alt, caption)


def draw_gauge_components(
    gauge: Gauge, title: str, unit: str, width: float | None = None, share: str = ""
) -> Picture:
    """Draw each component as an SD with its interval, in the unit, below the width of the requirement.

    Parameters
    ----------
    gauge : Gauge
        What the study found.
    title, unit : str
        Of what was read.
    width : float, optional
        Upper less lower limit of the requirement, in the unit; None without two limits.
    share : str, optional
        What to write beside the width.

    Returns
    -------
    Picture
    """
    rows = [(words, found) for words, found in component_rows(gauge) if found is not None]
    largest = max([gauge.step_floor, *(c.sd for _, c in rows)]) or 1.0
    highs = [c.sd_high for _, c in rows if np.isfinite(c.sd_high)]
    end = 1.08 * max([largest, width or 0.0, min(max(highs, default=0.0), REACH * largest)])
    lanes = len(rows) + (width is not None)
    with drawing():
        figure = framed(
            f"Where the scatter of {title} readings comes from",
            f"Dot: SD. Bar: its {100 * gauge.confidence:.0f} % interval; an arrow runs off the picture."
            + (" Above: how wide the requirement is." if width is not None else ""),
            LANE_IN * lanes + AXIS_IN,
        )
        axes = figure.subplots()
        axes.set(xlim=(0, end), ylim=(LANE_IN * lanes, 0))
        top = 0.0
        if width is not None:
            _width_lane(axes, width, with_unit(number(width, decimals_for(width)), unit), share)
            top = LANE_IN
        for words, found in rows:
            _component_lane(axes, top, words, found, unit, end)
            top += LANE_IN
        bare(axes, "bottom")
        round_ticks(axes.xaxis, 6)
        axes.set_xlabel(axis_label("standard deviation", unit))
        finish(figure)
    said = "; ".join(f"{words}: {_sd_text(found, unit)}" for words, found in rows)
    alt = f"Scatter of {title} readings as standard deviations with intervals. {said}."
    if width is not None:
        alt += f" The requirement is {with_unit(number(width, decimals_for(width)), unit)} wide."
    caption = f"What measuring adds to readings of {title}, as standard deviations"
    caption += ", beside the width of the requirement." if width is not None else "."
    return Picture(f"gauge-components-{stem(title)}", figure, alt, caption)


def component_rows(gauge: Gauge) -> list[tuple[str, Component | None]]:
    """Give the components in words, in the order of pictures and tables."""
    pieces = " and like pieces" if gauge.destructive else ""
    rows = [
        (f"Repeat readings{pieces} (repeatability)", gauge.components["repeatability"]),
        ("Operators (reproducibility)", gauge.components["reproducibility"]),
    ]
    if gauge.components["interaction"] is not None:
        rows.append(("of which: from part to part", gauge.components["interaction"]))
    parts = "Parts, within operators" if gauge.layout == "nested" else "Parts"
    return [
        *rows,
        ("All the measuring", gauge.components["measuring"]),
        (parts, gauge.components["part"]),
    ]


def _sd_text(found: Component, unit: str) -> str:
    places = decimals_for(found.sd or found.sd_high, figures=2)
    text = with_unit(number(found.sd, places), unit)
    if not np.isfinite(found.sd_high):
        return text
    return f"{text} ({number(found.sd_low, places)} to {number(found.sd_high, places)})"


def _component_lane(
    axes: Axes, top: float, words: str, found: Component, unit: str, end: float
) -> None:
    middle = top + 0.42
    strong, _, rest = _sd_text(found, unit).partition(" (")
    room = WIDTH - 4 * EDGE - text_width(f"{strong} ({rest}", SMALL, bold=True) - 0.2
    heading(
        axes, top + 0.24, wrapped(words, room, SMALL, lines=1), (strong, f"({rest}" if rest else "")
    )
    axes.axhspan(top + 0.31, top + 0.53, color=BAND, lw=0, zorder=0)
    if np.isfinite(found.sd_high):
        axes.hlines(middle, found.sd_low, min(found.sd_high, end), color=ACCENT, lw=3.2, zorder=3)
        if found.sd_high > end:
            dots(axes, [end], [middle], size=9, fill=ACCENT, marker=">", width=0, layer=4)
    dots(axes, [found.sd], [middle], size=9.5, fill=ACCENT, width=1.2, layer=4)


def _width_lane(axes: Axes, width: float, said: str, share: str) -> None:
    heading(axes, 0.24, "Width of the requirement", (said, share))
    axes.axhspan(0.31, 0.53, color=BAND, lw=0, zorder=0)
    axes.fill_between([0, width], 0.31, 0.53, color=ALLOWED, lw=0, zorder=1)
    axes.vlines(width, 0.31, 0.53, color=INK, lw=2.0, zorder=2)


def _strip(
    axes: Axes, row: int, mine: pd.DataFrame, off: pd.Series, operators: Sequence[str]
) -> None:
    """Draw the readings of one part; operators a little below one another, so that none hides another."""
    spread = 0.46 / max(len(operators), 1)
    for place, (operator, marker, colour) in enumerate(
        zip(operators, cycle(MARKERS), cycle(PALETTE), strict=False)
    ):
        x = off[mine["operator"] == operator].to_numpy(dtype=float)
        y = np.full(len(x), row + (place - (len(operators) - 1) / 2) * spread)
        fill = colour if len(operators) > 1 else ACCENT
        if len(x):
            axes.hlines(y[0], x.min(), x.max(), color=LINE, lw=1.0, zorder=2)
        dots(axes, x, y, size=6, fill=fill, marker=marker, width=0.6, layer=3)


def _operator_keys(operators: Sequence[str]) -> list[Artist]:
    if len(operators) < 2:
        return []
    signs = zip(operators, cycle(MARKERS), cycle(PALETTE), strict=False)
    return [key_mark(capital(o or "not named"), marker=m, ms=7, mfc=c) for o, m, c in signs]
