"""Physics of printing against tables and handbook numbers, and verdicts on runs and plans."""

from __future__ import annotations

from math import isnan, pi, sqrt
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.design.choose import choose_design
from kit.printer import (
    FINE,
    LOOK_TWICE,
    NOT_POSSIBLE,
    assess_prints,
    effective_speed,
    filament_length_m,
    layer_time_s,
    line_cross_section,
    list_runs,
    mass_g,
    melt_limit_at,
    move_time_s,
    peak_speed,
    print_time_min,
    share_at_speed,
    throughput,
)
from kit.study.description import Factor, Study
from tests.unit.design.studies import FAN, NOZZLE, SPEED, study

FULL_CARD: dict[str, Any] = {
    "printer": {"acceleration": 3000, "melt_limit": 15.0, "nozzle_max": 260, "bed_max": 100},
    "specimen": {"straight_path": 40, "path_per_layer": 1200, "layers": 50, "min_layer_time": 8},
    "material": {"stated_range": (190, 230)},
}


@pytest.mark.parametrize(
    ("acceleration", "reached"),
    [
        (500, [50.0, 70.7, 100.0, 122.5, 158.1, 223.6]),
        (1000, [70.7, 100.0, 141.4, 173.2, 223.6, 316.2]),
        (3000, [122.5, 173.2, 244.9, 300.0, 387.3, 547.7]),
        (5000, [158.1, 223.6, 316.2, 387.3, 500.0, 707.1]),
        (10000, [223.6, 316.2, 447.2, 547.7, 707.1, 1000.0]),
        (20000, [316.2, 447.2, 632.5, 774.6, 1000.0, 1414.2]),
    ],
)
def test_reachable_speed_from_rest_to_rest(acceleration: float, reached: list[float]) -> None:
    # Exact kinematics, sqrt(a L) for straights of 5, 10, 20, 30, 50 and 100 mm.
    found = [float(peak_speed(1e9, 0, acceleration, L)) for L in (5, 10, 20, 30, 50, 100)]
    np.testing.assert_allclose(found, reached, atol=0.05)


def test_300_mm_s_at_3000_mm_s2_needs_30_mm() -> None:
    # A maker's article of 2016 on printer motion: 15 mm to speed up, 30 mm from rest to rest.
    assert float(peak_speed(300, 0, 3000, 30)) == pytest.approx(300)
    assert float(peak_speed(300, 0, 3000, 29.9)) < 300
    assert float(share_at_speed(300, 0, 3000, 30)) == pytest.approx(0)
    assert float(share_at_speed(300, 0, 3000, 60)) == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("speed", "acceleration", "length"),
    [
        (60, 500, 14.1),
        (60, 1000, 7.1),
        (60, 3000, 2.4),
        (60, 10000, 0.7),
        (150, 500, 89.7),
        (150, 1000, 44.9),
        (150, 3000, 15.0),
        (150, 10000, 4.5),
    ],
)
def test_length_for_the_set_speed_over_half_the_move(
    speed: float, acceleration: float, length: float
) -> None:
    # L = (v^2 - vc^2) / (a (1 - f)), computed beforehand for vc = 8 mm/s and f = 0.5.
    exact = (speed**2 - 8**2) / (acceleration * 0.5)
    assert exact == pytest.approx(length, abs=0.05)
    assert float(share_at_speed(speed, 8, acceleration, exact)) == pytest.approx(0.5)


def test_150_mm_s_on_20_mm_at_500_mm_s2() -> None:
    # Reachable about 100 mm/s, about 71 mm/s held over half of the straight (exact kinematics from rest).
    assert float(peak_speed(150, 0, 500, 20)) == pytest.approx(100)
    assert float(share_at_speed(150, 0, 500, 20)) == 0
    assert float(share_at_speed(sqrt(5000), 0, 500, 20)) == pytest.approx(0.5)


