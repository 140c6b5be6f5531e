"""The answer as strips: what a new part is foretold to measure, beside what is required of it."""

from __future__ import annotations

from math import isfinite

from matplotlib.axes import Axes

from kit.charts.chances import everything
from kit.charts.labels import capital, decimals_for, number, requirement_text, wrapped
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
from kit.saying import percent, with_unit
from kit.study.description import Response, Study
from kit.window.result import Choice, Prediction

STRIP_IN, LINE_IN = 0.72, 0.2  # heights, in: strip with its ticks and gap; a line of its heading

NEARLY_ALL = 0.985
"""Below this the share of new parts that meets a requirement is written beside it."""


def draw_limits_strip(choice: Choice, study: Study) -> Picture:
    """Draw one strip a response: the allowed span, the foretold mean, the interval of new parts.

    Parameters
    ----------
    choice : Choice
        The recommended settings, the best compromise, or any other settings with their predictions.
    study : Study
        Labels, units and limits.

    Returns
    -------
    Picture
    """
    # What passes or fails has no scale to draw on.
    shown = [r for r in study.responses if r.name in choice.predictions and not r.passes_or_fails]
    said = [_said(r, choice.predictions[r.name]) for r in shown]
    needs = [_need(r, choice.alone.get(r.name)) for r in shown]
    title = f"{percent(choice.probability)} chance that a new part meets {everything(study)}"
    if not isfinite(choice.probability):  # nothing is required
        title = "what a new part is foretold to measure"
    with drawing():
        room = WIDTH - 4 * EDGE
        heads = [
            wrapped(need, heading_room(words, room), SMALL, lines=4)
            for need, words in zip(needs, said, strict=True)
        ]
        lines = [head.count("\n") + 1 for head in heads]
        figure = framed(
            capital(title),
            f"At {place_text(study, choice.settings)}. {_dot(shown)} Bar: 95 % of new parts. Shaded: allowed.",
            sum(STRIP_IN + LINE_IN * n for n in lines),
        )
        rows = figure.subplots(len(shown), 1, squeeze=False, height_ratios=[1.0] * len(shown))[:, 0]
        for axes, response, head, words in zip(rows, shown, heads, said, strict=True):
            _strip(axes, response, choice.predictions[response.name])
            heading(axes, 1.22, head, words)
        finish(figure)
    details = "; ".join(
        f"{need}: {' '.join(words)}" for need, words in zip(needs, said, strict=True)
    )
    alt = f"At {place_text(study, choice.settings)}: {title}. {details}."
    return Picture(
        "limits",
        figure,
        alt,
        "What one new part is foretold to measure, beside what is required of it.",
    )


def _dot(shown: list[Response]) -> str:
    """Say what the dots are: of a response that is fitted on another scale the middle part, not the mean."""
    plain_ones = [r.scale == "as_measured" for r in shown]
    if all(plain_ones):
        return "Dot: mean."
    return "Dot: mean, or middle part." if any(plain_ones) else "Dot: the middle part."


def _need(response: Response, alone: float | None) -> str:
    """Say what is required, and how many parts meet it where that is not nearly all."""
    title, need = capital(" ".join(response.title.split())), requirement_text(response)
    if not need:
        return title
    met = f", met by {percent(alone)}" if alone is not None and alone < NEARLY_ALL else ""
    return f"{title}: {need}{met}"


def _said(response: Response, prediction: Prediction) -> tuple[str, str]:
    decimals = decimals_for(prediction.high - prediction.low, figures=2)
    low, high = number(prediction.low, decimals), number(prediction.high, decimals)
    return with_unit(number(prediction.mean, decimals), response.unit), f"({low} to {high})"


def _strip(axes: Axes, response: Response, prediction: Prediction) -> None:
    """Draw a strip: allowed span, limits, interval, mean."""
    marks = (prediction.low, prediction.high, prediction.mean)
    left, right = begin_strip(axes, response, marks)
    if response.target is not None:
        axes.axvline(response.target, color=INK, lw=1.2, ls=(0, (2, 2)), zorder=2)
    axes.hlines(
        0.5,
        max(prediction.low, left),
        min(prediction.high, right),
        color=ACCENT,
        lw=3.2,
        zorder=3,
    )
    dots(
        axes,
        [prediction.mean],
        [0.5],
        size=10,
        fill=ACCENT,
        rim="white",
        width=1.2,
        layer=4,
    )
    bare(axes, "bottom")
    axes.spines["bottom"].set_visible(False)
    round_ticks(axes.xaxis, 6)
