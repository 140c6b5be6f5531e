"""Printable settings: steps, stops, the tried region, limits of the plan, thinning."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.printer import setting_limits
from kit.study.description import Factor, Printer, Response
from kit.window.settable import default_step, printable_grid, printable_values
from tests.unit.window.made import composite, demo_surfaces, fit_by_hand, made_study, three_factors

Y = Response(name="y", lower=0.0)


def surfaces_over(factors, points, *, terms="main", seed=1, **parts):
    study = made_study(factors, [Y], **parts)
    y = np.random.default_rng(seed).normal(size=len(points))
    return fit_by_hand(study, points, {"y": y}, terms=terms), study


def values(factor, lowest, highest, **parts):
    return printable_values(factor, made_study([factor], [Y], **parts), lowest, highest)


def test_steps_are_anchored_at_low_and_go_on_to_the_axial_points():
    factor = Factor(name="nozzle", unit="degC", low=200, high=220, step=6)
    assert values(factor, 200, 220) == (200, 206, 212, 218)
    assert values(factor, 193.2, 226.8) == (194, 200, 206, 212, 218, 224)


def test_steps_are_decimal_not_binary():
    factor = Factor(name="layer", unit="mm", low=0.1, high=0.3, step=0.05)
    assert values(factor, 0.1, 0.3) == (0.1, 0.15, 0.2, 0.25, 0.3)


def test_limits_of_the_factor_and_of_the_printer_stop_the_steps():
    factor = Factor(name="n", kind="nozzle_temperature", unit="degC", low=200, high=220, step=5)
    assert values(factor, 190, 230, printer=Printer(nozzle_max=222))[-1] == 220
    assert values(factor.model_copy(update={"min": 196, "max": 226}), 190, 230) == (
        200,
        205,
        210,
        215,
        220,
        225,
    )
    fan = Factor(name="fan", kind="fan_duty", unit="%", low=20, high=80, step=20)
    assert values(fan, -20, 130) == (0, 20, 40, 60, 80, 100)
    bed = Factor(name="bed", kind="bed_temperature", unit="degC", low=50, high=70)
    assert setting_limits(bed, made_study([bed], [Y], printer=Printer(bed_max=65)))[:2] == (
        -np.inf,
        65,
    )


@given(
    st.floats(-500, 500).map(lambda x: round(x, 2)),
    st.floats(0.01, 1000).map(lambda x: round(x, 3)),
)
def test_default_step_is_round_and_gives_a_useful_number_of_steps(low, width):
    step = default_step(low, low + width)
    mantissa = float(f"{step:e}".split("e")[0])
    assert mantissa in (1, 2, 5)
    assert 7 <= width / step <= 51


def test_grid_is_the_product_inside_the_tried_region():
    surfaces, study = surfaces_over(three_factors(), composite(3))
    grid = printable_grid(surfaces, study)
    assert len(grid.index) == 9 * 9 * 9  # a cube: face-centred
    assert not grid.is_thinned
    assert grid.setting(grid.index[0]) == {"nozzle": 190.0, "speed": 40.0, "fan": 20.0}
    assert grid.columns()["speed"][:10] == [40.0] * 9 + [50.0]


def test_corners_of_the_axes_product_that_nobody_printed_are_left_out():
    two = three_factors()[:2]
    surfaces, study = surfaces_over(two, composite(2, axial=1.5))
    grid = printable_grid(surfaces, study)
    assert grid.axes[0] == tuple(float(x) for x in range(180, 241, 5))
    far = np.abs(grid.coded).max(axis=1) > 1
    assert far.any()  # towards the axial points
    assert (np.abs(grid.coded).sum(axis=1)[far] < 2).all()  # but never near the corners beyond


def test_regions_of_all_responses_are_intersected_and_plan_limits_hold():
    two = three_factors()[:2]
    study = made_study(
        two, [Y, Response(name="z", upper=1.0)], design={"limits": ["nozzle + 0.25*speed <= 250"]}
    )
    points = composite(2)
    y = np.random.default_rng(2).normal(size=len(points))
    part = points[points[:, 0] < 0.5]
    surfaces = {
        **fit_by_hand(study, points, {"y": y}, terms="main"),
        **fit_by_hand(study, part, {"z": y[: len(part)]}, terms="main"),
    }
    grid = printable_grid(surfaces, study)
    table = {k: np.array(v) for k, v in grid.columns().items()}
    assert table["nozzle"].max() == 210  # coded 0: the last that z was measured at
    assert (table["nozzle"] + 0.25 * table["speed"] <= 250 + 1e-9).all()
    surfaces["z"] = surfaces["y"]
    table = {k: np.array(v) for k, v in printable_grid(surfaces, study).columns().items()}
    assert table["nozzle"].max() == 230
    assert (table["nozzle"] + 0.25 * table["speed"]).max() == 250


def test_categories_give_the_levels_seen():
    spool = Factor(name="spool", kind="category", levels=("white", "pink", "blue"))
    points = np.array([[x, level] for x in (-1, 0, 1) for level in (0, 2)] * 2, dtype=float)
    surfaces, study = surfaces_over((three_factors()[0], spool), points, terms=["nozzle"])
    grid = printable_grid(surfaces, study)
    assert grid.axes[1] == ("white", "blue")
    assert len(grid.index) == 18
    assert set(grid.columns()["spool"]) == {"white", "blue"}
    np.testing.assert_array_equal(np.unique(grid.coded[:, 1]), [0, 2])


def test_a_missing_step_is_chosen_and_said():
    factors = (three_factors()[0].model_copy(update={"step": None}), *three_factors()[1:])
    surfaces, study = surfaces_over(factors, composite(3))
    grid = printable_grid(surfaces, study)
    assert len(grid.axes[0]) == 21
    assert any("nozzle" in n and "2 °C" in n for n in grid.notes)


@pytest.mark.parametrize("largest", [100, 300, 728])
def test_thinning_keeps_ends_middle_low_and_high(largest):
    surfaces, study = surfaces_over(three_factors(), composite(3, axial=1.5))
    keep = np.array([1, 7, 4])
    grid = printable_grid(surfaces, study, largest=largest, keep=keep)
    assert grid.is_thinned
    assert np.prod([len(k) for k in grid.kept]) <= max(largest, 6**3)
    for axis, kept, wanted in zip(grid.coded_axes, grid.kept, keep, strict=True):
        have = axis[kept]
        for value in (axis.min(), axis.max(), -1.0, 0.0, 1.0, axis[wanted]):
            assert np.isclose(have, value).any()
    assert any("even choice" in n for n in grid.notes)


def test_many_factors_are_listed_instead_of_crossed():
    factors = [Factor(name=f"f{i}", low=0, high=10, step=1) for i in range(8)]
    rng = np.random.default_rng(3)
    points = np.vstack([rng.choice([-1.0, 1.0], size=(16, 8)), np.zeros((2, 8))])
    surfaces, study = surfaces_over(factors, points)
    grid = printable_grid(surfaces, study)
    assert not grid.is_product
    assert surfaces["y"].tried.contains(grid.coded).all()
    assert any("not every combination" in n for n in grid.notes)


def test_nothing_printable_gives_an_empty_grid():
    factor = Factor(name="n", low=0, high=10, step=7)
    points = np.array([[0.2], [0.3], [0.35], [0.2]])  # 6.0 to 6.75: no multiple of 7
    surfaces, study = surfaces_over([factor], points)
    grid = printable_grid(surfaces, study)
    assert grid.index.shape == (0, 1)
    assert grid.coded.shape == (0, 1)


def test_every_grid_point_is_allowed_and_on_a_step():
    surfaces, study = demo_surfaces()
    grid = printable_grid(surfaces, study)
    assert grid.allowed(grid.coded).all()
    for factor, column in zip(study.factors, grid.columns().values(), strict=True):
        steps = (np.array(column) - factor.low) / factor.step
        np.testing.assert_array_equal(steps, steps.round())