@given(
    v=st.floats(1, 1000),
    corner=st.floats(0, 100),
    a=st.floats(100, 20000),
    length=st.floats(0.1, 500),
)
def test_time_of_a_move_agrees_with_integration(
    v: float, corner: float, a: float, length: float
) -> None:
    peak = float(peak_speed(v, corner, a, length))
    found = float(move_time_s(v, corner, a, length))
    # By the trapezoid of speed over distance: dt = dx / v(x), with the speed of exact kinematics.
    edges = np.linspace(0, length, 20001)
    x = (edges[1:] + edges[:-1]) / 2
    enter = min(corner, peak)
    speed = np.minimum(peak, np.sqrt(enter**2 + 2 * a * np.minimum(x, length - x)))
    assert found == pytest.approx(float((length / len(x) / speed).sum()), rel=0.02)
    assert found >= length / peak - 1e-12


def test_line_cross_section() -> None:
    # Rounded ends; 0.45 x 0.20 mm: 0.0814 mm2, 10 % below w x h; 10 mm3/s is 123 mm/s (111 for w x h).
    section = float(line_cross_section(0.45, 0.20))
    assert section == pytest.approx(0.0814, abs=5e-5)
    assert 10 / section == pytest.approx(123, abs=0.5)
    assert float(line_cross_section(0.3, 0.3)) == pytest.approx(pi * 0.3**2 / 4)
    assert isnan(float(line_cross_section(0.2, 0.3)))
    assert float(throughput(0.09, 60)) == pytest.approx(5.4)


def test_filament() -> None:
    # 1.75 mm at 1.24 g/cm3 weighs 2.983 g a metre.
    assert 1 / float(filament_length_m(1, 1.24, 1.75)) == pytest.approx(2.983, abs=5e-4)
    assert float(mass_g(2, 1.24)) == 2.48
    assert float(layer_time_s(600, 60)) == 10
    assert float(print_time_min(50, 12)) == 10


def test_melt_limit_is_interpolated_and_held_constant_outside() -> None:
    pairs = ((230, 13.0), (190, 9.0))  # in any order
    assert melt_limit_at(11.0, 500) == (11.0, "")
    assert melt_limit_at(None, 200) == (None, "")
    assert melt_limit_at(pairs, 210) == (pytest.approx(11.0), "")
    below, note = melt_limit_at(pairs, 180)
    assert below == 9.0
    assert "Below 190" in note
    assert melt_limit_at(pairs, 240)[0] == 13.0
    lowest, note = melt_limit_at(pairs, None)
    assert lowest == 9.0
    assert "no factor says the nozzle temperature" in note


def test_minimum_layer_time_makes_two_levels_one() -> None:
    np.testing.assert_array_equal(effective_speed([40, 80, 120], 480, 8), [40, 60, 60])
    np.testing.assert_array_equal(effective_speed([40, 80], 480, 0), [40, 80])


def assessed(*factors: Factor, settings: dict[str, list[Any]], **parts: Any) -> Any:
    return assess_prints(study(*factors, **{**FULL_CARD, **parts}), pd.DataFrame(settings))


def test_figures_of_a_run() -> None:
    found = assessed(NOZZLE, SPEED, settings={"nozzle": [210], "speed": [60]}).table.iloc[0]
    assert found["run"] == "1"
    assert found["peak_speed_mm_s"] == 60
    assert found["share_at_speed"] == pytest.approx(1 - (60**2 - 8**2) / (3000 * 40))
    assert found["throughput_mm3_s"] == pytest.approx(60 * float(line_cross_section(0.45, 0.2)))
    assert found["melt_limit_mm3_s"] == 15
    # Each of 30 straights of 40 mm: 40/60 s and, for the ramps, (60-8)^2 / (3000 x 60) s.
    assert found["layer_time_s"] == pytest.approx(30 * (40 / 60 + 52**2 / (3000 * 60)))
    assert found["minutes"] == pytest.approx(50 * found["layer_time_s"] / 60)
    grams = 1.24 * 1200 * 50 * float(line_cross_section(0.45, 0.2)) / 1000
    assert found["grams"] == pytest.approx(grams)
    assert found["metres"] == pytest.approx(grams / 2.983, rel=1e-3)
    assert found["verdict"] == FINE
    assert found["sentence"] == "Nothing speaks against it."


