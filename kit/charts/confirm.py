"""The confirming prints: what each measured, beside what was foretold of their mean and what is allowed."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from kit.charts.labels import capital, decimals_for, number, requirement_text, wrapped
from kit.charts.limits import LINE_IN, STRIP_IN
from kit.charts.maps import place_text
from kit.charts.picture import Picture
from kit.charts.strip import begin_strip
from kit.charts.style import (
    ACCENT,
    EDGE,
    INK,
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
from kit.saying import with_unit
from kit.study.description import Response, Study
from kit.window.verdict import Confirmation, ConfirmedResponse

_TITLES = {
    "meets": "The new prints do what was foretold",
    "does not meet": "The new prints speak against these settings",
    "undecided": "The new prints leave it open",
}


def draw_confirmation(confirmation: Confirmation, study: Study) -> Picture:
    """Draw one strip a response: allowed span, foretold span of the mean, each print, their mean.

    Parameters
    ----------
    confirmation : Confirmation
        The verdict and what it rests on.
    study : Study
        Labels, units and limits.

    Returns
    -------
    Picture
    """
    shown = [r for r in study.responses if r.name in confirmation.responses]
    found = [confirmation.responses[r.name] for r in shown]
    title = _TITLES[confirmation.verdict]
    words = [_said(r, f) for r, f in zip(shown, found, strict=True)]
    with drawing():
        room = WIDTH - 4 * EDGE
        heads = [
            wrapped(_need(r), heading_room(w, room), SMALL, lines=4)
            for r, w in zip(shown, words, strict=True)
        ]
        lines = [h.count("\n") + 1 for h in heads]
        figure = framed(
            title,
            f"At {place_text(study, confirmation.settings)}. Ring: one print. Diamond: their mean. Bar: where the "
            "mean was foretold to lie. Shaded: allowed.",
            sum(STRIP_IN + LINE_IN * n for n in lines),
        )
        rows = figure.subplots(len(shown), 1, squeeze=False)[:, 0]
        for axes, response, one, head, said in zip(rows, shown, found, heads, words, strict=True):
            _strip(axes, response, one)
            heading(axes, 1.22, head, said)
        finish(figure)
    details = "; ".join(
        f"{r.title}: mean {w[0]}, {w[1].strip('()')}" for r, w in zip(shown, words, strict=True)
    )
    alt = f"{title}, at {place_text(study, confirmation.settings)}. {details}."
    return Picture(
        "confirmation",
        figure,
        alt,
        "The confirming prints beside what was foretold and what is required.",
    )


def _need(response: Response) -> str:
    title, need = capital(" ".join(response.title.split())), requirement_text(response)
    return f"{title}: {need}" if need else title


def _said(response: Response, found: ConfirmedResponse) -> tuple[str, str]:
    places = decimals_for(found.high - found.low, figures=2)
    low, high = number(found.low, places), number(found.high, places)
    return with_unit(number(found.mean, places), response.unit), f"(foretold {low} to {high})"


def _strip(axes: Axes, response: Response, found: ConfirmedResponse) -> None:
    begin_strip(axes, response, [found.low, found.high, found.mean, *found.values])
    axes.hlines(0.28, found.low, found.high, color=ACCENT, lw=3.2, zorder=3)
    dots(
        axes,
        found.values,
        np.full(len(found.values), 0.68),
        size=6.5,
        fill="white",
        rim=INK,
        width=1.3,
        layer=4,
    )
    dots(axes, [found.mean], [0.28], size=9, fill=ACCENT, marker="D", layer=5)
    bare(axes, "bottom")
    axes.spines["bottom"].set_visible(False)
    round_ticks(axes.xaxis, 6)
