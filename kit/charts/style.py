"""The one look of all pictures: sizes, colours, fonts, the frame, and bytes that never change.

White ground, one text colour, one accent, one map (cividis: perceptually uniform, safe for colour-blind
eyes). Pictures are 6.4 in wide and lettered in 11 to 13 pt, so that they can be read when a phone shows
them 360 pixels wide. Nothing here keeps pyplot state.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import seaborn as sns
from matplotlib import font_manager, style
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from kit.charts.canvas import Canvas, measured_once
from kit.charts.labels import plain, text_width, wrapped
from kit.charts.picture import Picture
from kit.charts.png import png_file

INK = "#1f2328"
"""Text, axes that matter, printed runs; the ink of the pages."""
MUTED = "#5b626b"
"""Second text colour, for notes and tick labels; 6 : 1 on white."""
LINE = "#c9ced4"
"""Hairlines and frames."""
BAND = "#eff1f3"
"""The ground of a lane."""
ALLOWED = "#cddbe2"
"""What a requirement allows."""
ACCENT = "#7a3e5d"
"""The one accent of the pages: estimates and the recommended settings; 7.7 : 1 on white."""

COLOUR_MAP = "cividis"
PALETTE = ("#0072B2", "#E69F00", "#009E73", "#CC79A7", "#56B4E9", "#D55E00", "#000000")
"""Okabe & Ito (2008), Color Universal Design; always with `MARKERS`, never colour alone."""
MARKERS = ("o", "s", "D", "^", "v", "P", "X")

WIDTH = 6.4  # in
DPI = 160
TITLE, BODY, SMALL = 13.0, 12.0, 11.0  # pt
EDGE = 0.08  # in, margin of the page side

# A fallback font without bold letters is no news to whoever waits for a report.
logging.getLogger("matplotlib.font_manager").setLevel(logging.ERROR)

FALLBACK_FONTS = ("Noto Sans CJK JP", "Noto Sans", "Droid Sans Fallback", "Unifont")
"""Only for letters that DejaVu Sans lacks, and only where installed."""


@cache
def _fonts() -> tuple[str, ...]:
    installed = set(font_manager.get_font_names())
    return ("DejaVu Sans", *(name for name in FALLBACK_FONTS if name in installed))


@cache
def _settings() -> dict[str, Any]:
    """Give seaborn's ticks theme, with our sizes and colours over it."""
    theme = {**sns.axes_style("ticks"), **sns.plotting_context("notebook")}
    return {
        **theme,
        "font.family": list(_fonts()),
        "font.size": BODY,
        "axes.titlesize": BODY,
        "axes.labelsize": BODY,
        "xtick.labelsize": SMALL,
        "ytick.labelsize": SMALL,
        "legend.fontsize": SMALL,
        "text.color": INK,
        "axes.labelcolor": INK,
        "axes.titlecolor": INK,
        "xtick.color": MUTED,
        "ytick.color": MUTED,
        "xtick.major.size": 3.5,
        "ytick.major.size": 3.5,
        "xtick.major.width": 0.8,
        "ytick.major.width": 0.8,
        "axes.edgecolor": MUTED,
        "axes.linewidth": 0.8,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "hatch.color": LINE,
        "hatch.linewidth": 0.6,
        "legend.frameon": False,
        "image.cmap": COLOUR_MAP,
        "figure.facecolor": "white",
        "savefig.facecolor": "white",
        "text.parse_math": False,  # a name may hold dollar signs
        "text.hinting": "no_hinting",  # at this size letters are as clear without, and drawn in half the time
    }


@contextmanager
def drawing() -> Iterator[None]:
    """Draw in the kit's look, whatever style the user's session has set."""
    with style.context(_settings(), after_reset=True), warnings.catch_warnings():
        # A letter that no installed font has is shown as a box; the page beside it has the name.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield


def framed(
    title: str, note: str, body: float, *, foot: float = 0.0, width: float = WIDTH
) -> Figure:
    """Start a picture: a title and a quiet note at the top left, the rest left to the axes.

    Parameters
    ----------
    title, note : str
        A sentence each; broken into lines as the width needs. An empty note takes no room.
    body : float
        Height of the axes with their labels, in.
    foot : float, default 0
        Height kept free at the bottom, in.
    width : float, default `WIDTH`
        In.

    Returns
    -------
    Figure
        With its own canvas and a constrained layout below the head.
    """
    room = width - 2 * EDGE
    blocks = [(wrapped(title, room, TITLE, bold=True), TITLE, "bold", INK)]
    if note:
        blocks.append((wrapped(note, room, SMALL), SMALL, "normal", MUTED))
    heights = [text_height(text, size) for text, size, _, _ in blocks]
    head = sum(heights) + 0.06 * len(blocks) + EDGE
    height = head + body + foot
    figure = Figure(figsize=(width, height), dpi=DPI, layout="constrained")
    Canvas(figure)
    top = height - EDGE
    for (text, size, weight, colour), tall in zip(blocks, heights, strict=True):
        place = (EDGE / width, top / height)
        figure.text(
            *place, text, size=size, weight=weight, color=colour, va="top", linespacing=1.25
        )
        top -= tall + 0.06
    engine = figure.get_layout_engine()
    assert engine is not None
    engine.set(rect=(0, foot / height, 1, (height - head - foot) / height), w_pad=EDGE, h_pad=0.05)  # type: ignore[call-arg]
    return figure


