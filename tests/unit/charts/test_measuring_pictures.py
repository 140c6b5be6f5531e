"""Pictures of the gauge study, the instruments and the curves: the data drawn are the data found."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import PathCollection

from kit.bench.curve_readings import study_curves
from kit.charts.bias import draw_bias
from kit.charts.force_curves import PER_PICTURE, draw_curves
from kit.charts.gauge import draw_gauge_components, draw_gauge_strips
from kit.report.gauge_study import GaugeStudy, study_gauge
from tests.measuring_data import FOLDER


@pytest.fixture(scope="module")
def study() -> GaugeStudy:
    return study_gauge(FOLDER, run_sd=0.02)


def dots_of(axes: Axes) -> list[np.ndarray]:
    """Across positions of the dots, one array a call that drew some."""
    return [
        np.asarray(c.get_offsets())[:, 0]
        for c in axes.collections
        if isinstance(c, PathCollection) and len(c.get_offsets())
    ]


def test_strips_hold_every_reading_as_its_deviation(study: GaugeStudy) -> None:
    readings = study.readings("clip_width")
    picture = draw_gauge_strips(readings, study.gauges["clip_width"], "clip width", "mm")
    axes = picture.figure.axes[0]
    drawn = np.sort(np.concatenate(dots_of(axes)))
    off = readings["value"] - readings.groupby("part")["value"].transform("mean")
    assert drawn == pytest.approx(np.sort(off.to_numpy()), abs=1e-9)
    assert axes.get_xlabel().endswith("(mm)")
    assert len(axes.get_yticks()) == 10
    assert "90 readings of 10 parts by 3 operators" in picture.alt


def test_components_stand_beside_the_width_in_the_unit(study: GaugeStudy) -> None:
    gauge = study.gauges["clip_width"]
    picture = draw_gauge_components(gauge, "clip width", "mm", 0.2, "(...)")
    axes = picture.figure.axes[0]
    assert axes.get_xlim()[1] > 0.2
    assert axes.get_xlabel() == "Standard deviation (mm)"
    drawn = np.concatenate(dots_of(axes))
    for name in ("repeatability", "reproducibility", "measuring", "part"):
        assert min(abs(drawn - gauge.components[name].sd)) < 1e-9
    assert "0.2" in picture.alt


def test_one_operator_has_no_lane_for_operators(study: GaugeStudy) -> None:
    picture = draw_gauge_components(study.gauges["gloss"], "gloss", "GU")
    assert not any("Operators" in t.get_text() for t in picture.figure.axes[0].texts)


def test_bias_draws_line_and_readings(study: GaugeStudy) -> None:
    bias = study.biases["long caliper"]
    table = study.data.references
    rows = table[table["instrument"] == "long caliper"]
    picture = draw_bias(bias, rows)
    line = picture.figure.axes[0].lines[1]
    assert line.get_ydata() == pytest.approx(bias.at(line.get_xdata()))
    assert "20 readings of 5 references" in picture.alt


def test_every_curve_is_shown_with_its_strength(study: GaugeStudy) -> None:
    found = list(study_curves(study.data).readings.values())
    pictures = draw_curves(found, "bending strength")
    assert len(pictures) == -(-len(found) // PER_PICTURE)
    titles = [
        a.get_title(loc="left") for p in pictures for a in p.figure.axes if a.get_title(loc="left")
    ]
    assert len(titles) == len(found)
    for reading, title in zip(found, titles, strict=True):
        assert title.startswith(f"{reading.run} {reading.specimen}: {reading.strength:.1f} MPa")
