"""The largest box: against brute force, and what must hold for every window."""

from __future__ import annotations

from itertools import product
from math import prod

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from kit.window import box
from kit.window.box import largest_box


def size(sides, axes, weights=None):
    weights = weights or [1.0] * len(axes)
    return prod((v[b] - v[a]) ** w for (a, b), v, w in zip(sides, axes, weights, strict=True))


def brute_force(inside, start, axes, weights=None):
    """Largest size over all boxes around the start, and the largest number of settings at that size."""
    best = (-1.0, 0)
    choices = [
        [(a, b) for a in range(s + 1) for b in range(s, n)]
        for s, n in zip(start, inside.shape, strict=True)
    ]
    for sides in product(*choices):
        if inside[tuple(slice(a, b + 1) for a, b in sides)].all():
            key = (round(size(sides, axes, weights), 9), prod(b - a + 1 for a, b in sides))
            best = max(best, key)
    return best


def even_axes(shape):
    return [np.linspace(-1, 1, n) for n in shape]


@st.composite
def windows(draw, most=(6, 5, 4)):
    k = draw(st.integers(1, len(most)))
    shape = tuple(draw(st.integers(1, most[i])) for i in range(k))
    inside = draw(hnp.arrays(bool, shape, elements=st.sampled_from([True, True, True, False])))
    start = tuple(draw(st.integers(0, n - 1)) for n in shape)
    inside[start] = True
    return inside, start


@given(windows())
@settings(max_examples=150, deadline=None)
def test_box_is_inside_contains_the_start_and_none_is_larger(case):
    inside, start = case
    axes = even_axes(inside.shape)
    sides = largest_box(inside, start, axes)
    assert all(a <= s <= b for (a, b), s in zip(sides, start, strict=True))
    assert inside[tuple(slice(a, b + 1) for a, b in sides)].all()
    best_size, _ = brute_force(inside, start, axes)
    # A width that the window does not have at the start counts 1, so compare where all have one.
    reach = [
        inside[
            tuple(slice(max(s - 1, 0), s + 2) if i == j else v for j, v in enumerate(start))
        ].sum()
        for i, s in enumerate(start)
    ]
    if min(reach) > 1:
        assert size(sides, axes) == pytest.approx(best_size, abs=1e-9)


@given(windows())
@settings(max_examples=60, deadline=None)
def test_among_boxes_of_equal_size_the_one_with_more_settings_wins(case):
    inside, start = case
    axes = [np.zeros(n) for n in inside.shape]  # no box has any size
    sides = largest_box(inside, start, axes)
    _, count = brute_force(inside, start, axes)
    assert prod(b - a + 1 for a, b in sides) == count


def test_hand_worked():
    inside = np.array(
        [
            [0, 0, 0, 0, 0],
            [1, 1, 1, 1, 0],
            [1, 1, 1, 1, 0],
            [1, 1, 0, 0, 0],
            [1, 1, 0, 0, 0],
        ],
        dtype=bool,
    )
    axes = [np.arange(5.0), np.arange(5.0)]
    # 1 x 3 and 3 x 1 are equally large with 8 settings each; the first sits more evenly around (1, 1).
    assert largest_box(inside, (1, 1), axes) == ((1, 2), (0, 3))
    assert largest_box(inside, (3, 1), axes) == ((1, 4), (0, 1))
    assert largest_box(inside, (1, 1), axes, weights=(2, 1)) == (
        (1, 4),
        (0, 1),
    )  # 9 x 1 against 1 x 3


def test_uneven_steps_are_measured_in_coded_units():
    axes = [np.array([0.0, 0.1, 0.2, 0.9]), np.array([0.0, 1.0])]
    inside = np.array([[1, 1], [1, 1], [1, 1], [1, 0]], dtype=bool)
    # 0.9 x 0 has no size, 0.2 x 1 has.
    assert largest_box(inside, (0, 0), axes) == ((0, 2), (0, 1))


def test_a_factor_without_width_does_not_hide_the_others():
    inside = np.zeros((5, 3, 4), dtype=bool)
    inside[1:4, 1, 0:2] = True
    assert largest_box(inside, (2, 1, 1), even_axes(inside.shape)) == ((1, 3), (1, 1), (0, 1))


def test_start_outside_is_refused():
    with pytest.raises(ValueError, match="not"):
        largest_box(np.zeros((2, 2), dtype=bool), (0, 0), even_axes((2, 2)))


@given(windows(most=(5, 5, 4, 4)), st.sampled_from([1, 4, 20]))
@settings(max_examples=120, deadline=None)
def test_enumerating_axes_changes_nothing(case, at_once):
    """Few boxes compared at once force the search to fix axes; size and number of settings stay."""
    inside, start = case
    axes = even_axes(inside.shape)
    whole = largest_box(inside, start, axes)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(box, "AT_ONCE", at_once)
        parts = largest_box(inside, start, axes)
    assert all(a <= s <= b for (a, b), s in zip(parts, start, strict=True))
    assert inside[tuple(slice(a, b + 1) for a, b in parts)].all()
    assert size(parts, axes) == pytest.approx(size(whole, axes), abs=1e-12)
    assert prod(b - a + 1 for a, b in parts) == prod(b - a + 1 for a, b in whole)


def test_five_factors():
    """A ball in five dimensions: the largest box around its centre, worked by hand."""
    axes = even_axes((11,) * 5)
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    inside = (grid**2).sum(axis=-1) <= 1.0 + 1e-9
    sides = largest_box(inside, (5,) * 5, axes)
    assert inside[tuple(slice(a, b + 1) for a, b in sides)].all()
    # Half-widths are multiples of 0.2 with squares summing to at most 1: 0.4^5 (sum 0.80), since one
    # of 0.6 more leaves 0.6^2 + 4 * 0.4^2 = 1.00: the best product is 0.6 0.4^4.
    assert size(sides, axes) == pytest.approx(1.2 * 0.8**4)


def test_same_answer_twice():
    rng = np.random.default_rng(4)
    inside = rng.random((12, 12, 12)) < 0.97
    inside[6, 6, 6] = True
    axes = even_axes(inside.shape)
    assert largest_box(inside, (6, 6, 6), axes) == largest_box(inside.copy(), (6, 6, 6), axes)
