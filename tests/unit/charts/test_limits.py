from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.collections import LineCollection, PathCollection

from kit.charts.limits import draw_limits_strip
from kit.window.result import Prediction


def test_one_strip_a_response_with_mean_interval_and_limits(three) -> None:
    choice = three.window.recommended
    figure = draw_limits_strip(choice, three.study).figure
    for axes, response in zip(figure.axes, three.study.responses, strict=True):
        foretold = choice.predictions[response.name]
        dot = next(c for c in axes.collections if isinstance(c, PathCollection))
        assert dot.get_offsets()[0, 0] == pytest.approx(foretold.mean)
        bar = next(c for c in axes.collections if isinstance(c, LineCollection)).get_segments()[0]
        np.testing.assert_allclose(bar[:, 0], [foretold.low, foretold.high])
        drawn = {float(line.get_xdata()[0]) for line in axes.lines}
        assert drawn == {v for v in (response.lower, response.upper) if v is not None}


def test_everything_that_counts_is_in_sight(three) -> None:
    far = {
        n: Prediction(p.mean + 100, p.low + 100, p.high + 100)
        for n, p in three.window.recommended.predictions.items()
    }
    choice = replace(three.window.recommended, predictions=far)
    for axes, response in zip(
        draw_limits_strip(choice, three.study).figure.axes, three.study.responses, strict=True
    ):
        low, high = axes.get_xlim()
        assert low < min(response.lower, far[response.name].low)
        assert high > far[response.name].high


def test_headings_carry_requirement_number_and_unit(three) -> None:
    choice = replace(
        three.window.recommended,
        predictions={
            "gloss": Prediction(46.24, 42.45, 50.02),
            "width_error": Prediction(0.04141, 0.008, 0.0747),
        },
        alone={"gloss": 0.93, "width_error": 0.999},
        probability=0.928,
    )
    picture = draw_limits_strip(choice, three.study)
    texts = [t.get_text() for axes in picture.figure.axes for t in axes.texts]
    assert "Gloss: at least 30 GU, met by 93 %" in texts
    assert "46.2 GU" in texts
    assert "(42.5 to 50.0)" in texts
    assert "Width error: \u22120.12 to 0.12 mm" in texts
    assert "0.041 mm" in texts
    assert len(picture.figure.axes) == 2  # strength has no prediction
    assert "93 % chance that a new part meets every requirement" in picture.alt


def test_a_chance_that_is_not_known_is_not_printed(three, uncut) -> None:
    choice = replace(
        three.window.recommended, probability=np.nan, low=np.nan, high=np.nan, alone={}
    )
    picture = draw_limits_strip(choice, three.study)
    assert "nan" not in picture.alt
    uncut(picture)


def test_a_target_and_no_limit(three) -> None:
    gloss = three.study.response_named("gloss").model_copy(update={"lower": None, "target": 45.0})
    study = three.study.model_copy(update={"response": (gloss,)})
    axes = draw_limits_strip(three.window.recommended, study).figure.axes[0]
    assert [float(line.get_xdata()[0]) for line in axes.lines] == [45.0]
    assert "Gloss" in [t.get_text() for t in axes.texts]
