"""A canvas that measures every text once, and a layout that measures every axes once.

Half of the time of a small picture goes into asking how large its texts are: the layout asks twice, drawing asks again, and the
next picture asks for the same words. The answers are kept here, for as long as the process lives.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.backend_bases import GraphicsContextBase
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg, get_hinting_flag
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, fontManager, get_font
from matplotlib.text import Text
from matplotlib.transforms import Bbox, Transform

from kit.terms import FloatArray

Size = tuple[float, float, float]
KEPT = 8192
"""At most so many texts are remembered."""

_sizes: dict[tuple[str, FontProperties, float], Size] = {}
_images: dict[tuple[str, FontProperties, float], tuple[npt.NDArray[np.uint8], float, float]] = {}
_heights: dict[tuple[FontProperties, float], Size] = {}


class Renderer(RendererAgg):
    """matplotlib's own, with a memory for the sizes of texts."""

    def get_text_width_height_descent(
        self, s: str, prop: FontProperties, ismath: bool | str
    ) -> Size:
        """Give width, height and descent of a line in pixels."""
        if ismath:
            return super().get_text_width_height_descent(s, prop, ismath)  # type: ignore[no-untyped-call,no-any-return]
        key = (s, prop.copy(), self.dpi)
        if key not in _sizes:
            if len(_sizes) >= KEPT:
                _sizes.clear()
            _sizes[key] = super().get_text_width_height_descent(s, prop, ismath)  # type: ignore[no-untyped-call]
        return _sizes[key]

    def draw_text(
        self, gc: GraphicsContextBase, x: float, y: float, s: str, prop: FontProperties, angle: float,
        ismath: bool | str = False, mtext: Text | None = None,
    ) -> None:  # fmt: skip
        """Draw a level line as one image, from its letters' images drawn before; any other as matplotlib does."""
        if ismath or angle:
            super().draw_text(gc, x, y, s, prop, angle, ismath, mtext)  # type: ignore[no-untyped-call]
            return
        key = (s, prop.copy(), self.dpi)
        if key not in _images:
            if len(_images) >= KEPT:
                _images.clear()
            _images[key] = self._image(s, prop)
        image, left, below = _images[key]
        self._renderer.draw_text_image(image, round(x + left), round(y + below) + 1, 0, gc)

    def _image(self, text: str, prop: FontProperties) -> tuple[npt.NDArray[np.uint8], float, float]:
        """Draw a line; give its image and how far that reaches to the left of and below where the line begins."""
        font = self._prepare_font(prop)  # type: ignore[no-untyped-call]
        font.set_text(text, 0.0, flags=get_hinting_flag())  # type: ignore[no-untyped-call]
        font.draw_glyphs_to_bitmap(antialiased=True)
        left, below = font.get_bitmap_offset()
        return font.get_image().copy(), left / 64, (below + font.get_descent()) / 64

    def _get_font_height_metrics(self, prop: FontProperties) -> Size | tuple[None, None, None]:
        # Asked by matplotlib, which else reads the font's tables for every text; should it stop asking, only time is lost.
        key = (prop.copy(), self.dpi)
        if key not in _heights:
            font = get_font(fontManager._find_fonts_by_props(prop))
            table, head = font.get_sfnt_table("OS/2"), font.get_sfnt_table("head")
            if table is None or head is None:
                return None, None, None
            scale = 1 / head["unitsPerEm"] * prop.get_size_in_points() * self.dpi / 72
            _heights[key] = (
                table["sTypoAscender"] * scale,
                -table["sTypoDescender"] * scale,
                table["sTypoLineGap"] * scale,
            )
        return _heights[key]


class Canvas(FigureCanvasAgg):
    """A canvas with such a renderer."""

    def get_renderer(self) -> Renderer:
        """Give the renderer for the figure's size at the moment."""
        width, height = self.get_width_height(physical=True)
        key = width, height, self.figure.dpi
        if self._lastKey != key:
            self.renderer = Renderer(width, height, self.figure.dpi)  # type: ignore[no-untyped-call]
            self._lastKey = key
        renderer: Renderer = self.renderer
        return renderer


@contextmanager
def measured_once(figure: Figure) -> Iterator[None]:
    """Let the layout, which asks every axes twice or more how much room its lettering takes, have the first answer again.

    A later answer may differ where the axes was moved meanwhile, and ticks change with its size, which those of the kit's pictures
    do not; or where it carries texts of its own or is a scale beside others: these are asked again.

    Parameters
    ----------
    figure : Figure
        With all that will be drawn.
    """
    changed = list(figure.axes)
    try:
        for axes in changed:
            axes.get_tightbbox = _Margins(axes)  # type: ignore[method-assign]
        yield
    finally:
        for axes in changed:
            del axes.get_tightbbox


class _Margins:
    """The box around an axes and its lettering: as first measured, around where the axes is now."""

    def __init__(self, axes: Axes) -> None:
        self.axes, self.ask = axes, axes.get_tightbbox
        placed = axes.get_subplotspec() is not None and axes.get_aspect() == "auto"
        self.moves = placed and not axes.texts
        self.measured: tuple[FloatArray, FloatArray] | None = None

    def __call__(self, *args: Any, **kwargs: Any) -> Bbox | None:  # noqa: ANN401 - handed on
        here = np.asarray(
            self.axes.get_position(original=True).transformed(self._across()).extents, dtype=float
        )
        if self.measured is None or not (self.moves or np.array_equal(here, self.measured[0])):
            box = self.ask(*args, **kwargs)
            if box is None:
                return None
            self.measured = here, np.asarray(box.extents, dtype=float) - here
        return Bbox.from_extents(*(here + self.measured[1]))

    def _across(self) -> Transform:
        figure = self.axes.get_figure(root=True)
        assert figure is not None
        return figure.transFigure
