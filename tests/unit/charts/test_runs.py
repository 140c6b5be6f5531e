from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.collections import PathCollection

from kit.charts.runs import draw_measured


def layers(axes) -> list[np.ndarray]:
    return [np.asarray(c.get_offsets()) for c in axes.collections if isinstance(c, PathCollection)]


def test_means_stand_at_their_print_order_and_specimens_beside_them(three) -> None:
    measured = three.measured["gloss"]
    small, large = layers(draw_measured(measured, three.runs, three.study).figure.axes[0])
    order = three.runs.set_index("run")["print_order"]
    np.testing.assert_allclose(large[:, 0], order[measured.prints["run"]])
    np.testing.assert_allclose(large[:, 1], measured.prints["value"])
    np.testing.assert_allclose(small[:, 1], measured.specimens["value"])
    beside = small[:, 0] - order[measured.specimens["run"]].to_numpy()
    assert np.all((beside > 0) & (beside < 0.5))


def test_limits_are_lines_named_with_their_unit(three) -> None:
    axes = draw_measured(three.measured["width_error"], three.runs).figure.axes[0]
    levels = {float(line.get_ydata()[0]) for line in axes.lines if len(set(line.get_ydata())) == 1}
    assert {-0.12, 0.12} <= levels
    texts = {t.get_text() for t in axes.texts}
    assert {"at least \u22120.12 mm", "at most 0.12 mm"} <= texts
    assert axes.get_ylabel() == "Width error (mm)"


def test_a_failed_print_is_marked_at_its_place(three) -> None:
    picture = draw_measured(three.measured["gloss"], three.runs)
    crosses = [line for line in picture.figure.axes[0].lines if line.get_marker() == "x"]
    assert list(crosses[0].get_xdata()) == [7.0]
    assert "Failed: run 07." in picture.alt


def test_alt_text_counts_what_meets_the_requirement(three) -> None:
    values = three.measured["gloss"].prints["value"]
    alt = draw_measured(three.measured["gloss"], three.runs).alt
    assert f"{(values >= 30).sum()} of {len(values)} means meet it" in alt
    assert "51 specimens of 17 prints" in alt


def test_levels_of_a_category_differ_in_marker_and_colour(spools) -> None:
    figure = draw_measured(spools.measured["gloss"], spools.runs, spools.study).figure
    found = [c for c in figure.axes[0].collections if isinstance(c, PathCollection)][1:]
    assert len(found) == 2
    assert len({tuple(c.get_facecolor()[0]) for c in found}) == 2
    assert len({len(c.get_paths()[0].vertices) for c in found}) == 2
    keys = [t.get_text() for t in figure.legends[0].get_texts()]
    assert set(keys) == {"mean of a print, white", "mean of a print, pink", "a specimen"}


@pytest.mark.parametrize("prints", [0, 1, 3])
def test_a_half_finished_study_can_be_drawn(three, prints: int, uncut) -> None:
    measured = three.measured["gloss"]
    some = replace(
        measured,
        prints=measured.prints.iloc[:prints],
        specimens=measured.specimens.iloc[: 3 * prints],
    )
    picture = draw_measured(some, three.runs, three.study)
    assert ("No results" in picture.alt) == (prints == 0)
    uncut(picture)


def test_the_name_of_a_limit_lies_on_no_point(three) -> None:
    for name in ("gloss", "width_error", "strength"):
        figure = draw_measured(three.measured[name], three.runs, three.study).figure
        axes = figure.axes[0]
        figure.draw_without_rendering()
        for text in [t for t in axes.texts if t.get_text().startswith("at ")]:
            box = text.get_window_extent()
            for points in layers(axes):
                assert not any(box.contains(*p) for p in axes.transData.transform(points))
