"""The kit's canvas gives what matplotlib's own gives, sooner; its PNG files hold the same pixels."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from PIL import Image

from kit.charts import style
from kit.charts.canvas import Canvas, Renderer, measured_once
from kit.charts.png import png_file


def drawn(canvas: type[FigureCanvasAgg]) -> np.ndarray:
    figure = Figure(figsize=(4, 3), dpi=100, layout="constrained")
    canvas(figure)
    axes = figure.subplots(1, 2)
    for ax in axes:
        ax.plot([0, 1, 2], [3, 1, 2])
        ax.set(xlabel="Nozzle temperature (°C)", ylabel="Gloss (GU)", title="A title")
    figure.canvas.draw()
    return np.asarray(figure.canvas.buffer_rgba()).astype(int)  # type: ignore[attr-defined]


def test_texts_are_where_matplotlib_puts_them() -> None:
    with style.drawing():
        ours, theirs, again = drawn(Canvas), drawn(FigureCanvasAgg), drawn(Canvas)
    assert (ours == again).all()  # from memory the second time
    # Letters stand on whole pixels, so their edges differ; the ink does not.
    far = np.abs(ours - theirs).max(axis=2) > 8
    assert far.mean() < 0.05
    assert ours[..., :3].mean() == pytest.approx(theirs[..., :3].mean(), abs=0.5)


def test_sizes_of_texts_are_those_of_matplotlib() -> None:
    prop = FontProperties(family=["DejaVu Sans"], size=12)
    with style.drawing():
        ours, theirs = Renderer(100, 100, 160), RendererAgg(100, 100, 160)
        for text in ("Gloss (GU)", "g", "−0.07"):
            wanted = theirs.get_text_width_height_descent(text, prop, False)
            for _ in range(2):
                assert ours.get_text_width_height_descent(text, prop, False) == wanted


def test_layout_measured_once_is_the_layout_measured_twice() -> None:
    places = []
    for once in (True, False):
        with style.drawing():
            figure = style.framed("Title", "A note.", 2.5)
            axes = figure.subplots(1, 3, sharey=True)
            for ax in axes:
                ax.set(xlabel="x", ylabel="y", xticks=[0, 1], yticks=[0, 10])
            engine = figure.get_layout_engine()
            assert engine is not None
            if once:
                with measured_once(figure):
                    engine.execute(figure)
            else:
                engine.execute(figure)
        assert all("get_tightbbox" not in vars(ax) for ax in axes)  # as it was before
        places.append([ax.get_position().extents for ax in axes])
    assert np.array(places[0]) == pytest.approx(np.array(places[1]), abs=2e-3)


def test_png_holds_the_pixels_and_the_dots_an_inch() -> None:
    pixels = np.random.default_rng(1).integers(0, 256, (7, 11, 4), dtype=np.uint8)
    image = Image.open(BytesIO(png_file(pixels, 160)))
    image.load()
    assert (np.asarray(image) == pixels[..., :3]).all()
    assert image.info["dpi"] == pytest.approx((160, 160), abs=0.01)