@pytest.mark.parametrize(
    ("settings", "verdict", "text"),
    [
        ({"nozzle": 265, "speed": 60}, NOT_POSSIBLE, "above 260 (nozzle_max, the hard stop"),
        (
            {"nozzle": 235, "speed": 60},
            LOOK_TWICE,
            "outside the range stated on the spool, 190 to 230",
        ),
        (
            {"nozzle": 210, "speed": 200},
            NOT_POSSIBLE,
            "150 mm/s, since a layer must last at least 8 s",
        ),
        ({"nozzle": 210, "speed": 150}, FINE, "Nothing"),
    ],
)
def test_verdicts(settings: dict[str, float], verdict: str, text: str) -> None:
    found = assessed(NOZZLE, SPEED, settings={k: [v] for k, v in settings.items()}).table.iloc[0]
    assert found["verdict"] == verdict
    assert text in found["sentence"]


def test_a_speed_that_is_not_reached_is_another_speed() -> None:
    slow = {"printer": {"acceleration": 500}, "specimen": {"straight_path": 20}}
    found = assessed(SPEED, settings={"speed": [80, 100.3, 150]}, **slow)
    assert found.table["verdict"].tolist() == [LOOK_TWICE, LOOK_TWICE, NOT_POSSIBLE]
    assert "is held over 37 % of a straight of 20 mm only" in found.table["sentence"].iloc[0]
    assert "150 mm/s is not reached: 100 mm/s at most" in found.table["sentence"].iloc[2]
    assert any("100.3 and 150 mm/s are the same treatment" in f for f in found.findings)


def test_layer_time_makes_levels_one_treatment_in_the_plan() -> None:
    slow = {"specimen": {"path_per_layer": 480, "min_layer_time": 8, "straight_path": 40}}
    asked = study(SPEED, NOZZLE, **{**FULL_CARD, **slow})
    found = assess_prints(asked, choose_design(asked))
    assert any("speed 80 and 120 mm/s are the same treatment" in f for f in found.findings)
    several = {**slow["specimen"], "specimens_per_print": 3}
    asked = study(SPEED, NOZZLE, **{**FULL_CARD, "specimen": several})
    assert not any(
        "same treatment" in f for f in assess_prints(asked, choose_design(asked)).findings
    )


def test_melt_limit_follows_the_nozzle_temperature() -> None:
    card = {"printer": {"melt_limit": ((190, 9.0), (230, 12.0))}}
    found = assessed(NOZZLE, SPEED, settings={"nozzle": [190, 230], "speed": [120, 120]}, **card)
    assert found.table["melt_limit_mm3_s"].tolist() == [9, 12]
    assert found.table["verdict"].tolist() == [NOT_POSSIBLE, FINE]
    assert "too much to melt: 9.77 mm³/s needed, 9 mm³/s possible" in found.findings[0]
    cold = assessed(SPEED, settings={"speed": [120]}, **card)
    assert cold.table["melt_limit_mm3_s"].tolist() == [9]
    assert any("no factor says the nozzle temperature" in f for f in cold.findings)


def test_layer_height_and_flow_change_cross_section_mass_and_layers() -> None:
    height = Factor(name="layer", kind="layer_height", unit="um", low=100, high=300)
    flow = Factor(name="flow", kind="flow", unit="%", low=90, high=110)
    settings = {"layer": [100, 200, 200, 500], "flow": [100, 100, 110, 100], "speed": [60] * 4}
    table = assessed(height, flow, SPEED, settings=settings).table
    sections = table["throughput_mm3_s"] / 60
    assert sections.iloc[0] == pytest.approx(float(line_cross_section(0.45, 0.1)))
    assert sections.iloc[2] == pytest.approx(1.1 * float(line_cross_section(0.45, 0.2)))
    assert table["minutes"].iloc[0] == pytest.approx(2 * table["minutes"].iloc[1])
    assert table["grams"].iloc[2] == pytest.approx(1.1 * table["grams"].iloc[1])
    assert table["verdict"].iloc[3] == NOT_POSSIBLE
    assert "such a line cannot be laid" in table["sentence"].iloc[3]


