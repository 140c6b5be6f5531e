"""Running effects of small steps: one lane an effect, cycle by cycle, with error limits that close in."""

from __future__ import annotations

import numpy as np

from kit.charts.labels import number, response_axis, stem, wrapped
from kit.charts.picture import Picture
from kit.charts.style import (
    ACCENT,
    BODY,
    EDGE,
    LINE,
    MUTED,
    SMALL,
    WIDTH,
    bare,
    dots,
    drawing,
    finish,
    framed,
    round_ticks,
)
from kit.model.small_steps import RunningEffect, SmallSteps
from kit.saying import with_unit

ROW_IN = 0.24


def draw_running(steps: SmallSteps) -> Picture | None:
    """Draw how each effect settles from cycle to cycle.

    Parameters
    ----------
    steps : SmallSteps
        One response.

    Returns
    -------
    Picture or None
        None before the second cycle, when there are no limits yet.
    """
    if steps.cycles < 2:
        return None
    names = list(dict.fromkeys(e.name for e in steps.running))
    shown = [e for e in steps.running if np.isfinite(e.half_width)]
    reach = 1.08 * max(max(abs(e.low), abs(e.high)) for e in shown)
    title = " ".join(steps.response.title.split())
    cycles = range(2, steps.cycles + 1)
    with drawing():
        figure = framed(
            f"{title[:1].upper()}{title[1:]}: what the small steps do",
            "Dot and bar: low against high with its 95 % interval, from all cycles up to the one named. At 0 nothing changes.",
            (ROW_IN * len(cycles) + 0.4) * len(names) + 0.6,
        )
        lanes = list(figure.subplots(len(names), 1, sharex=True, squeeze=False)[:, 0])
        for axes, name in zip(lanes, names, strict=True):
            mine = [e for e in shown if e.name == name]
            axes.axvline(0, color=MUTED, lw=0.8, zorder=1)
            for e in mine:
                axes.plot([e.low, e.high], [e.cycles, e.cycles], color=ACCENT, lw=2.0, zorder=2)
            dots(
                axes,
                [e.estimate for e in mine],
                [e.cycles for e in mine],
                size=7,
                fill=ACCENT,
                layer=3,
            )
            axes.set(xlim=(-reach, reach), ylim=(steps.cycles + 0.6, 1.4))
            axes.set_yticks(list(cycles), [f"{c} cycles" for c in cycles])
            axes.grid(axis="x", color=LINE, lw=0.6, zorder=0.5)
            axes.set_title(
                wrapped(name.replace(":", " with "), WIDTH - 1.2 - EDGE, SMALL, lines=1),
                size=SMALL,
                loc="left",
                pad=3,
            )
            bare(axes, *(["bottom"] if axes is lanes[-1] else []))
            axes.tick_params(labelleft=True)
        round_ticks(lanes[-1].xaxis, 6)
        lanes[-1].set_xlabel(
            wrapped(
                f"Change of {response_axis(steps.response)} from low to high",
                WIDTH - 1,
                BODY,
                lines=2,
            )
        )
        finish(figure)
    said = "; ".join(_words(e, steps) for e in steps.latest)
    return Picture(
        f"running-{stem(steps.response.name)}", figure, f"Running effects on {title} after {steps.cycles} cycles: {said}.",
        f"Effects of the small steps on {title}, cycle by cycle.",
    )  # fmt: skip


def _words(effect: RunningEffect, steps: SmallSteps) -> str:
    digits = (
        max(0, 1 - int(np.floor(np.log10(effect.half_width))))
        if 0 < effect.half_width < np.inf
        else 2
    )
    ends = f"{number(effect.low, digits, sign=True)} to {number(effect.high, digits, sign=True)}"
    return f"{effect.name} {with_unit(ends, steps.response.unit)}"
