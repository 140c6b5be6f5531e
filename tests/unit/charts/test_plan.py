from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.collections import PathCollection

from kit.charts.plan import draw_plan


def settings(axes) -> np.ndarray:
    found = np.vstack([c.get_offsets() for c in axes.collections if isinstance(c, PathCollection)])
    return found[np.argsort(found[:, 0])]


def test_each_lane_shows_the_settings_in_print_order(three) -> None:
    figure = draw_plan(three.runs.sample(frac=1, random_state=1), three.study).figure
    ordered = three.runs.sort_values("print_order")
    for axes, factor in zip(figure.axes, three.study.factors, strict=True):
        np.testing.assert_allclose(settings(axes), ordered[["print_order", factor.name]])
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert titles == ["Nozzle temperature (°C)", "Speed (mm/s)", "Fan duty (%)"]


def test_levels_are_named(spools) -> None:
    axes = draw_plan(spools.runs, spools.study).figure.axes[2]
    assert [t.get_text() for t in axes.get_yticklabels()] == ["white", "pink"]
    wanted = spools.runs.sort_values("print_order")["spool"].map({"white": 0, "pink": 1})
    np.testing.assert_allclose(settings(axes)[:, 1], wanted)


def test_the_line_breaks_between_blocks(three) -> None:
    axes = draw_plan(three.runs, three.study).figure.axes[0]
    steps = [line for line in axes.lines if line.get_drawstyle() == "steps-mid"]
    blocks = three.runs.sort_values("print_order").groupby("block")["print_order"]
    assert [list(line.get_xdata()) for line in steps] == [list(rows) for _, rows in blocks]


def test_alt_text_counts_levels(three) -> None:
    alt = draw_plan(three.runs, three.study).alt
    assert "18 prints in 2 blocks" in alt
    assert "Speed (mm/s): 40 5\u00d7, 80 8\u00d7, 120 5\u00d7" in alt


def test_rounds_that_count_anew_follow_each_other(three, uncut) -> None:
    again = three.runs.assign(round="second", block=three.runs["block"] + 2, status="planned")
    picture = draw_plan(pd.concat([three.runs, again], ignore_index=True), three.study)
    places = settings(picture.figure.axes[0])[:, 0]
    np.testing.assert_allclose(places, np.arange(1, 37))
    uncut(picture)


def test_one_print_is_a_plan(three, uncut) -> None:
    picture = draw_plan(three.runs.iloc[:1], three.study)
    assert "1 print " in picture.alt
    uncut(picture)
