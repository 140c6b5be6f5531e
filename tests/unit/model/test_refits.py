"""Batched refits and their exact optima, and the shape that pages describe."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize

from kit.model.refits import box_maxima, optima, refit
from kit.model.shape import shapes_of
from kit.model.surface import Surface
from tests.reference.cases import load_case
from tests.unit.model.builders import coded_factors, composite, surface_of


def bowl(
    rng: np.random.Generator, *, centre: tuple[float, float] = (0.2, -0.3), sd: float = 0.3
) -> Surface:
    table = pd.concat([composite()] * 2, ignore_index=True)
    off = table[["x1", "x2"]].to_numpy() - np.array(centre)
    y = 50 - 4 * off[:, 0] ** 2 - 3 * off[:, 1] ** 2 + sd * rng.normal(size=len(table))
    return surface_of(table.assign(y=y), coded_factors(), unit="GU")


@pytest.mark.parametrize("k", [1, 2, 3])
def test_box_maxima_are_exact(k: int, rng: np.random.Generator) -> None:
    m = 6
    slopes, bends = rng.normal(size=(m, k)), rng.normal(size=(m, k, k))
    bends = bends + bends.transpose(0, 2, 1)
    low, high = -np.ones(k), np.full(k, 1.5)
    x, value = box_maxima(slopes, bends, low, high)
    assert ((x >= low) & (x <= high)).all()
    for i in range(m):

        def fall(p: np.ndarray, i: int = i) -> float:
            return -float(p @ slopes[i] + p @ bends[i] @ p)

        assert value[i] == pytest.approx(-fall(x[i]))
        starts = product(*[(lo, (lo + hi) / 2, hi) for lo, hi in zip(low, high, strict=True)])
        bounds = list(zip(low, high, strict=True))
        found = max(-minimize(fall, s, bounds=bounds).fun for s in starts)
        assert value[i] >= found - 1e-7


def test_flat_and_straight_surfaces_have_their_best_at_a_corner() -> None:
    x, value = box_maxima(
        np.array([[1.0, -2.0], [0, 0]]), np.zeros((2, 2, 2)), -np.ones(2), np.ones(2)
    )
    assert x[0].tolist() == [1, -1]
    assert value.tolist() == [3, 0]


def test_refits_spread_as_the_coefficients_do(rng: np.random.Generator) -> None:
    surface = bowl(rng)
    drawn = refit(surface, rng, 20_000)
    np.testing.assert_allclose(drawn.mean(axis=1), surface.coefficients, atol=0.01)
    df = surface.residual_df
    np.testing.assert_allclose(
        np.cov(drawn), surface.covariance * df / (df - 2), rtol=0.06, atol=2e-4
    )


def test_the_best_setting_of_refits_surrounds_the_truth(rng: np.random.Generator) -> None:
    found = optima(bowl(rng), rng, draws=2000)
    table = found.ranges.set_index("factor")
    assert table.loc["x1", "low"] < 0.2 < table.loc["x1", "high"]
    assert table.loc["x2", "low"] < -0.3 < table.loc["x2", "high"]
    assert (table["high"] - table["low"] < 0.5).all()
    assert found.value.mean() == pytest.approx(50, abs=0.5)
    least = optima(bowl(rng), rng, goal="smallest", draws=500)
    assert (least.ranges[["at_low_end", "at_high_end"]].sum(axis=1) > 0.99).all()


def test_shape_of_a_published_composite() -> None:
    case = load_case("r01_chemical_ccd_yield")
    table = case.table()
    factors = dict.fromkeys(("x1", "x2"), (-1.0, 1.0))
    (shape,) = shapes_of(surface_of(table, factors, table.columns[-1]))
    case.check("stationary_point", shape.point.coded)
    assert shape.region.bounded
    assert (shape.directions["high"] < 0).all()
    best = shape.best.ranges.set_index("factor")
    for name, at in zip(("x1", "x2"), shape.point.coded, strict=True):
        assert best.loc[name, "low"] < at < best.loc[name, "high"]


def test_two_limits_want_neither_the_largest_nor_the_smallest(rng: np.random.Generator) -> None:
    surface = bowl(rng)
    response = surface.response.model_copy(update={"lower": 40.0, "upper": 60.0})

    (shape,) = shapes_of(replace(surface, response=response))
    assert shape.goal == ""
    assert shape.best is None
    assert shape.path.empty
    straight = surface_of(
        composite().assign(y=np.arange(12.0) ** 1.5), coded_factors(), terms="main"
    )
    assert shapes_of(straight) == ()
