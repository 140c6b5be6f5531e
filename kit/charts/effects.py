"""What a step of each setting does to a response: dots with intervals, in the response's own unit."""

from __future__ import annotations

from math import ceil, exp, floor, log

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter

from kit.charts.labels import (
    Setting,
    capital,
    decimals_for,
    factor_title,
    lower_first,
    number,
    plain,
    response_axis,
    stem,
    wrapped,
)
from kit.charts.picture import Picture
from kit.charts.style import (
    ACCENT,
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
)
from kit.saying import with_unit
from kit.study.description import Response, Study
from kit.terms import FloatArray

LINE_IN, LANE_IN, GAP_IN, AXIS_IN = 0.215, 0.27, 0.15, 0.62  # heights in inches


def draw_effects(
    effects: pd.DataFrame,
    response: Response,
    study: Study | None = None,
    about: str = "",
    *,
    ratios: bool = False,
) -> Picture:
    """Draw what changing each setting from one end to the other does to a response.

    Factors keep the order of the study in every picture, whatever their size.

    Parameters
    ----------
    effects : DataFrame
        One row a factor, or one a level of a category against the first, in study order: columns ``factor``,
        ``unit``, ``from``, ``to`` (settings or levels), ``estimate``, ``low``, ``high`` (95 % interval, in the
        response's unit; missing = not estimable), as `kit.model.effects.step_effects` gives it.
    response : Response
        Its title and unit.
    study : Study, optional
        Names the factors by their kind and restores their order.
    about : str
        What the changes are measured from, where that needs saying.
    ratios : bool
        The changes are logarithms of ratios; they are written as factors, on a scale of equal ratios.

    Returns
    -------
    Picture
    """
    table = _in_study_order(effects, study)
    numbers = table[["estimate", "low", "high"]].to_numpy(dtype=float)
    ends = _ends(numbers)
    columns = (table[name] for name in ("factor", "unit", "from", "to"))
    steps = [_step_text(study, *row) for row in zip(*columns, strict=True)]
    decimals = decimals_for(ends[1] - ends[0])
    changes = [
        _ratio_text(row) if ratios else _change_text(row, response, decimals) for row in numbers
    ]
    doubtful = (numbers[:, 1] <= 0) & (numbers[:, 2] >= 0)
    title = " ".join(response.title.split())
    with drawing():
        room = WIDTH - 4 * EDGE
        heads = [
            wrapped(s, heading_room(c, room), SMALL, lines=4)
            for s, c in zip(steps, changes, strict=True)
        ]
        tops, depth = _places(heads)
        note = "Dot: best estimate, the other settings in the middle. Bar: 95 % interval."
        note += " Hollow: may be no change at all." if doubtful.any() else ""
        note += f" {about}" if about else ""
        figure = framed(f"What each setting does to {title}", note, depth + AXIS_IN)
        axes = figure.subplots()
        pad = 0.05 * (ends[1] - ends[0])
        axes.set(xlim=(ends[0] - pad, ends[1] + pad), ylim=(depth, 0))
        for lane in zip(heads, changes, tops, numbers, strict=True):
            _lane(axes, *lane)
        middles = np.array([_middle(h, t) for h, t in zip(heads, tops, strict=True)])
        for chosen, fill in ((~doubtful, ACCENT), (doubtful, "white")):
            x, y = numbers[chosen, 0], middles[chosen]
            dots(axes, x, y, size=9.5, fill=fill, rim=ACCENT, width=1.8, layer=4)
        bare(axes, "bottom")
        label = "Change of " + lower_first(response_axis(response))
        if ratios:
            axes.xaxis.set_major_locator(FixedLocator(_ratio_ticks(ends)))
            axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: _factor(exp(value))))
        axes.set(xlabel=wrapped(label, room, BODY, lines=2), ylabel="")
        finish(figure)
    said = "; ".join(f"{s}: {' '.join(c)}".strip() for s, c in zip(steps, changes, strict=True))
    alt = (
        f"Change of {title} from one end of each setting to the other, with 95 % interval. {said}."
    )
    caption = (
        f"What a step of each setting, the others in the middle, does to {title};"
        f" a bar that reaches over {'×1' if ratios else 'zero'} means that there may be no change."
    )
    return Picture(f"effects-{stem(response.name)}", figure, alt, caption)


def _ends(numbers: FloatArray) -> tuple[float, float]:
    """Give the ends of the axis: all intervals, and always zero."""
    known = numbers[np.isfinite(numbers).all(axis=1)]
    low, high = min(0.0, known.min(initial=0.0)), max(0.0, known.max(initial=0.0))
    return (low, high) if high > low else (-1.0, 1.0)


def _places(heads: list[str]) -> tuple[list[float], float]:
    """Give the top of each lane's heading and the depth of all, in inches."""
    tops, y = [], 0.0
    for head in heads:
        tops.append(y)
        y += (head.count("\n") + 1) * LINE_IN + LANE_IN + GAP_IN
    return tops, y


def _middle(head: str, top: float) -> float:
    return top + (head.count("\n") + 1) * LINE_IN + LANE_IN / 2


def _lane(axes: Axes, head: str, change: tuple[str, str], top: float, row: FloatArray) -> None:
    """Draw one lane: heading, ground, the mark of no change, the interval."""
    middle = _middle(head, top)
    upper, lower = middle - LANE_IN / 2, middle + LANE_IN / 2
    heading(axes, upper - 0.06, head, change)
    axes.axhspan(upper, lower, color=BAND, lw=0, zorder=0)
    axes.vlines(0, upper, lower, color=INK, lw=1.2, zorder=1)
    if np.isfinite(row).all():
        axes.hlines(middle, row[1], row[2], color=ACCENT, lw=3.2, zorder=3)
        return
    axes.text(
        0.5, middle, "cannot be told from these runs", transform=axes.get_yaxis_transform(),
        size=SMALL, ha="center", va="center", color=MUTED,
    )  # fmt: skip


def _in_study_order(effects: pd.DataFrame, study: Study | None) -> pd.DataFrame:
    if study is None:
        return effects
    place = {name: i for i, name in enumerate(study.coding.names)}
    return effects.assign(_place=effects["factor"].map(place)).sort_values("_place", kind="stable")


def _step_text(study: Study | None, factor: str, unit: str, start: Setting, end: Setting) -> str:
    title = factor_title(study, factor) if study is not None else capital(factor.replace("_", " "))
    if isinstance(start, str):
        return f"{title}: {start} → {end}"
    return f"{title} {plain(start)} → {with_unit(plain(end), unit)}"


def _ratio_text(row: FloatArray) -> tuple[str, str]:
    if not np.isfinite(row).all():
        return "not known", ""
    estimate, low, high = (_factor(exp(v)) for v in row)
    return estimate, f"({low} to {high})"


def _factor(ratio: float) -> str:
    """Write a factor to three figures, such as ``×1.12``."""
    return f"×{float(f'{ratio:.3g}'):.10g}"


def _ratio_ticks(ends: tuple[float, float]) -> list[float]:
    """Give round factors across the axis, 1 among them, about six at most."""
    low, high = ends
    for factor in (1.05, 1.1, 1.2, 1.5, 2.0, 3.0, 5.0, 10.0, 100.0, 1e4):
        step = log(factor)
        places = [i * step for i in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1)]
        if len(places) <= 7:
            return places
    return [0.0]


def _change_text(row: FloatArray, response: Response, decimals: int) -> tuple[str, str]:
    if not np.isfinite(row).all():
        return "not known", ""
    estimate, low, high = (number(v, decimals, sign=True) for v in row)
    return with_unit(estimate, response.unit), f"({low} to {high})"
