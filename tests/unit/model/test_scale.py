"""Scales: rising, there and back without loss, slopes right, against a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from kit.model.scale import AS_MEASURED, Scale
from kit.study.description import Response

POWERS = st.floats(-3, 3).filter(lambda p: abs(p) > 1e-6)
POSITIVE = st.floats(1e-2, 1e4)
SHARES = st.floats(0.001, 0.999)


def scales() -> st.SearchStrategy[Scale]:
    power = st.builds(
        lambda p, g: Scale("power", power=p, reference=g), POWERS, st.sampled_from([0.3, 1.0, 50.0])
    )
    return st.one_of(st.just(Scale("log", power=0.0)), power)


@given(scales(), st.lists(st.floats(0.2, 5.0), min_size=2, max_size=6))
def test_positive_scales_rise_and_come_back(scale: Scale, ratios: list[float]) -> None:
    y = scale.reference * np.unique(ratios)
    z = scale.forward(y)
    assert (np.diff(z) > 0).all() or (np.diff(y) < 1e-9 * y[0]).any()
    np.testing.assert_allclose(scale.back(z), y, rtol=1e-9)


@given(
    SHARES, st.sampled_from([0, 9, 40]), st.sampled_from([(0.0, 1.0), (0.0, 100.0), (-5.0, 20.0)])
)
def test_shares_come_back_and_stay_between_their_bounds(
    share: float, shrunk: int, bounds: tuple[float, float]
) -> None:
    scale = Scale("share", bounds=bounds, shrunk=shrunk)
    y = bounds[0] + share * (bounds[1] - bounds[0])
    assert scale.back(scale.forward(y)) == pytest.approx(y, abs=1e-9 * (bounds[1] - bounds[0]))
    assert (
        scale.back(np.array([-np.inf, -1e3, 1e3, np.inf])) == [bounds[0]] * 2 + [bounds[1]] * 2
    ).all()
    ends = scale.forward(np.array(bounds))
    assert np.isfinite(ends).all() == bool(shrunk)


@pytest.mark.parametrize(
    "scale",
    [
        AS_MEASURED,
        Scale("log", power=0.0),
        Scale("power", power=-1.0, reference=40.0),
        Scale("power", power=0.5, reference=2.0),
        Scale("share", bounds=(0.0, 100.0)),
        Scale("share", bounds=(0.0, 100.0), shrunk=12),
    ],
)
def test_slope_is_the_derivative(scale: Scale) -> None:
    y, h = np.array([3.0, 20.0, 77.0]), 1e-5
    numeric = (scale.forward(y + h) - scale.forward(y - h)) / (2 * h)
    np.testing.assert_allclose(scale.slope(y), numeric, rtol=1e-6)


@pytest.mark.parametrize("power", [-2.0, -0.7, 0.0, 0.5, 2.5])
def test_power_agrees_with_the_reference_library(power: float) -> None:
    # scipy.stats.boxcox gives (y^p - 1)/p; ours is the same of y in units of the reference.
    y = np.array([0.4, 1.0, 3.0, 12.0])
    scale = Scale("log", power=0.0) if power == 0 else Scale("power", power=power, reference=4.0)
    np.testing.assert_allclose(scale.forward(y), stats.boxcox(y / scale.reference, lmbda=power))


def test_shrinking_is_that_of_the_source() -> None:
    # Smithson & Verkuilen 2006: (y (n - 1) + 0.5) / n.
    scale = Scale("share", shrunk=10)
    u = np.array([0.05, 0.5, 0.95])
    np.testing.assert_allclose(scale.forward(np.array([0.0, 0.5, 1.0])), np.log(u / (1 - u)))


def test_ends_that_no_response_reaches() -> None:
    reciprocal, root = Scale("power", power=-1.0), Scale("power", power=0.5)
    assert reciprocal.back(5.0) == np.inf
    assert root.back(-5.0) == 0
    assert Scale("log", power=0.0).forward(0.0) == -np.inf


def test_as_measured_changes_no_bit() -> None:
    y = np.array([0.1, 1 / 3, -7.0])
    assert AS_MEASURED.forward(y) is y
    assert AS_MEASURED.back(y) is y
    response = Response(name="gloss", unit="GU", lower=30)
    assert AS_MEASURED.requirement(response) is response


def test_a_requirement_moves_to_the_scale() -> None:
    stated = Response(name="gloss", unit="GU", lower=10, target=100, margin=2, scatter=1)
    fitted = Scale("log", power=0.0).requirement(stated)
    assert (fitted.lower, fitted.upper, fitted.target) == pytest.approx(
        (np.log(10), None, np.log(100))
    )
    assert (fitted.unit, fitted.title, fitted.margin, fitted.scatter) == (
        "",
        "log of gloss",
        None,
        None,
    )


@pytest.mark.parametrize(
    ("scale", "words"),
    [
        (Scale("power", power=-1.0), "reciprocal of gloss"),
        (Scale("power", power=0.5), "square root of gloss"),
        (Scale("power", power=-1.5), "power −1.5 of gloss"),
        (Scale("share"), "log odds of gloss"),
        (AS_MEASURED, "gloss"),
    ],
)
def test_labels(scale: Scale, words: str) -> None:
    assert scale.label("gloss") == words
