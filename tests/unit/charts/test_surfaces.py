from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.collections import PathCollection
from matplotlib.contour import ContourSet

from kit.charts.curves import mean_interval
from kit.charts.surfaces import draw_response_map
from kit.charts.view import choose_view
from kit.model.predict import predict


@pytest.fixture(scope="module")
def gloss_map(three):
    """The picture that several tests look at, drawn once."""
    return draw_response_map(three.surfaces["gloss"], three.study)


def panels(figure) -> list:
    return [axes for axes in figure.axes if axes.get_label() != "<colorbar>"]


def dots(axes) -> np.ndarray:
    found = [c.get_offsets() for c in axes.collections if type(c) is PathCollection]
    return np.vstack(found) if found else np.empty((0, 2))


def test_each_slice_shows_the_runs_printed_there(three, gloss_map) -> None:
    figure = gloss_map.figure
    observations = three.surfaces["gloss"].observations
    for axes, fan in zip(panels(figure), (20.0, 60.0, 100.0), strict=True):
        assert axes.get_title(loc="left") == f"Fan duty at {fan:g} %"
        mine = observations[observations["fan"] == fan][["nozzle", "speed"]].to_numpy()
        assert sorted(map(tuple, dots(axes))) == sorted(map(tuple, mine))


def test_slices_share_one_scale_that_covers_them(three, gloss_map) -> None:
    surface = three.surfaces["gloss"]
    figure = gloss_map.figure
    filled = [
        c
        for axes in panels(figure)
        for c in axes.collections
        if isinstance(c, ContourSet) and c.filled
    ]
    assert len(filled) == 3
    assert len({tuple(c.levels) for c in filled}) == 1
    fitted = surface.observations["fitted"]
    assert filled[0].levels[0] <= fitted.min()
    assert filled[0].levels[-1] >= fitted.max()


def test_the_thick_line_lies_where_the_mean_meets_the_limit(three, gloss_map) -> None:
    surface = three.surfaces["gloss"]
    axes = panels(gloss_map.figure)[1]
    line = next(
        c for c in axes.collections if isinstance(c, ContourSet) and list(c.levels) == [30.0]
    )
    points = np.vstack([path.vertices for path in line.get_paths()])
    coded = surface.code(
        {"nozzle": points[:, 0], "speed": points[:, 1], "fan": np.full(len(points), 60.0)}
    )
    np.testing.assert_allclose(surface.mean(coded), 30.0, atol=0.02)