def test_fan_dead_zone_and_full_fan() -> None:
    table = assessed(FAN, settings={"fan": [0, 10, 20, 110]}).table
    assert table["verdict"].tolist() == [FINE, LOOK_TWICE, FINE, NOT_POSSIBLE]
    assert "many fans do not turn" in table["sentence"].iloc[1]


def test_bed_beyond_its_hard_stop() -> None:
    bed = Factor(name="bed", kind="bed_temperature", unit="degC", low=60, high=110)
    table = assessed(bed, settings={"bed": [60, 110]}).table
    assert table["verdict"].tolist() == [FINE, NOT_POSSIBLE]


def test_unknown_inputs_leave_columns_missing_and_say_what_to_add() -> None:
    bare = study(NOZZLE, SPEED)
    found = assess_prints(bare, pd.DataFrame({"nozzle": [210], "speed": [60]}))
    row = found.table.iloc[0]
    for column in (
        "peak_speed_mm_s",
        "share_at_speed",
        "melt_limit_mm3_s",
        "layer_time_s",
        "grams",
    ):
        assert isnan(row[column])
    assert row["verdict"] == FINE
    assert "as far as known; not judged: layer time, reach, melt limit" in row["sentence"]
    added = " ".join(found.missing)
    for key in ("acceleration", "straight_path", "melt_limit", "path_per_layer", "layers", "mass"):
        assert key in added
    assert found.totals == ""


def test_without_a_speed_factor_nothing_of_speed_is_judged() -> None:
    found = assessed(NOZZLE, FAN, settings={"nozzle": [210], "fan": [50]})
    assert isnan(found.table["throughput_mm3_s"].iloc[0])
    assert any("Speed is no factor" in m for m in found.missing)


def test_totals_and_stated_mass() -> None:
    card = {"specimen": {**FULL_CARD["specimen"], "mass": 5, "specimens_per_print": 2}}
    found = assessed(NOZZLE, SPEED, settings={"nozzle": [210] * 3, "speed": [60] * 3}, **card)
    assert found.table["grams"].tolist() == [10, 10, 10]
    assert found.totals.startswith("3 prints take about 30 g (10.1 m) of filament and")
    assert found.possible.tolist() == [True, True, True]


def test_findings_name_runs_the_gravest_first() -> None:
    settings = {"nozzle": [235, 265, 210, 235], "speed": [60] * 4}
    found = assessed(NOZZLE, SPEED, settings={**settings, "run": ["a", "b", "c", "d"]})
    assert found.findings[0].startswith("Run b: nozzle 265 °C is above 260")
    assert found.findings[1].startswith("Runs a and d: nozzle 235 °C is outside")
    assert list_runs([str(i) for i in range(20)]) == "20 runs (0, 1, 2, ...)"


def test_the_table_shows_itself_with_words_escaped() -> None:
    settings = {"nozzle": [265], "speed": [60], "run": ["<b>"]}
    html = assessed(NOZZLE, SPEED, settings=settings)._repr_html_()
    assert "<b>" not in html
    assert "not possible" in html


def test_runs_with_the_same_verdict_share_a_line() -> None:
    same = {"nozzle": [200.0] * 3, "speed": [80.0] * 3}
    found = assessed(NOZZLE, SPEED, settings=same, **FULL_CARD)
    assert len(found.verdicts) == 1
    assert found.verdicts[0].startswith("All 3 runs: ")
    assert found.lines[-1] == found.totals
    mixed = {"nozzle": [200.0] * 9 + [228.0, 245.0, 245.0], "speed": [80.0] * 12}
    lines = assessed(NOZZLE, SPEED, settings=mixed, **FULL_CARD).verdicts
    assert lines[0].startswith("10 runs (")
    assert ": fine." in lines[0]
    assert any(line.startswith("Runs ") and "look twice" in line for line in lines[1:])


def test_an_empty_plan_is_no_error() -> None:
    asked: Study = study(NOZZLE, SPEED, **FULL_CARD)
    found = assess_prints(asked, pd.DataFrame({"nozzle": [], "speed": []}))
    assert found.findings == ()
    assert len(found.table) == 0
