"""The tried region: hulls, flat hulls, categories, and agreement with a linear programme."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.model.tried import TriedRegion, _by_programme
from kit.terms import CodedFactor, Coding


def region(points: list[list[float]], categories: int = 0) -> TriedRegion:
    width = len(points[0])
    factors = [CodedFactor(f"x{i}") for i in range(width - categories)]
    factors += [CodedFactor(f"c{i}", levels=("a", "b", "c")) for i in range(categories)]
    return TriedRegion(Coding(tuple(factors)), np.array(points, dtype=float))


SQUARE = [[-1.0, -1], [-1, 1], [1, -1], [1, 1], [0, 0]]


def test_square_without_a_corner() -> None:
    cut = region(SQUARE[:3])
    asked = np.array([[-1.0, 1], [0, 0], [0.01, 0.01], [1, 1], [-0.5, -0.5]])
    assert cut.contains(asked).tolist() == [True, True, False, False, True]


def test_border_counts_and_rounding_does_not_move_it() -> None:
    asked = np.array([[1.0, 0.3], [1 + 1e-9, 0], [1 + 1e-4, 0]])
    assert region(SQUARE).contains(asked).tolist() == [True, True, False]


def test_one_factor_is_a_stretch() -> None:
    found = region([[-1.0], [0.5]]).contains(np.array([[-1.0], [0.5], [0.6], [-1.1]]))
    assert found.tolist() == [True, True, False, False]


def test_settings_on_a_line_enclose_only_the_line() -> None:
    found = region([[-1.0, -1], [0, 0], [1, 1]]).contains(
        np.array([[0.5, 0.5], [0.5, 0.4], [2, 2]])
    )
    assert found.tolist() == [True, False, False]


def test_one_setting_is_itself() -> None:
    found = region([[0.2, 0.3], [0.2, 0.3]]).contains(np.array([[0.2, 0.3], [0.2, 0.31]]))
    assert found.tolist() == [True, False]


def test_levels_have_hulls_of_their_own() -> None:
    mixed = region([[-1.0, 0], [1, 0], [0, 1], [0.5, 1]], categories=1)
    asked = np.array([[0.9, 0], [0.9, 1], [0.2, 1], [0.2, 2]])
    assert mixed.contains(asked).tolist() == [True, False, True, False]


def test_categories_alone() -> None:
    levels = region([[0.0], [2]], categories=1)
    assert levels.contains(np.array([[0.0], [1], [2]])).tolist() == [True, False, True]


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), k=st.integers(2, 4))
def test_facets_agree_with_the_linear_programme(seed: int, k: int) -> None:
    rng = np.random.default_rng(seed)
    points, asked = rng.uniform(-1, 1, (12, k)), rng.uniform(-1.2, 1.2, (10, k))
    found = region(points.tolist()).contains(asked)
    assert found.tolist() == [_by_programme(points, a) for a in asked]


@pytest.mark.parametrize("k", [7])
def test_many_factors_still_answer(k: int) -> None:
    box = region(np.array(np.meshgrid(*[[-1.0, 1.0]] * k)).reshape(k, -1).T.tolist())
    asked = np.vstack([np.full(k, 0.99), np.full(k, 1.01)])
    assert box.contains(asked).tolist() == [True, False]
