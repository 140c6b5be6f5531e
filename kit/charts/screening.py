"""Screening in pictures: each effect beside the margin of chance, and all effects against pure chance."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from scipy import stats

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
from kit.model.screening import QUIET, Screening
from kit.saying import with_unit
from kit.study.description import Response

LINE_IN, LANE_IN, GAP_IN, AXIS_IN = 0.215, 0.25, 0.11, 0.62
MOST_JOINT = 6
"""At most so many joint effects are drawn, the largest, in study order."""


def draw_screening(found: Screening, response: Response) -> Picture:
    """Draw what each setting does from low to high as a dot with its interval, the margin of chance shaded.

    Parameters
    ----------
    found : Screening
        Of one response.
    response : Response
        Its title and unit.

    Returns
    -------
    Picture
        Single settings in study order, then the largest joint effects.
    """
    rows = _shown(found)
    low = min([0.0, -found.lenth.margin, *(float(r["low"]) for r in rows)])
    high = max([0.0, found.lenth.margin, *(float(r["high"]) for r in rows)])
    decimals = decimals_for(high - low)
    said = [
        (with_unit(number(r["estimate"], decimals, sign=True), response.unit), str(r["verdict"]))
        for r in rows
    ]
    margin = with_unit(number(found.lenth.margin, decimals), response.unit)
    with drawing():
        room = WIDTH - 4 * EDGE
        heads = [
            wrapped(
                effect_words(str(r["effect"])),
                heading_room(("+00.0 unit", s[1]), room),
                SMALL,
                lines=2,
            )
            for r, s in zip(rows, said, strict=True)
        ]
        depth = sum((h.count("\n") + 1) * LINE_IN + LANE_IN + GAP_IN for h in heads)
        figure = framed(
            f"What each setting does to {response.title}, from low to high",
            f"Dot: effect. Bar: its 95 % interval. Shaded: up to {margin}, chance alone may do that much.",
            depth + AXIS_IN,
        )
        axes = figure.subplots()
        pad = 0.05 * (high - low)
        axes.set(xlim=(low - pad, high + pad), ylim=(depth, 0))
        top = 0.0
        for head, words, row in zip(heads, said, rows, strict=True):
            top = _lane(axes, head, words, top, row, found.lenth.margin)
        bare(axes, "bottom")
        round_ticks(axes.xaxis, 6)
        label = "Change of " + lower_first(response_axis(response))
        axes.set_xlabel(wrapped(label, room, BODY, lines=2))
        finish(figure)
    told = "; ".join(
        f"{effect_words(str(r['effect']))} {s[0]}, {s[1]}" for r, s in zip(rows, said, strict=True)
    )
    alt = f"Change of {response.title} from low to high of each setting; up to {margin} may be chance. {told}."
    caption = (
        f"Effects on {response.title}, joint ones below; a bar that leaves the zero line behind is larger than chance makes single "
        "effects."
    )
    return Picture(f"screening-{stem(response.name)}", figure, alt, caption)


def draw_half_normal(found: Screening, response: Response) -> Picture:
    """Draw all effects by size against what pure chance would give, every point named.

    Parameters
    ----------
    found : Screening
        Of one response.
    response : Response
        Its title and unit.

    Returns
    -------
    Picture
    """
    table = found.effects.assign(size=found.effects["estimate"].abs())
    table = table.sort_values("size", ascending=False, kind="stable").reset_index(drop=True)
    m = len(table)
    chance = stats.norm.ppf((1 + (m - np.arange(m) - 0.5) / m) / 2)
    row_in = 0.27
    decimals = decimals_for(float(table["size"].max()))
    with drawing():
        figure = framed(
            f"Effects on {response.title} by size",
            "Ring: where chance alone would put an effect of that rank. Dot: the effect, without sign.",
            row_in * m + AXIS_IN,
        )
        axes = figure.subplots()
        reach = max(float(table["size"].max()), float(chance.max() * found.lenth.pse))
        axes.set(xlim=(-0.03 * reach, 1.08 * reach), ylim=(m - 0.4, -0.6))
        for place in range(m):
            axes.axhline(place, color=BAND, lw=8, zorder=0)
        rows = np.arange(m)
        dots(
            axes, chance * found.lenth.pse, rows, size=8, fill="white", rim=INK, width=1.1, layer=2
        )
        standing = (table["verdict"] != QUIET).to_numpy()
        for chosen, fill in ((standing, ACCENT), (~standing, MUTED)):
            dots(
                axes,
                table["size"].to_numpy()[chosen],
                rows[chosen],
                size=7,
                fill=fill,
                width=0.8,
                layer=3,
            )
        names = [wrapped(effect_words(str(n)), 2.3, SMALL, lines=1) for n in table["effect"]]
        axes.set_yticks(range(m), names)
        bare(axes, "left", "bottom")
        axes.spines["left"].set_visible(False)
        axes.tick_params(left=False)
        round_ticks(axes.xaxis, 5)
        axes.set_xlabel(
            wrapped(
                "Size of the effect on " + lower_first(response_axis(response)), 3.6, BODY, lines=2
            )
        )
        finish(figure)
    told = "; ".join(
        f"{effect_words(str(r['effect']))} {with_unit(number(r['size'], decimals), response.unit)}"
        for r in table.head(6).to_dict("records")
    )
    alt = f"Sizes of {m} effects on {response.title} beside what chance alone would give. The largest: {told}."
    caption = "Dots far right of their rings are larger than chance explains; dots on their rings are what scatter gives."
    return Picture(f"screening-sizes-{stem(response.name)}", figure, alt, caption)


def effect_words(name: str) -> str:
    """Write an effect as a maker reads it.

    Returns
    -------
    str

    Examples
    --------
    >>> effect_words("nozzle:speed"), effect_words("layer_height")
    ('Nozzle × speed', 'Layer height')
    """
    words = name.replace(":", " × ").replace("_", " ")
    return capital(f"{words[:-2]} squared" if words.endswith("^2") else words)


def _shown(found: Screening) -> list[dict[str, Any]]:
    table = found.effects
    joint = table[table["order"] > 1]
    largest = joint["estimate"].abs().nlargest(MOST_JOINT).index
    shown = table[(table["order"] == 1) | table.index.isin(largest)]
    return [{str(k): v for k, v in row.items()} for row in shown.to_dict("records")]


def _lane(
    axes: Axes, head: str, words: tuple[str, str], top: float, row: dict[str, Any], margin: float
) -> float:
    """Draw one effect below its heading; gives the top of the next."""
    upper = top + (head.count("\n") + 1) * LINE_IN
    middle, lower = upper + LANE_IN / 2, upper + LANE_IN
    heading(axes, upper - 0.05, head, words)
    axes.axhspan(upper, lower, color=BAND, lw=0, zorder=0)
    axes.fill_between([-margin, margin], upper, lower, color=ALLOWED, lw=0, zorder=0.5)
    axes.vlines(0, upper, lower, color=INK, lw=1.0, zorder=1)
    axes.hlines(middle, row["low"], row["high"], color=ACCENT, lw=3.0, zorder=3)
    quiet = row["verdict"] == QUIET
    dots(
        axes, [float(str(row["estimate"]))], [middle], size=9, fill="white" if quiet else ACCENT,
        rim=ACCENT, width=1.6, layer=4,
    )  # fmt: skip
    return lower + GAP_IN
