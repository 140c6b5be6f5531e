"""The plan as a picture: one lane a factor, in print order."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes

from kit.charts.labels import factor_axis, plain, wrapped
from kit.charts.maps import foot_key, key_mark, key_rows
from kit.charts.order import border_places, in_print_order, mark_blocks, order_axis
from kit.charts.picture import Picture
from kit.charts.style import ACCENT, EDGE, INK, LINE, SMALL, WIDTH, dots, drawing, finish, framed
from kit.saying import counted
from kit.study.description import Factor, Study

LANE_IN, LEVEL_IN = 0.95, 0.26  # heights, in
LOOKS: dict[str, dict[str, Any]] = {
    "planned": {"marker": "o", "fill": "white", "rim": ACCENT, "width": 1.6},
    "printed": {"marker": "o", "fill": ACCENT, "rim": "white", "width": 0.8},
    "failed": {"marker": "X", "fill": INK, "rim": "white", "width": 0.8},
}


def draw_plan(runs: pd.DataFrame, study: Study) -> Picture:
    """Draw the settings of every run in print order, blocks parted, so that the mixing can be seen.

    Parameters
    ----------
    runs : DataFrame
        The runs table: ``run``, ``block``, ``print_order``, ``status`` and the factor columns.
    study : Study
        Labels, units and limits.

    Returns
    -------
    Picture
    """
    ordered = in_print_order(runs)
    statuses = [s for s in LOOKS if (ordered["status"] == s).any()]
    blocks = ordered["block"].nunique()
    heights = [max(LANE_IN, LEVEL_IN * len(f.levels) + 0.35) for f in study.factors]
    count = counted(len(ordered), "print") + (f" in {blocks} blocks" if blocks > 1 else "")
    with drawing():
        keys = [_key(s) for s in statuses] if statuses != ["planned"] else []
        figure = framed(
            f"The plan: {count}",
            "One lane a setting, from the first print at the left to the last.",
            sum(heights) + 0.75,
            foot=key_rows(keys),
        )
        lanes = list(
            figure.subplots(len(heights), 1, sharex=True, squeeze=False, height_ratios=heights)[
                :, 0
            ]
        )
        for axes, factor in zip(lanes, study.factors, strict=True):
            _lane(axes, ordered, factor, study, statuses)
        order_axis(lanes[-1], ordered["place"].to_numpy())
        for axes in lanes:
            mark_blocks(axes, ordered["place"].to_numpy(), ordered["block"], name=False)
        for axes in lanes[:-1]:
            axes.tick_params(bottom=False, labelbottom=False)
        if keys:
            foot_key(figure, keys)
        finish(figure)
    return Picture(
        "plan", figure, _alt(ordered, study, count), f"The settings of the {count} in print order."
    )


def _key(status: str) -> Artist:
    look = LOOKS[status]
    return key_mark(
        status,
        marker=look["marker"],
        ms=8,
        mfc=look["fill"],
        mec=look["rim"],
        mew=look["width"],
    )


def _lane(
    axes: Axes, ordered: pd.DataFrame, factor: Factor, study: Study, statuses: Sequence[str]
) -> None:
    """Draw one factor: its settings as dots, joined within a block by a quiet stepped line."""
    levels = {level: float(i) for i, level in enumerate(factor.levels)}
    y = ordered[factor.name].map(levels) if factor.is_category else ordered[factor.name]
    y = y.astype(float)
    if factor.is_category:
        axes.set_yticks(list(levels.values()), [wrapped(v, 1.3, SMALL, lines=1) for v in levels])
        span = (0.0, max(len(levels) - 1.0, 0.5))
    else:
        coded = factor.coded
        ticks = [coded.low, coded.middle, coded.high]
        axes.set_yticks(ticks, [plain(t) for t in ticks])
        span = (min(coded.low, y.min()), max(coded.high, y.max()))
    pad = 0.18 * (span[1] - span[0])
    axes.set_ylim(span[0] - pad, span[1] + pad)
    part = np.searchsorted(
        border_places(ordered["place"].to_numpy(), ordered["block"]), ordered["place"]
    )
    for _, rows in ordered.assign(_y=y).groupby(part):
        axes.step(rows["place"], rows["_y"], where="mid", color=LINE, lw=1.6, zorder=2)
    size = 8.0 if len(ordered) <= 30 else 5.5 if len(ordered) <= 60 else 3.5
    for status in statuses:
        mine = (ordered["status"] == status).to_numpy()
        dots(axes, ordered["place"][mine], y[mine], size=size, layer=3, **LOOKS[status])
    axes.grid(axis="y", color=LINE, lw=0.6, zorder=0.5)
    axes.set(xlabel="", ylabel="")
    axes.set_title(
        wrapped(factor_axis(study, factor.name), WIDTH - 1.5 - EDGE, SMALL, lines=2),
        size=SMALL,
        loc="left",
        pad=4,
    )
    axes.spines["bottom"].set_visible(False)


def _alt(ordered: pd.DataFrame, study: Study, count: str) -> str:
    parts = []
    for factor in study.factors:
        seen = ordered[factor.name]
        if factor.is_category:
            tally = ", ".join(
                f"{level} {int((seen == level).sum())}\u00d7" for level in factor.levels
            )
        else:
            values = np.unique(seen.astype(float))
            tally = ", ".join(
                f"{plain(v)} {int(np.isclose(seen.astype(float), v).sum())}\u00d7"
                for v in values[:9]
            )
            tally += " and others" if len(values) > 9 else ""
        parts.append(f"{factor_axis(study, factor.name)}: {tally}")
    return f"Settings of {count} in print order. " + "; ".join(parts) + "."
