"""Force-extension curves with what was read off them."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

import numpy as np
from matplotlib.axes import Axes

from kit.bench.curves import CHORD, CurveReading
from kit.charts.labels import number, wrapped
from kit.charts.maps import foot_key, key_line, key_mark, key_rows
from kit.charts.picture import Picture
from kit.charts.style import (
    ACCENT,
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

PER_PICTURE, COLUMNS = 8, 2
PANEL_IN = 1.65
MOST_POINTS = 800


def draw_curves(readings: Sequence[CurveReading], title: str) -> list[Picture]:
    """Draw every curve, eight a picture, all at one scale, with strength, yield, break and modulus on it.

    Parameters
    ----------
    readings : sequence of CurveReading
        In the order to be shown.
    title : str
        Of the strength.

    Returns
    -------
    list of Picture
    """
    pages = [readings[i : i + PER_PICTURE] for i in range(0, len(readings), PER_PICTURE)]
    across = max((float(_shown_x(r).max()) for r in readings), default=1.0)
    up = max((r.strength for r in readings), default=1.0)
    return [
        _page(page, title, i + 1, len(pages), (1.04 * across, 1.12 * up))
        for i, page in enumerate(pages)
    ]


def _page(
    page: Sequence[CurveReading], title: str, place: int, of: int, ends: tuple[float, float]
) -> Picture:
    rows = -(-len(page) // COLUMNS)
    label = "Strain (%)" if page[0].has_strain else "Extension (mm)"
    with drawing():
        keys = [
            key_mark("strength", marker="o", ms=7, mfc=ACCENT),
            key_mark("yield", marker="D", ms=6.5, mfc="white", mec=ACCENT, mew=1.6),
            key_mark("break", marker="x", ms=7, mec=INK, mew=1.8),
            key_line("slope of the modulus"),
        ]
        more = f" ({place} of {of})" if of > 1 else ""
        figure = framed(
            f"What was read off the curves: {title}{more}",
            "Zero and toe taken off. Named: run and specimen, strength.",
            PANEL_IN * rows + 0.3,
            foot=key_rows(keys),
        )
        grid = figure.subplots(rows, COLUMNS, squeeze=False, sharex=True, sharey=True)
        for axes, reading in zip(grid.flat, page, strict=False):
            _panel(axes, reading, ends)
        for axes in grid.flat[len(page) :]:
            axes.axis("off")
        for axes in grid[:, 0]:
            axes.set_ylabel("MPa")
        for column in range(COLUMNS):
            grid[
                rows - 1 if column < len(page) - (rows - 1) * COLUMNS else max(rows - 2, 0), column
            ].set_xlabel(label, size=BODY)
        foot_key(figure, keys)
        finish(figure)
    said = "; ".join(
        f"run {r.run} {r.specimen}: {r.strength:.1f} MPa"
        + (f", {', '.join(r.flags)}" if r.flags else "")
        for r in page
    )
    return Picture(
        f"curves-{place}", figure, f"Stress over {label.split(' (')[0].lower()} of {len(page)} specimens. {said}.",
        f"Curves of {title}, with what was read off each.",
    )  # fmt: skip


def _shown_x(reading: CurveReading) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.asarray((100 if reading.has_strain else 1) * reading.x[: reading.end + 1])


def _panel(axes: Axes, reading: CurveReading, ends: tuple[float, float]) -> None:
    x, y = _shown_x(reading), reading.stress[: reading.end + 1]
    thin = slice(None, None, max(1, len(x) // MOST_POINTS))
    axes.plot(x[thin], y[thin], color=MUTED, lw=1.4, zorder=2)
    if isfinite(reading.modulus):
        top = 0.75 * reading.strength
        axes.plot([0, 100 * top / reading.modulus], [0, top], color=INK, lw=1.0, zorder=3)
        axes.plot(
            [100 * c for c in CHORD],
            [c * reading.modulus for c in CHORD],
            color=ACCENT,
            lw=3,
            zorder=3,
        )
    if isfinite(reading.yield_stress):
        axes.plot(
            [x[reading.peak]],
            [reading.yield_stress],
            marker="D",
            ms=6.5,
            mfc="white",
            mec=ACCENT,
            mew=1.6,
            zorder=4,
        )
    else:
        dots(axes, [x[reading.peak]], [reading.strength], size=7, fill=ACCENT, layer=4)
    if reading.broke:
        axes.plot([x[-1]], [y[-1]], marker="x", ms=7, mec=INK, mew=1.8, zorder=5)
    axes.set(xlim=(min(0.0, 0.02 * -ends[0]), ends[0]), ylim=(0, ends[1]))
    axes.grid(color=LINE, lw=0.5, zorder=0)
    name = wrapped(
        f"{reading.run} {reading.specimen}: {number(reading.strength, 1)} MPa{' (flagged)' if reading.flags else ''}",
        2.7,
        SMALL,
        lines=1,
    )
    axes.set_title(name, size=SMALL, loc="left", pad=3)
    for axis in (axes.xaxis, axes.yaxis):
        round_ticks(axis, 4)
