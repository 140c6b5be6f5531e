from __future__ import annotations

import numpy as np
import pytest

from kit.study.description import Factor, Response
from kit.window.steepest import steepest_ascent
from tests.reference.cases import load_case
from tests.unit.window.made import composite, fit_by_hand, made_study

TWO = (
    Factor(name="x1", low=-1, high=1, step=0.1),
    Factor(name="x2", low=-1, high=1, step=0.1),
)


def first_order(case):
    table = case.table()
    study = made_study(TWO, [Response(name="y", lower=0.0)])
    points = table[["x1", "x2"]].to_numpy(dtype=float)
    surface = fit_by_hand(study, points, {"y": table["y"].to_numpy(dtype=float)}, terms="main")["y"]
    return table, surface


def test_path_and_cone_of_the_chemical_yield() -> None:
    """Box, Hunter & Hunter 1978, pp. 514-519; cone after Box & Draper with the pure-error variance."""
    case = load_case("s01_steepest_ascent_yield")
    table, surface = first_order(case)
    case.check("first_order_coefficients", surface.coefficients)
    centre = table.loc[(table["x1"] == 0) & (table["x2"] == 0), "y"]
    case.check("pure_error_sd", centre.std())
    # the case takes s_b^2 = s^2 / 4: the four corners, the centre points add nothing to the slopes
    found = steepest_ascent(surface, variance=float(centre.var()), df=2)
    case.check("unit_direction", found.direction)
    case.check("path_points_for_x1_steps_1_to_5", found.path([1, 2, 3, 4, 5], along="x1"))
    assert found.half_angle is not None
    case.check("direction_cone_half_angle_deg_95", found.half_angle)


def test_path_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 5.5.3.1.1: steps of 50 minutes are one coded unit of the second factor."""
    case = load_case("s02_steepest_ascent_handbook")
    _, surface = first_order(case)
    case.check("first_order_coefficients", surface.coefficients)
    case.check("residual_ms", surface.residual_variance)
    found = steepest_ascent(surface)
    case.check("unit_direction", found.direction)
    case.check("step_50_min_in_time_path_x1_x2", found.path([1, 2, 3, 4, 5], along="x2"))


def test_descent_is_the_other_way() -> None:
    _, surface = first_order(load_case("s01_steepest_ascent_yield"))
    up, down = steepest_ascent(surface), steepest_ascent(surface, sign=-1)
    np.testing.assert_allclose(up.direction, -down.direction)
    assert up.half_angle == pytest.approx(down.half_angle)


def test_slope_of_a_curved_surface_is_that_of_its_formula(rng: np.random.Generator) -> None:
    study = made_study(TWO, [Response(name="y", lower=0.0)])
    points = composite(2)
    surface = fit_by_hand(study, points, {"y": rng.normal(0, 5, len(points))})["y"]
    b = dict(zip(surface.names, surface.coefficients, strict=True))
    at = np.array([0.3, -0.7])
    wanted = [
        b["x1"] + b["x1:x2"] * at[1] + 2 * b["x1^2"] * at[0],
        b["x2"] + b["x1:x2"] * at[0] + 2 * b["x2^2"] * at[1],
    ]
    np.testing.assert_allclose(steepest_ascent(surface, at).gradient, wanted)


def test_a_slope_lost_in_the_scatter_excludes_no_direction(rng: np.random.Generator) -> None:
    study = made_study(TWO, [Response(name="y", lower=0.0)])
    points = composite(2)
    values = 0.01 * points[:, 0] + rng.normal(0, 5, len(points))
    surface = fit_by_hand(study, points, {"y": values}, terms="main")["y"]
    assert steepest_ascent(surface).half_angle is None


@pytest.mark.slow
def test_the_cone_covers_the_true_direction(rng: np.random.Generator) -> None:
    """Of 1,500 fits in three factors the true direction lies in the 95 % cone 95 times in 100 (binomial bound)."""
    factors = tuple(Factor(name=f"x{i}", low=-1, high=1, step=0.1) for i in (1, 2, 3))
    study = made_study(factors, [Response(name="y", lower=0.0)])
    points = composite(3, centre=2)
    truth = np.array([2.0, -1.0, 0.5])
    inside = 0
    n = 1500
    for values in points @ truth + rng.normal(0, 1.0, (n, len(points))):
        found = steepest_ascent(fit_by_hand(study, points, {"y": values}, terms="main")["y"])
        cosine = float(found.direction @ truth / np.linalg.norm(truth))
        inside += found.half_angle is None or np.degrees(np.arccos(cosine)) <= found.half_angle
    assert abs(inside / n - 0.95) < 0.02
