"""A picture as a block of the page."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterable
from functools import partial

from kit.analysis import Analysis
from kit.charts.picture import Picture
from kit.charts.style import png_bytes
from kit.charts.view import View, choose_view
from kit.report.document import FigureBlock
from kit.report.painter import do_all, order_ahead


def figure_block(picture: Picture) -> FigureBlock:
    """Draw a picture once, as PNG, with its words."""
    png = base64.b64encode(png_bytes(picture)).decode("ascii")
    return FigureBlock(picture.name, png, picture.alt, picture.caption)


def figure_blocks(drawings: Iterable[Callable[[], Picture]]) -> list[FigureBlock]:
    """Draw several pictures, on two processors where that is possible.

    Parameters
    ----------
    drawings : iterable of callables
        Each a `functools.partial` of a drawing function, so that it can be sent to another process.

    Returns
    -------
    list of FigureBlock
        In order.
    """
    return do_all([partial(_drawn, drawing) for drawing in drawings])


def begin_drawing(drawings: Callable[[], Iterable[Callable[[], Picture]]]) -> None:
    """Begin pictures that `figure_blocks` will be asked for later, where there is a processor free for it.

    Parameters
    ----------
    drawings : callable
        Gives what `figure_blocks` will get, in the order in which it will be wanted.
    """
    order_ahead(lambda: (partial(_drawn, drawing) for drawing in drawings()))


def _drawn(drawing: Callable[[], Picture]) -> FigureBlock:
    return figure_block(drawing())


def view_of(analysis: Analysis) -> View:
    """Give the one way in which all maps of a report look at the settings."""
    window = analysis.window
    choice = window.choice if window else None
    return choose_view(analysis.surfaces, analysis.study, choice.settings if choice else None)
