"""Canonical and ridge analysis and the Box-Hunter region against published surfaces."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kit.model.canonical import stationary_point, stationary_points
from kit.model.effects import effects_table
from kit.model.ridge import ridge_path
from kit.model.second_order import second_order
from kit.model.stationary_region import (
    region_in_words,
    stationary_region,
    stationary_statistic,
)
from kit.model.surface import Surface
from tests.reference.cases import load_case
from tests.unit.model.builders import coded_factors, composite, surface_of

CASES = [
    ("r01_chemical_ccd_yield", "yield", "{}"),
    ("r02_yield_ridge_ccd", "y", "{}"),
    ("r03_cvd_cci", "uniformity", "uniformity {}"),
    ("r03_cvd_cci", "stress", "stress {}"),
]


def published(name: str, response: str) -> Surface:
    table = load_case(name).table()
    if name.startswith("r03"):  # the case codes the natural settings; its file rounds to 0.71
        table = table.assign(x1=(table["pressure"] - 42) / 38, x2=(table["ratio"] - 6) / 4)
    return surface_of(table, coded_factors(), response)


@pytest.mark.parametrize(("name", "response", "ids"), CASES)
def test_published_stationary_points(name: str, response: str, ids: str) -> None:
    case, found = load_case(name), stationary_point(published(name, response))
    assert found is not None
    case.check(ids.format("stationary_point"), found.coded)
    case.check(ids.format("response_at_stationary_point"), found.value)
    case.check(ids.format("eigenvalues_ascending"), found.eigenvalues)
    case.check(ids.format("nature"), found.shape)
    vectors = case.value(ids.format("eigenvectors_columns"))
    np.testing.assert_allclose(np.abs(np.sum(vectors * found.eigenvectors, axis=0)), 1, atol=1e-6)


def test_published_limits_and_natural_settings() -> None:
    case = load_case("r01_chemical_ccd_yield")
    factors = {"time_min": (80.0, 90.0), "temperature_F": (170.0, 180.0)}
    found = stationary_point(surface_of(case.table(), factors, "yield"))
    assert found is not None
    case.check("stationary_point_natural", list(found.settings.values()))
    case.check("se_fit_at_stationary_point", found.std_error)
    case.check("ci95_mean_at_stationary_point", [found.low, found.high])
    assert found.nature == "maximum"
    assert found.inside


def test_published_blocked_surface() -> None:
    case = load_case("r02_yield_ridge_ccd")
    found = stationary_point(surface_of(case.table(), coded_factors(), block="block"))
    assert found is not None
    case.check("blocked_stationary_point", found.coded)
    case.check("blocked_eigenvalues_ascending", found.eigenvalues)
    # The book reads this surface as a rising ridge: the small eigenvalue may be 0.
    assert found.nature == "ridge"
    assert not found.inside


def test_open_prints_have_no_optimum_in_bond(open_prints: Path) -> None:
    table = pd.read_csv(open_prints / "bond_porosity_temp_speed.csv")
    factors = {"nozzle_temp_c": (220.0, 260.0), "speed_mm_s": (20.0, 40.0)}
    bond = stationary_point(surface_of(table, factors, "bond_length_ratio"))
    assert bond is not None
    assert list(bond.settings.values()) == pytest.approx([192.4, -0.8], abs=0.05)
    assert not bond.inside
    porosity = stationary_point(surface_of(table, factors, "porosity"))
    assert porosity is not None
    assert list(porosity.settings.values()) == pytest.approx([243.2, 21.7], abs=0.05)
    assert porosity.value == pytest.approx(0.0040, abs=5e-5)
    np.testing.assert_allclose(porosity.eigenvalues, [-0.00019, 0.01979], atol=5.1e-6)
    assert porosity.shape == "saddle"
    assert porosity.nature == "ridge"


def test_with_one_factor_the_eigenvalue_is_the_square_term(rng: np.random.Generator) -> None:
    x = np.tile([-1.0, 0, 1], 3)
    surface = surface_of(
        pd.DataFrame({"x1": x, "y": 3 - 2 * x**2 + rng.normal(size=9) / 9}), coded_factors(1)
    )
    found = stationary_point(surface)
    square = effects_table(surface).set_index("term").loc["x1^2"]
    assert found is not None
    assert found.eigenvalues[0] == pytest.approx(square["estimate"])
    assert found.eigenvalue_low[0] == pytest.approx(square["low"])
    assert found.eigenvalue_high[0] == pytest.approx(square["high"])
    assert found.coded[0] == pytest.approx(-surface.coefficients[1] / 2 / square["estimate"])


@pytest.mark.slow
def test_eigenvalue_limits_cover_as_stated() -> None:
    # Two well separated eigenvalues, 1,000 studies of 14 prints; 93 to 97 % is a binomial bound.
    rng = np.random.default_rng(77)
    table = composite(axial=np.sqrt(2), centre=6)
    bend = np.array([[-3.0, 0.8], [0.8, -1.0]])
    true = np.linalg.eigvalsh(bend)
    x = table.to_numpy()
    mean = 20 + x @ [1.0, -0.5] + np.einsum("ni,ij,nj->n", x, bend, x)
    hits = np.zeros(2)
    for _ in range(1000):
        found = stationary_point(
            surface_of(table.assign(y=mean + 0.4 * rng.normal(size=14)), coded_factors())
        )
        assert found is not None
        hits += (found.eigenvalue_low <= true) & (true <= found.eigenvalue_high)
    assert (np.abs(hits / 1000 - 0.95) <= 0.02).all(), hits


@pytest.mark.parametrize("terms", ["main", ["x1", "x2", "x1^2"], ["x1", "x2", "x1^3"]])
def test_no_point_without_a_full_bend(terms: str | list[str], rng: np.random.Generator) -> None:
    table = composite(axial=0.5).assign(y=rng.normal(size=12))
    assert stationary_point(surface_of(table, coded_factors(), terms=terms)) is None


def test_categories_alone_have_no_point() -> None:
    table = pd.DataFrame({"spool": ["white", "pink"] * 2, "y": [1.0, 2, 2, 4]})
    surface = surface_of(table, {"spool": ("white", "pink")}, terms="main")
    assert stationary_point(surface) is None
    assert second_order(surface) is None


def test_each_level_has_its_own_point_where_slopes_differ(rng: np.random.Generator) -> None:
    x = np.tile([-1.0, -0.5, 0, 0.5, 1], 4)
    pink = np.repeat([0, 1], 10)
    y = 5 - (x - 0.2 - 0.4 * pink) ** 2 + pink + 1e-4 * rng.normal(size=20)
    table = pd.DataFrame({"x1": x, "spool": np.where(pink, "pink", "white"), "y": y})
    factors = {"x1": (-1.0, 1.0), "spool": ("white", "pink")}
    surface = surface_of(table, factors)
    white, second = stationary_points(surface)
    assert white is not None
    assert second is not None
    assert white.settings == {"x1": pytest.approx(0.2, abs=1e-3), "spool": "white"}
    assert second.settings == {"x1": pytest.approx(0.6, abs=1e-3), "spool": "pink"}
    assert second.value == pytest.approx(6, abs=1e-3)
    by_default = stationary_point(surface)
    assert by_default is not None
    assert by_default.settings == white.settings
    alike = surface_of(table, factors, terms=["x1", "x1^2", "spool"])
    assert len(stationary_points(alike)) == 1
    with pytest.raises(ValueError, match="unknown level 'grey'"):
        stationary_point(surface, {"spool": "grey"})


@pytest.mark.parametrize(
    ("name", "response"), [("r01_chemical_ccd_yield", "yield"), ("r02_yield_ridge_ccd", "y")]
)
def test_published_ridge_of_largest_yield(name: str, response: str) -> None:
    case = load_case(name)
    rows = case.value("ridge_max_radius_mu_x1_x2_yhat")
    found = ridge_path(published(name, response), rows[:, 0])
    columns = ["radius", "multiplier", "x1", "x2", "estimate"]
    case.check("ridge_max_radius_mu_x1_x2_yhat", found[columns])


@pytest.mark.parametrize("goal", ["largest", "smallest"])
def test_ridge_beats_every_point_of_its_circle(goal: str, rng: np.random.Generator) -> None:
    surface = surface_of(composite().assign(y=rng.normal(size=12)), coded_factors())
    angles = np.linspace(0, 2 * np.pi, 3601)
    for row in ridge_path(surface, [0.3, 1.0], goal=goal).itertuples():
        circle = surface.mean(row.radius * np.column_stack([np.cos(angles), np.sin(angles)]))
        best = circle.max() if goal == "largest" else circle.min()
        assert row.estimate == pytest.approx(best, abs=1e-5)
        assert np.hypot(row.x1, row.x2) == pytest.approx(row.radius)


def test_ridge_when_the_slope_has_no_part_in_the_steepest_bend() -> None:
    # y = x1 + 2 x2^2: beyond a small circle the best lies off the x1 axis, on either side.
    table = composite()
    tiny = 1e-9 * np.resize([1, -1], len(table))
    surface = surface_of(table.assign(y=table["x1"] + 2 * table["x2"] ** 2 + tiny), coded_factors())
    row = ridge_path(surface, [1.0]).iloc[0]
    assert row["x1"] == pytest.approx(0.25, abs=1e-6)
    assert row["estimate"] == pytest.approx(0.25 + 2 * (1 - 0.25**2), abs=1e-6)


def test_ridge_misuse_is_refused(rng: np.random.Generator) -> None:
    surface = surface_of(composite().assign(y=rng.normal(size=12)), coded_factors())
    with pytest.raises(ValueError, match="radii must be above 0"):
        ridge_path(surface, [0.0])
    with pytest.raises(ValueError, match="largest or smallest"):
        ridge_path(surface, [1.0], goal="best")


def test_published_region_of_the_stationary_point() -> None:
    case = load_case("r01_chemical_ccd_yield")
    surface = published("r01_chemical_ccd_yield", "yield")
    statistic = stationary_statistic(surface, case.value("bh54_points"))
    # The first point is the rounded stationary point, where the statistic is nearly 0.
    case.check("bh54_statistic", statistic, rtol=1e-5)
    found = stationary_region(surface)
    case.check("bh54_F_crit_95", found.limit)
    assert (statistic <= found.limit).tolist() == case.value("bh54_inside").astype(bool).tolist()
    assert found.bounded
    assert 0 < found.share < 0.1
    assert region_in_words(surface, found) == (
        "With 95 % confidence the point where y is level lies within x1 0.283 to 0.566 and x2 0.141 to 0.53."
    )


def test_a_ridge_has_an_unbounded_region() -> None:
    surface = published("r02_yield_ridge_ccd", "y")
    found = stationary_region(surface)
    assert not found.bounded
    assert region_in_words(surface, found).startswith(
        "The readings do not place the point where y is level"
    )


def test_a_slope_has_no_level_point_near() -> None:
    table = composite()
    y = 20 + 5 * table["x1"] - 0.5 * table["x1"] ** 2 + 0.3 * table["x2"] ** 2
    wiggle = 0.01 * np.resize([1, -1, 0.5], len(table))
    surface = surface_of(table.assign(y=y + wiggle), coded_factors())
    found = stationary_region(surface)
    assert found.ranges == {}
    assert "nowhere level inside the tried ranges" in region_in_words(surface, found)


def test_bounded_regions_end_and_unbounded_ones_do_not() -> None:
    # Far out in every direction, or along one, the statistic must agree with the verdict.
    angles = np.linspace(0, np.pi, 2001)
    far = 1e6 * np.column_stack([np.cos(angles), np.sin(angles)])
    for name, response, _ in CASES:
        surface = published(name, response)
        found = stationary_region(surface)
        assert found.bounded == (stationary_statistic(surface, far).min() > found.limit)


@pytest.mark.slow
def test_the_region_holds_the_true_point_as_often_as_stated() -> None:
    rng = np.random.default_rng(8)
    table = composite(axial=np.sqrt(2), centre=5)
    x = table.to_numpy()
    mean = 20 + x @ [1.2, 0.8] - 2 * x[:, 0] ** 2 - x[:, 1] ** 2
    true = np.array([[0.3, 0.4]])
    hits, limit = 0, stats.f.ppf(0.95, 2, len(x) - 6)
    for _ in range(1000):
        surface = surface_of(table.assign(y=mean + 0.5 * rng.normal(size=len(x))), coded_factors())
        hits += stationary_statistic(surface, true)[0] <= limit
    assert abs(hits / 1000 - 0.95) <= 0.02
