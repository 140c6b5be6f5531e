"""Printers side by side: where each lies at one setting, and where a new part on a new printer is foretold to lie."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import cycle

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from kit.charts.labels import capital, decimals_for, number, requirement_text, wrapped
from kit.charts.maps import foot_key, key_mark, key_rows, place_text
from kit.charts.picture import Picture
from kit.charts.strip import begin_strip
from kit.charts.style import (
    ACCENT,
    EDGE,
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
    heading_room,
    round_ticks,
)
from kit.pool import PooledAnswer
from kit.saying import with_unit
from kit.study.description import Response
from kit.terms import FloatArray

STRIP_IN, LINE_IN = 0.95, 0.2  # heights, in: strip with its ticks and gap; a line of its heading
PRINTERS_AT, NEW_AT = 0.68, 0.24


def draw_printers(answer: PooledAnswer) -> Picture:
    """Draw one strip a response: the allowed span, each printer, and the interval of new parts on a new printer.

    Parameters
    ----------
    answer : PooledAnswer
        The pooled answer.

    Returns
    -------
    Picture
    """
    shown = answer.study.responses
    said = [_said(r, answer) for r in shown]
    needs = [": ".join(filter(None, [_title(r), requirement_text(r)])) for r in shown]
    keys = _keys(answer.printers)
    place = place_text(answer.study, answer.settings)
    with drawing():
        room = WIDTH - 4 * EDGE
        heads = [
            wrapped(need, heading_room(words, room), SMALL, lines=4)
            for need, words in zip(needs, said, strict=True)
        ]
        lines = [head.count("\n") + 1 for head in heads]
        note = f"At {place}. Above: each printer, drawn towards the others. Shaded: allowed."
        body = sum(STRIP_IN + LINE_IN * n for n in lines)
        title = f"Where {len(answer.printers)} printers lie, and where a new one may"
        figure = framed(title, note, body, foot=key_rows(keys))
        rows = figure.subplots(len(shown), 1, squeeze=False)[:, 0]
        for axes, response, head, words in zip(rows, shown, heads, said, strict=True):
            _strip(axes, response, answer)
            heading(axes, 1.14, head, words)
        foot_key(figure, keys)
        finish(figure)
    details = "; ".join(f"{need}: {' '.join(w)}" for need, w in zip(needs, said, strict=True))
    return Picture(
        "printers", figure, f"At {place}: mean and 95 % of new parts on a new printer. {details}.",
        "Each printer at these settings, and one new part on a printer that nobody has tried.",
    )  # fmt: skip


def _title(response: Response) -> str:
    return capital(" ".join(response.title.split()))


def _said(response: Response, answer: PooledAnswer) -> tuple[str, str]:
    foretold = answer.predictions[response.name]
    decimals = decimals_for(foretold.high - foretold.low, figures=2)
    low, high = number(foretold.low, decimals), number(foretold.high, decimals)
    return with_unit(number(foretold.mean, decimals), response.unit), f"({low} to {high})"


def _looks(printers: int) -> list[tuple[str, str]]:
    """Give marker and colour of each printer; one look for all where there are more than looks."""
    if printers > len(MARKERS):
        return [(MARKERS[0], PALETTE[0])] * printers
    return list(zip(MARKERS, cycle(PALETTE), strict=False))[:printers]


def _keys(printers: Sequence[str]) -> list[Artist]:
    looks = _looks(len(printers))
    named = zip(printers, looks, strict=True) if len(set(looks)) > 1 else [("a printer", looks[0])]
    keys: list[Artist] = [
        key_mark(name, marker=marker, ms=8, mfc=colour, mec="white")
        for name, (marker, colour) in named
    ]
    return [*keys, Line2D([], [], color=ACCENT, lw=3.2, label="95 % of new parts on a new printer")]


def _strip(axes: Axes, response: Response, answer: PooledAnswer) -> None:
    foretold = answer.predictions[response.name]
    at: FloatArray = foretold.mean + answer.shifts[response.name]
    begin_strip(axes, response, [foretold.low, foretold.high, *at])
    for x, (marker, colour) in zip(at, _looks(len(at)), strict=True):
        dots(axes, [x], [PRINTERS_AT], size=8.5, fill=colour, marker=marker, layer=4)
    axes.hlines(NEW_AT, foretold.low, foretold.high, color=ACCENT, lw=3.2, zorder=3)
    dots(axes, [foretold.mean], [NEW_AT], size=9.5, fill=ACCENT, width=1.4, layer=4)
    round_ticks(axes.xaxis)
    bare(axes, "bottom")
    axes.set(yticks=np.array([]), xlabel="", ylabel="")