def text_height(text: str, size: float) -> float:
    """Give the height in inches of a block of lines with a spacing of 1.25."""
    return (text.count("\n") * 1.25 + 1) * size * 1.17 / 72


def finish(figure: Figure, row: Sequence[Axes] = (), label: str = "", above: float = 0.0) -> Figure:
    """Settle the layout once, so that every later drawing gives the same picture.

    Parameters
    ----------
    figure : Figure
        Made by `framed`.
    row : sequence of Axes, optional
        Panels that share the label of the axis across.
    label : str, optional
        Written below the middle of the row.
    above : float, default 0
        Lower edge of that label, inches above the foot of the figure.

    Returns
    -------
    Figure
        The same.
    """
    engine = figure.get_layout_engine()
    assert engine is not None
    with measured_once(figure):
        engine.execute(figure)
    figure.set_layout_engine("none")
    if label:
        width, height = figure.get_size_inches()
        middle = (row[0].get_position().x0 + row[-1].get_position().x1) / 2
        half = text_width(max(label.split("\n"), key=len), BODY) / 2 / width + 0.005
        middle = min(max(middle, half), 1 - half)
        figure.text(
            middle, above / height, label, size=BODY, ha="center", va="bottom", linespacing=1.2
        )
    return figure


def png_bytes(picture: Picture, *, dpi: int = DPI) -> bytes:
    """Give the picture as PNG bytes: the same bytes for the same picture, without time or program.

    Parameters
    ----------
    picture : Picture
        Its figure is drawn once.
    dpi : int, default 160
        Dots an inch; 160 gives 1024 pixels across.

    Returns
    -------
    bytes
    """
    figure = picture.figure
    canvas, usual = figure.canvas, figure.get_dpi()
    if not isinstance(
        canvas, FigureCanvasAgg
    ):  # the one that settled the layout knows every text's size already
        canvas = Canvas(figure)
    with drawing():
        figure.set_dpi(dpi)
        # Saving the figure would draw it twice, the first time only to look at its layout.
        canvas.draw()  # type: ignore[no-untyped-call]
        figure.set_dpi(usual)
    return png_file(np.asarray(canvas.buffer_rgba()), dpi)  # type: ignore[no-untyped-call]


def try_pens() -> None:
    """Draw an empty picture and throw it away: fonts and theme are loaded then, for this process and all that it forks."""
    with drawing():
        figure = framed("A", "a", 1.0)
        axes = figure.subplots()
        dots(axes, [0.0, 1.0], [0.0, 1.0], size=4, fill=INK)
        axes.set(xlabel="x", ylabel="y")
        finish(figure)
    png_bytes(Picture("", figure, "", ""))


def bare(axes: Axes, *keep: str) -> None:
    """Take away all sides of the frame but those named, with their ticks."""
    for side in ("left", "right", "top", "bottom"):
        axes.spines[side].set_visible(side in keep)
    axes.tick_params(left="left" in keep, bottom="bottom" in keep)
    axes.tick_params(labelleft="left" in keep, labelbottom="bottom" in keep)


def round_ticks(axis: Axis, count: int = 5) -> None:
    """Tick an axis at round values, at most so many steps, written as `labels.plain` writes settings."""
    axis.set_major_locator(MaxNLocator(count, steps=[1, 2, 2.5, 5, 10]))
    axis.set_major_formatter(FuncFormatter(lambda value, _: plain(value)))


def heading(axes: Axes, y: float, left: str, right: tuple[str, str] = ("", "")) -> None:
    """Write the line above a lane: what it is at the left; a number in bold and the rest at the right.

    ``y`` is the base line of the last line, in data units; the width is that of the axes.
    """
    across = axes.get_yaxis_transform()
    axes.text(0, y, left, transform=across, size=SMALL, va="baseline", linespacing=1.2)
    strong, rest = right
    axes.text(1, y, rest, transform=across, size=SMALL, va="baseline", ha="right")
    shift = -72 * text_width(rest + "n", SMALL) if rest else 0.0
    axes.annotate(
        strong, (1, y), (shift, 0), xycoords=across, textcoords="offset points",
        size=SMALL, weight="bold", va="baseline", ha="right", annotation_clip=False,
    )  # fmt: skip


def heading_room(right: tuple[str, str], inches: float) -> float:
    """Give the width left for the left text of a `heading` across so many inches."""
    strong, rest = right
    return inches - text_width(strong, SMALL, bold=True) - text_width(f"n{rest}nn", SMALL)


def dots(
    axes: Axes,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    *,
    size: float,
    fill: str,
    rim: str = "white",
    width: float = 1.0,
    marker: str = "o",
    layer: float = 3,
) -> None:
    """Scatter observations that are known; ``size`` and ``width`` of the rim in points."""
    places = np.column_stack([np.asarray(x, dtype=float), np.asarray(y, dtype=float)])
    across, up = places[np.isfinite(places).all(axis=1)].T
    axes.scatter(
        across, up, s=size**2, color=fill, edgecolor=rim, linewidth=width, marker=marker, zorder=layer, clip_on=False,
    )  # fmt: skip
