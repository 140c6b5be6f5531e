from __future__ import annotations

from dataclasses import replace

import numpy as np
from matplotlib.collections import LineCollection, PathCollection

from kit.charts.checks import draw_residual_story


def dots(axes) -> np.ndarray:
    return np.vstack([c.get_offsets() for c in axes.collections if isinstance(c, PathCollection)])


def test_residuals_by_print_order_and_left_out_prints(three) -> None:
    surface = three.surfaces["gloss"]
    table = surface.observations.sort_values("print_order")
    wide, small = draw_residual_story(surface).figure.axes
    np.testing.assert_allclose(dots(wide), table[["print_order", "residual"]])
    np.testing.assert_allclose(dots(small), table[["left_out", "value"]])
    pins = next(c for c in wide.collections if isinstance(c, LineCollection)).get_segments()
    np.testing.assert_allclose([p[1, 1] for p in pins], table["residual"])
    assert wide.get_position().width > 1.6 * small.get_position().width
    assert abs(wide.get_position().y0 - small.get_position().y0) < 1e-9


def test_units_are_on_the_axes(three) -> None:
    wide, small = draw_residual_story(three.surfaces["gloss"]).figure.axes
    assert (wide.get_xlabel(), wide.get_ylabel()) == ("Print order", "Missed by (GU)")
    assert (small.get_xlabel(), small.get_ylabel()) == ("Foretold (GU)", "Measured (GU)")


def test_the_farthest_prints_are_named(three) -> None:
    surface = three.surfaces["gloss"]
    size = np.sqrt(surface.residual_variance)
    residual = np.full(len(surface.observations), 0.1 * size)
    residual[4], residual[9] = -3 * size, 2.5 * size
    picture = draw_residual_story(
        replace(surface, observations=surface.observations.assign(residual=residual))
    )
    runs = surface.observations["run"].iloc[[4, 9]]
    names = {t.get_text() for t in picture.figure.axes[0].texts}
    assert {f"run {r}" for r in runs} == {n for n in names if n.startswith("run")}
    assert f"the farthest is run {runs.iloc[0]} at \u2212" in picture.alt


def test_alt_text_says_typical_and_left_out_miss(three) -> None:
    surface = three.surfaces["gloss"]
    spread = np.sqrt(
        np.mean((surface.observations["value"] - surface.observations["left_out"]) ** 2)
    )
    alt = draw_residual_story(surface).alt
    assert f"typically misses by {np.sqrt(surface.residual_variance):.1f} GU" in alt
    assert f"Left-out prints are foretold to {spread:.1f} GU" in alt


def test_later_rounds_that_count_anew_do_not_lie_on_each_other(three) -> None:
    surface = three.surfaces["gloss"]
    table = surface.observations.copy()
    table["print_order"] = np.where(
        table["block"] == 2, table["print_order"] - 9, table["print_order"]
    )
    wide = draw_residual_story(replace(surface, observations=table)).figure.axes[0]
    places = dots(wide)[:, 0]
    assert len(set(places)) == len(places)


def test_a_perfect_fit_and_no_left_out_predictions(three, uncut) -> None:
    surface = three.surfaces["gloss"]
    table = surface.observations.assign(residual=0.0, left_out=np.nan)
    picture = draw_residual_story(replace(surface, observations=table, residual_variance=0.0))
    assert "Left-out" not in picture.alt
    uncut(picture)
