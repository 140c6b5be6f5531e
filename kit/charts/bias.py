"""What an instrument shows against its references."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.bench.bias import Bias
from kit.charts.labels import axis_label, decimals_for, number, stem, wrapped
from kit.charts.picture import Picture
from kit.charts.style import (
    ACCENT,
    BAND,
    BODY,
    INK,
    LINE,
    MUTED,
    dots,
    drawing,
    finish,
    framed,
    round_ticks,
)
from kit.saying import counted, with_unit


def draw_bias(bias: Bias, references: pd.DataFrame) -> Picture:
    """Draw reading minus true value over the range of an instrument, with the fitted line and its doubt.

    Parameters
    ----------
    bias : Bias
        The fitted line.
    references : DataFrame
        The readings it was fitted to.

    Returns
    -------
    Picture
    """
    true = references["true_value"].to_numpy(dtype=float)
    error = references["reading"].to_numpy(dtype=float) - true
    pad = 0.05 * (bias.high - bias.low) or 0.05 * abs(bias.centre) or 1.0
    x = np.linspace(bias.low - pad, bias.high + pad, 81)
    low, high = bias.limits(x)
    with drawing():
        figure = framed(
            f"What the {bias.instrument} shows too much",
            "Dots: readings of references. Line: fitted bias, the band its 95 % limits.",
            3.1,
        )
        axes = figure.subplots()
        axes.fill_between(x, low, high, color=BAND, lw=0, zorder=0)
        axes.axhline(0, color=INK, lw=1.0, zorder=1)
        axes.plot(x, bias.at(x), color=ACCENT, lw=2.0, zorder=2)
        dots(axes, true, error, size=6, fill="white", rim=MUTED, width=1.2, layer=3)
        axes.grid(axis="y", color=LINE, lw=0.6, zorder=0)
        axes.set_xlim(x[0], x[-1])
        axes.set_ylabel(
            wrapped(axis_label("reading minus true value", bias.unit), 2.6, BODY, lines=2)
        )
        axes.set_xlabel(axis_label("true value", bias.unit))
        for axis in (axes.xaxis, axes.yaxis):
            round_ticks(axis)
        finish(figure)
    ends = bias.at(np.array([bias.low, bias.high]))
    places = decimals_for(float(np.abs(error).max()) or 1.0, figures=2)
    said = [
        f"{_said(end, places, bias.unit)} at {_at(value, bias.unit)}"
        for end, value in zip(ends, (bias.low, bias.high), strict=True)
    ]
    alt = (
        f"{bias.instrument}: {bias.readings} readings of {counted(bias.references, 'reference')}. Fitted bias "
        f"{', '.join(dict.fromkeys(said))}."
    )
    return Picture(
        f"bias-{stem(bias.instrument.replace(' ', '-'))}",
        figure,
        alt,
        f"Bias of the {bias.instrument} over its range.",
    )


def _said(value: float, places: int, unit: str) -> str:
    return with_unit(number(value, places, sign=True), unit)


def _at(value: float, unit: str) -> str:
    return with_unit(f"{value:g}", unit)
