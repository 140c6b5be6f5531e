from __future__ import annotations

import numpy as np
import pytest
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.colors import same_color

from kit.charts.effects import draw_effects
from kit.charts.style import ACCENT
from kit.model.effects import step_effects


@pytest.fixture
def effects(three):
    return step_effects(three.surfaces["gloss"], three.study)


def drawn_dots(axes) -> np.ndarray:
    return np.vstack([c.get_offsets() for c in axes.collections if isinstance(c, PathCollection)])


def test_dots_and_bars_are_the_numbers_of_the_table(three, effects) -> None:
    axes = draw_effects(effects, three.surfaces["gloss"].response, three.study).figure.axes[0]
    dots = drawn_dots(axes)
    order = np.argsort(dots[:, 1])
    np.testing.assert_allclose(dots[order, 0], effects["estimate"])
    bars = [
        s
        for c in axes.collections
        if isinstance(c, LineCollection)
        for s in c.get_segments()
        if s[0, 1] == s[1, 1]
    ]
    bars.sort(key=lambda s: s[0, 1])
    np.testing.assert_allclose([s[:, 0] for s in bars], effects[["low", "high"]])


def test_factors_stay_in_the_order_of_the_study(three, effects) -> None:
    shuffled = effects.iloc[::-1]
    response = three.surfaces["gloss"].response
    picture, again = (draw_effects(table, response, three.study) for table in (effects, shuffled))
    np.testing.assert_array_equal(
        drawn_dots(picture.figure.axes[0]), drawn_dots(again.figure.axes[0])
    )
    assert picture.alt.index("Nozzle") < picture.alt.index("Speed") < picture.alt.index("Fan")


def test_unit_signs_and_limits_are_written(three, effects) -> None:
    picture = draw_effects(effects, three.surfaces["gloss"].response, three.study)
    row = effects.iloc[0]
    assert (
        f"Nozzle temperature 190 → 230 °C: +{row['estimate']:.1f} GU (+{row['low']:.1f} to +{row['high']:.1f})"
        in picture.alt
    )
    assert picture.figure.axes[0].get_xlabel() == "Change of gloss (GU)"
    written = {t.get_text() for t in picture.figure.axes[0].texts}
    assert f"+{row['estimate']:.1f} GU" in written


def test_a_doubtful_change_is_hollow_and_said(three, effects) -> None:
    effects.loc[2, ["estimate", "low", "high"]] = [-1.0, -4.0, 2.0]
    figure = draw_effects(effects, three.surfaces["gloss"].response, three.study).figure
    dots = [c for c in figure.axes[0].collections if isinstance(c, PathCollection)]
    faces = {tuple(c.get_offsets()[:, 0]): c.get_facecolor()[0] for c in dots}
    assert same_color(faces[(-1.0,)], "white")
    assert all(same_color(face, ACCENT) for xs, face in faces.items() if xs != (-1.0,))
    assert "Hollow" in " ".join(t.get_text() for t in figure.texts)


def test_what_cannot_be_told_has_no_dot_and_says_so(three, effects) -> None:
    effects.loc[1, ["estimate", "low", "high"]] = np.nan
    axes = draw_effects(effects, three.surfaces["gloss"].response, three.study).figure.axes[0]
    assert len(drawn_dots(axes)) == 2
    assert "cannot be told from these runs" in [t.get_text() for t in axes.texts]


def test_levels_are_named_against_the_first(spools) -> None:
    table = step_effects(spools.surfaces["gloss"], spools.study)
    assert (
        "Spool: white → pink"
        in draw_effects(table, spools.surfaces["gloss"].response, spools.study).alt
    )


def test_zero_is_always_in_sight(three, effects) -> None:
    effects[["estimate", "low", "high"]] = [[50, 40, 60], [80, 70, 90], [45, 40, 50]]
    low, high = (
        draw_effects(effects, three.surfaces["gloss"].response, three.study)
        .figure.axes[0]
        .get_xlim()
    )
    assert low < 0 < high
