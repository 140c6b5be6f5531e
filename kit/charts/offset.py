"""What the prints on a new printer say of its thermometer: belief before and after."""

from __future__ import annotations

import numpy as np

from kit.charts.labels import plain
from kit.charts.picture import Picture
from kit.charts.style import (
    ACCENT,
    BODY,
    INK,
    LINE,
    MUTED,
    SMALL,
    drawing,
    finish,
    framed,
    text_height,
)
from kit.window.offset import OffsetPosterior


def draw_offset(found: OffsetPosterior) -> Picture:
    """Draw how likely each thermometer difference is, before and after the prints.

    Parameters
    ----------
    found : OffsetPosterior
        With or without prints.

    Returns
    -------
    Picture
    """
    low, high = found.interval
    middle = plain(round(found.mean))
    title = f"This nozzle is most likely {_words(found.mean)}"
    if not found.prints:
        title = "Before any print the thermometers may differ this much"
    note = (
        "Filled: after the prints. Line: before. Bar: 95 of 100."
        if found.prints
        else "No print is measured yet."
    )
    label = "Nozzle hotter than the donor's at the same indication (°C)"
    with drawing():
        figure = framed(title, note, 2.3, foot=text_height(label, BODY) + 0.1)
        axes = figure.subplots()
        step = found.places[1] - found.places[0]
        axes.plot(found.places, found.prior / step, color=MUTED, lw=1.4, ls=(0, (4, 2)), zorder=3)
        if found.prints:
            axes.fill_between(
                found.places, 0, found.density / step, color=ACCENT, alpha=0.25, lw=0, zorder=2
            )
            axes.plot(found.places, found.density / step, color=ACCENT, lw=2.0, zorder=4)
        top = float(max(found.prior.max(), found.density.max()) / step)
        axes.hlines(-0.06 * top, low, high, color=ACCENT, lw=3.2, zorder=4)
        axes.axvline(0, color=LINE, lw=1.0, zorder=1)
        axes.set(ylim=(-0.12 * top, 1.08 * top), yticks=[])
        axes.set_ylabel("More likely →", size=SMALL, color=INK)
        axes.spines["left"].set_visible(False)
        finish(figure, [axes], label, 0.06)
    alt = (
        f"{title}. Estimate {middle} °C, 95 of 100 between {plain(round(low, 1))} and {plain(round(high, 1))} °C, from "
        f"{found.prints} prints; before them the standard deviation was {found.prior_sd:.1f} °C."
    )
    return Picture(
        "offset",
        figure,
        alt,
        "How much hotter this nozzle is than the donor's at the same indication.",
    )


def _words(mean: float) -> str:
    size = abs(mean)
    if np.round(size) < 1:
        return "as hot as the donor's"
    return f"{size:.0f} °C {'hotter' if mean > 0 else 'colder'} than the donor's"