@pytest.mark.parametrize(("limit", "side"), [("lower", 1), ("upper", -1)])
def test_ticks_of_a_limit_point_to_where_it_fails(two, limit: str, side: int) -> None:
    # A contour runs with the higher values at its left; a ticked stroke at +90 degrees would point left.
    response = two.surfaces["gloss"].response.model_copy(
        update={"lower": None, "upper": None, limit: 40.0}
    )
    surface = replace(two.surfaces["gloss"], response=response)
    axes = panels(draw_response_map(surface, two.study).figure)[0]
    line = next(
        c for c in axes.collections if isinstance(c, ContourSet) and list(c.levels) == [40.0]
    )
    vertices = line.get_paths()[0].vertices
    start, step = vertices[len(vertices) // 2], np.diff(vertices, axis=0)[len(vertices) // 2]
    left = start + 0.05 * np.array([-step[1] / 80, step[0] / 40]) / np.hypot(
        step[0] / 40, step[1] / 80
    ) * [40, 80]
    coded = surface.code({"nozzle": [left[0]], "speed": [left[1]]})
    assert surface.mean(coded)[0] > 40.0  # left is higher, so ticks to the right mark a lower limit
    ticked = [e for e in line.get_path_effects() if hasattr(e, "_angle")]
    assert [np.sign(e._angle) for e in ticked] == [-side]


def test_nothing_is_shaded_outside_the_tried_region(odd) -> None:
    surface = odd.surfaces["gloss"]  # a corner print failed
    figure = draw_response_map(surface, odd.study).figure
    shaded = [
        next(c for c in a.collections if isinstance(c, ContourSet) and c.filled)
        for a in panels(figure)
    ]
    name = odd.study.factors[0].name
    missing = odd.runs[odd.runs["status"] == "failed"].iloc[0]
    panel = odd.study.factors[2].levels.index(missing["spool"])
    inside = [
        [
            any(
                p.contains_point((missing[name] * 0.97, 80 + (missing["speed"] - 80) * 0.97))
                for p in c.get_paths()
            )
        ][0]
        for c in shaded
    ]
    assert inside == [k != panel for k in range(2)]


def test_recommended_settings_are_marked_on_their_slice_only(three) -> None:
    settings = {"nozzle": 205.0, "speed": 60.0, "fan": 60.0}
    figure = draw_response_map(three.surfaces["gloss"], three.study, None, settings).figure
    marks = [
        [(*line.get_xdata(), *line.get_ydata()) for line in axes.lines] for axes in panels(figure)
    ]
    assert marks[0] == marks[2] == []
    assert set(marks[1]) == {(205.0, 60.0)}


def test_alt_text_tells_range_and_share(gloss_map) -> None:
    alt = gloss_map.alt
    assert "for fan duty 20, 60 and 100 %" in alt
    assert "GU at nozzle temperature 230 °C, speed 40 mm/s" in alt
    assert "at least 30 GU on 8" in alt


def test_axes_carry_units(three) -> None:
    figure = draw_response_map(three.surfaces["width_error"], three.study).figure
    assert panels(figure)[0].get_ylabel() == "Speed (mm/s)"
    texts = [t.get_text() for t in figure.texts]
    assert "Nozzle temperature (°C)" in texts
    bar = next(axes for axes in figure.axes if axes.get_label() == "<colorbar>")
    assert bar.get_xlabel() == "Fitted width error (mm)"


def test_one_scale_gives_a_curve_with_its_interval(one) -> None:
    surface = one.surfaces["gloss"]
    axes = draw_response_map(surface, one.study).figure.axes[0]
    curve = max(axes.lines, key=lambda line: len(line.get_xdata()))
    x = np.array([190.0, 210.0, 230.0])
    foretold = predict(surface, {"nozzle": x})
    np.testing.assert_allclose(np.interp(x, *curve.get_data()), foretold["estimate"], rtol=1e-3)
    mean, low, high = mean_interval(surface, surface.code({"nozzle": x}))
    np.testing.assert_allclose(
        np.column_stack([mean, low, high]), foretold[["estimate", "low", "high"]]
    )
    seen = dots(axes)
    np.testing.assert_allclose(
        sorted(map(tuple, seen)),
        sorted(surface.observations[["nozzle", "value"]].itertuples(index=False, name=None)),
    )
    assert axes.get_ylabel() == "Gloss (GU)"


def test_only_categories_give_a_dot_a_level(only_spools) -> None:
    surface = only_spools.surfaces["gloss"]
    picture = draw_response_map(surface, only_spools.study)
    means = surface.mean(surface.code({"spool": ["white", "pink"]}))
    seen = dots(picture.figure.axes[0])
    assert {round(v, 6) for v in means} <= {round(v, 6) for v in seen[:, 1]}
    assert "white" in picture.alt
    assert "pink" in picture.alt


def test_a_flat_response_can_be_drawn(two, uncut) -> None:
    surface = two.surfaces["gloss"]
    flat = replace(
        surface, coefficients=np.where(np.arange(len(surface.coefficients)) == 0, 40.0, 0.0)
    )
    uncut(draw_response_map(flat, two.study))


def test_five_slices_in_one_row(three, uncut) -> None:
    view = choose_view(three.surfaces, three.study, slices=5)
    picture = draw_response_map(three.surfaces["gloss"], three.study, view)
    assert len(panels(picture.figure)) == 5
    assert len({axes.get_position().y0 for axes in panels(picture.figure)}) == 1
    uncut(picture)


def test_a_crowded_scale_names_fewer_of_its_steps(two, uncut) -> None:
    surface = two.surfaces["gloss"]
    tall = replace(surface, coefficients=surface.coefficients * 1e6)
    picture = draw_response_map(tall, two.study)
    bar = next(axes for axes in picture.figure.axes if axes.get_label() == "<colorbar>")
    boxes = [t.get_window_extent() for t in bar.get_xticklabels()]
    assert len(boxes) >= 2
    assert all(left.x1 < right.x0 for left, right in itertools.pairwise(boxes))
    uncut(picture)
