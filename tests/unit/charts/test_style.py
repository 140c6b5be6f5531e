from __future__ import annotations

import numpy as np
from matplotlib import colormaps
from matplotlib.colors import to_rgb

from kit.charts import style
from kit.charts.picture import Picture


def luminance(colour: str | tuple[float, ...]) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = np.array(to_rgb(colour))
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_text_colours_pass_wcag_aa_on_white_and_on_lanes() -> None:
    for colour in (style.INK, style.MUTED, style.ACCENT):
        assert contrast(colour, "white") >= 4.5  # WCAG 2.2, success criterion 1.4.3
    for ground in (style.BAND, style.ALLOWED):
        assert contrast(style.INK, ground) >= 4.5
        assert contrast(style.ACCENT, ground) >= 3.0  # 1.4.11, graphical objects


def test_the_map_rises_in_lightness_all_the_way() -> None:
    shades = [luminance(tuple(c[:3])) for c in colormaps[style.COLOUR_MAP](np.linspace(0, 1, 33))]
    assert np.all(np.diff(shades) > 0)  # so it reads in grey print and to colour-blind eyes


def test_every_colour_of_the_palette_has_its_own_marker() -> None:
    assert (
        len(set(style.PALETTE))
        == len(style.PALETTE)
        == len(set(style.MARKERS))
        == len(style.MARKERS)
    )


def test_a_bigger_dpi_gives_a_bigger_picture() -> None:
    with style.drawing():
        figure = style.framed("Title", "", 1.0)
        figure.subplots()
        style.finish(figure)
    picture = Picture("x", figure, "x", "x")
    small, large = (style.png_bytes(picture, dpi=d) for d in (50, 100))
    widths = [int.from_bytes(png[16:20], "big") for png in (small, large)]
    assert widths == [320, 640]


def test_dots_are_drawn_where_they_belong() -> None:
    with style.drawing():
        figure = style.framed("Title", "", 2.0)
        axes = figure.subplots()
        style.dots(axes, [1, 2, np.nan], [3.0, 4.0, 5.0], size=6, fill="white", rim="black")
    np.testing.assert_array_equal(axes.collections[0].get_offsets(), [[1, 3], [2, 4]])


def test_names_that_no_font_has_do_not_warn_or_fail() -> None:
    with style.drawing():
        figure = style.framed("名前 🧪 \U0001f9ff", "$\\alpha$ & 100 % _x_", 1.0)
        figure.subplots()
        style.finish(figure)
    assert style.png_bytes(Picture("x", figure, "x", "x"))
