from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.collections import LineCollection, PathCollection, QuadMesh
from matplotlib.patches import Rectangle

from kit.charts.view import choose_view
from kit.charts.window import draw_chance_map


@pytest.fixture(scope="module")
def chance_map(three):
    """The picture that most tests look at, drawn once."""
    return draw_chance_map(three.window, three.study, three.runs)


@pytest.fixture(scope="module")
def no_window(impossible):
    return draw_chance_map(impossible.window, impossible.study, impossible.runs)


def panels(figure) -> list:
    return [axes for axes in figure.axes if axes.get_label() != "<colorbar>"]


def tiles(axes) -> np.ndarray:
    return next(c for c in axes.collections if isinstance(c, QuadMesh)).get_array()


def test_every_tile_is_the_chance_of_its_setting(three, chance_map) -> None:
    figure = chance_map.figure
    for axes, fan in zip(panels(figure), (20.0, 60.0, 100.0), strict=True):
        rows = three.window.grid[three.window.grid["fan"] == fan]
        wanted = rows.pivot_table(index="speed", columns="nozzle", values="probability")
        np.testing.assert_allclose(tiles(axes).filled(np.nan), wanted.to_numpy())
        assert axes.get_title(loc="left") == f"Fan duty at {fan:g} %"


def test_shades_run_from_no_chance_to_certainty_on_every_map(chance_map, no_window) -> None:
    for picture in (chance_map, no_window):
        for axes in panels(picture.figure):
            mesh = next(c for c in axes.collections if isinstance(c, QuadMesh))
            assert mesh.get_clim() == (0, 1)
            assert mesh.get_cmap().name == "cividis"


def test_the_border_parts_tiles_that_reach_the_confidence_from_those_that_do_not(two) -> None:
    axes = panels(draw_chance_map(two.window, two.study).figure)[0]
    lines = [c for c in axes.collections if isinstance(c, LineCollection)]
    chance = two.window.grid.set_index(["nozzle", "speed"])["probability"]
    parts = 0
    for (x0, y0), (x1, y1) in (s for s in lines[-1].get_segments()):
        middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
        shift = np.array([2.5, 0.0]) if x0 == x1 else np.array([0.0, 5.0])
        sides = [chance[tuple(middle + sign * shift)] >= two.window.confidence for sign in (-1, 1)]
        assert sides[0] != sides[1]
        parts += 1
    table = chance.unstack().to_numpy() >= two.window.confidence
    assert parts == np.sum(table[1:] != table[:-1]) + np.sum(table[:, 1:] != table[:, :-1])


def test_the_answer_and_the_printed_runs_are_marked(three, chance_map) -> None:
    figure = chance_map.figure
    settings = three.window.recommended.settings
    at = [(axes, line) for axes in panels(figure) for line in axes.lines]
    assert {(*line.get_xdata(), *line.get_ydata()) for _, line in at} == {
        (settings["nozzle"], settings["speed"])
    }
    assert {axes.get_title(loc="left") for axes, _ in at} == {f"Fan duty at {settings['fan']:g} %"}
    rings = sum(
        len(c.get_offsets())
        for axes in panels(figure)
        for c in axes.collections
        if type(c) is PathCollection
    )
    assert rings == (three.runs["status"] == "printed").sum()


def test_ranges_are_outlined_on_the_slices_they_hold(three) -> None:
    window = replace(
        three.window, ranges={"nozzle": (205.0, 215.0), "speed": (50.0, 70.0), "fan": (60.0, 70.0)}
    )
    figure = draw_chance_map(window, three.study).figure
    boxes = [[p for p in axes.patches if isinstance(p, Rectangle)] for axes in panels(figure)]
    assert [len(b) for b in boxes] == [0, 1, 0]
    box = boxes[1][0]
    # Round the tiles of 205 to 215 and 50 to 70: half a step more on each side.
    assert (box.get_x(), box.get_y(), box.get_width(), box.get_height()) == (
        202.5,
        45.0,
        15.0,
        30.0,
    )


def test_the_scale_is_in_percent_and_marks_the_confidence(chance_map) -> None:
    figure = chance_map.figure
    bar = next(axes for axes in figure.axes if axes.get_label() == "<colorbar>")
    assert [t.get_text() for t in bar.get_xticklabels()] == ["0 %", "25 %", "50 %", "75 %", "100 %"]
    assert 0.9 in {float(line.get_xdata()[0]) for line in bar.lines}


def test_no_window_is_said_with_the_best_compromise(impossible, no_window, uncut) -> None:
    picture = no_window
    best = impossible.window.best_compromise
    title = " ".join(picture.figure.texts[0].get_text().split())
    assert (
        title
        == f"No setting reaches a chance of 90 %; the best compromise has {100 * best.probability:.0f} %"
    )
    assert "Best compromise: nozzle temperature" in picture.alt
    assert "reached on none of the printable settings" in picture.alt
    uncut(picture)


def test_a_category_gives_a_panel_a_level(spools) -> None:
    figure = draw_chance_map(spools.window, spools.study).figure
    assert [axes.get_title(loc="left") for axes in panels(figure)] == [
        "Spool: white",
        "Spool: pink",
    ]


def test_one_scale_gives_the_chance_of_each_setting(one, uncut) -> None:
    picture = draw_chance_map(one.window, one.study)
    axes = picture.figure.axes[0]
    seen = np.vstack([c.get_offsets() for c in axes.collections if type(c) is PathCollection])
    wanted = one.window.grid[["nozzle", "probability"]].to_numpy()
    assert {tuple(np.round(p, 9)) for p in wanted} <= {tuple(np.round(p, 9)) for p in seen}
    uncut(picture)


def test_a_thinned_grid_moves_the_slices_to_what_was_looked_at(three) -> None:
    grid = three.window.grid
    window = replace(three.window, grid=grid[grid["fan"].isin([20.0, 50.0, 100.0])])
    view = choose_view({}, three.study)
    figure = draw_chance_map(window, three.study, view=view).figure
    assert [axes.get_title(loc="left") for axes in panels(figure)] == [
        f"Fan duty at {v} %" for v in (20, 50, 100)
    ]


def test_untried_tiles_stay_blank(odd) -> None:
    blank = sum(
        int(tiles(axes).mask.sum())
        for axes in panels(draw_chance_map(odd.window, odd.study).figure)
    )
    assert blank > 0


def test_no_requirement_and_no_setting_are_said(three, uncut) -> None:
    unknown = replace(
        three.window, recommended=None, best_compromise=None, ranges={}, share=0.0,
        grid=three.window.grid.assign(probability=np.nan),
    )  # fmt: skip
    for window, reason in (
        (unknown, "nothing is required"),
        (replace(unknown, grid=unknown.grid.iloc[:0]), "no printable setting"),
    ):
        picture = draw_chance_map(window, three.study, three.runs)
        assert reason in picture.alt
        assert reason in picture.caption
        uncut(picture)
