"""The largest box of printable settings that lies wholly inside the window.

Every printable setting in the box is good enough, so a maker may move each setting within its range
without minding the others.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import prod

import numpy as np
import numpy.typing as npt

from kit.terms import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]
Side = tuple[int, int]
Sides = tuple[Side, ...]

AT_ONCE = 200_000
"""Boxes over all axes but the longest that are compared at once (three axes of 41 values fit)."""

SAME_SIZE = 1e-12
"""Sizes this close (relative) count as equal."""


def largest_box(
    inside: BoolArray,
    start: Sequence[int],
    axes: Sequence[FloatArray],
    *,
    weights: Sequence[float] | None = None,
) -> Sides:
    """Find the largest box that contains ``start`` and only settings that are inside.

    Parameters
    ----------
    inside : array of bool, shape (n_1, ..., n_k)
        The window on the product of k axes.
    start : sequence of int, length k
        Position that the box must contain; it is inside.
    axes : sequence of k arrays
        Coded printable values, rising.
    weights : sequence of k float, optional
        How much the width in each factor counts, >= 0; 1 each by default.

    Returns
    -------
    tuple of (int, int)
        First and last position on each axis.

    Raises
    ------
    ValueError
        If ``start`` is not inside.

    Notes
    -----
    Size is the product of widths ** weight in coded units, over the factors in which the window has a
    width at ``start``. Among equal sizes the box with more settings wins, then the one that sits most
    evenly around ``start``. The answer is exact: the sides of some axes are enumerated, with branches
    given up that cannot beat the best box found, and all boxes over the other axes compared at once.
    """
    here = tuple(int(i) for i in start)
    if not inside[here]:
        raise ValueError(
            f"the box must contain a setting inside the window; position {here} is not."
        )
    k = inside.ndim
    whole = _Part(inside, (0,) * k, (None,) * k)
    reach = _reach(whole, here)
    goal = _Goal(
        here,
        tuple(np.asarray(a, dtype=float) for a in axes),
        tuple(weights) if weights is not None else (1.0,) * k,
        tuple(a == b for a, b in reach),
    )
    return _search(goal, whole.cropped(reach), None)


@dataclass(frozen=True)
class _Goal:
    """What every box must hold, and what makes one larger than another."""

    start: tuple[int, ...]
    axes: tuple[FloatArray, ...]
    powers: tuple[float, ...]
    thin: tuple[bool, ...]  # the window has no width here, so no box is judged by it

    def widths(self, axis: int, low: IntArray, high: IntArray) -> FloatArray:
        """Give weighted widths, any shape."""
        if self.thin[axis]:
            return np.ones(np.broadcast_shapes(low.shape, high.shape))
        values = self.axes[axis]
        return np.asarray((values[high] - values[low]) ** self.powers[axis])

    def size(self, sides: Sides) -> float:
        """Give the size of one box."""
        ends = [(np.array(a), np.array(b)) for a, b in sides]
        return float(np.prod([self.widths(i, a, b) for i, (a, b) in enumerate(ends)]))

    def beats(self, sides: Sides, other: Sides | None) -> bool:
        """Tell whether a box is better than another by size, number of settings, evenness."""
        if other is None:
            return True
        mine, theirs = self.size(sides), self.size(other)
        if abs(mine - theirs) > SAME_SIZE * max(mine, theirs):
            return mine > theirs
        return self._rank(sides) > self._rank(other)

    def _rank(self, sides: Sides) -> tuple[int, int]:
        lean = sum(abs(2 * s - a - b) for (a, b), s in zip(sides, self.start, strict=True))
        return int(prod(b - a + 1 for a, b in sides)), -lean


@dataclass(frozen=True)
class _Part:
    """A window cut down, with the sides of some axes already fixed (these have length 1 here)."""

    inside: BoolArray
    origin: tuple[int, ...]  # where the first position of each axis lies in the whole
    fixed: tuple[Side | None, ...]

    def start(self, goal: _Goal) -> tuple[int, ...]:
        """Give the position of the start in this part."""
        places = zip(goal.start, self.origin, self.fixed, strict=True)
        return tuple(0 if f else s - o for s, o, f in places)

    def choices(self, goal: _Goal) -> list[int]:
        """Count the sides possible on each axis."""
        sizes = zip(self.start(goal), self.inside.shape, strict=True)
        return [(s + 1) * (n - s) for s, n in sizes]

    def cropped(self, sides: Sides) -> _Part:
        """Cut away what lies outside the sides, given in positions of the whole."""
        cut, origin = [], []
        for (a, b), o, f in zip(sides, self.origin, self.fixed, strict=True):
            cut.append(slice(0, 1) if f else slice(a - o, b - o + 1))
            origin.append(o if f else a)
        return _Part(self.inside[tuple(cut)], tuple(origin), self.fixed)

    def fix(self, axis: int, side: Side) -> _Part:
        """Fix one axis: a setting of the others is good where all between the sides are."""
        low, high = (p - self.origin[axis] for p in side)
        layer = tuple(
            slice(low, high + 1) if i == axis else slice(None) for i in range(self.inside.ndim)
        )
        fixed = tuple(side if i == axis else f for i, f in enumerate(self.fixed))
        held = np.asarray(self.inside[layer].all(axis=axis, keepdims=True))
        return _Part(held, self.origin, fixed)


def _reach(part: _Part, start: tuple[int, ...]) -> Sides:
    """Give the sides, in positions of the whole, to which a box around ``start`` can go along each axis."""
    sides = []
    for axis, s in enumerate(start):
        if (fixed := part.fixed[axis]) is not None:
            sides.append(fixed)
            continue
        line = part.inside[tuple(slice(None) if i == axis else v for i, v in enumerate(start))]
        gaps = np.flatnonzero(~line)
        below, above = gaps[gaps < s], gaps[gaps > s]
        low = int(below[-1]) + 1 if below.size else 0
        high = int(above[0]) - 1 if above.size else len(line) - 1
        sides.append((low + part.origin[axis], high + part.origin[axis]))
    return tuple(sides)


def _search(goal: _Goal, part: _Part, best: Sides | None) -> Sides:
    """Give the better of ``best`` and the best box in this part.

    Sides are tried from wide to narrow. How far the other axes reach once they are fixed bounds the
    size, so most branches are given up at once.

    Returns
    -------
    tuple of (int, int)
        Sides in positions of the whole.
    """
    choices = part.choices(goal)
    if prod(choices) // max(choices) <= AT_ONCE:
        found = _compare_all(goal, part)
        return found if best is None or goal.beats(found, best) else best
    axis = min((i for i, f in enumerate(part.fixed) if f is None), key=lambda i: choices[i])
    for side in _wide_to_narrow(part, goal, axis):
        held = part.fix(axis, side)
        if not held.inside[held.start(goal)]:
            continue
        reach = _reach(held, held.start(goal))
        if best is not None and goal.size(reach) < goal.size(best) * (1 - SAME_SIZE):
            continue
        best = _search(goal, held.cropped(reach), best)
    assert best is not None  # the start by itself is a box
    return best


def _wide_to_narrow(part: _Part, goal: _Goal, axis: int) -> Iterator[Side]:
    first, start = part.origin[axis], goal.start[axis]
    last = first + part.inside.shape[axis] - 1
    sides = [(a, b) for a in range(first, start + 1) for b in range(start, last + 1)]
    yield from sorted(sides, key=lambda s: (s[0] - s[1], s))


def _compare_all(goal: _Goal, part: _Part) -> Sides:
    """Compare all boxes around the start.

    For each box over all axes but the longest, how far that one can go down and up is the least over
    the box, and since the box contains the start that is the least of its corners' running minima: no
    box is visited one by one.

    Returns
    -------
    tuple of (int, int)
        Sides in positions of the whole.
    """
    start, shape = part.start(goal), part.inside.shape
    last = int(np.argmax(part.choices(goal)))
    others = [i for i in range(len(shape)) if i != last]
    cube, s = np.moveaxis(part.inside, last, -1), start[last]
    down = np.logical_and.accumulate(cube[..., s::-1], axis=-1).sum(axis=-1) - 1
    up = np.logical_and.accumulate(cube[..., s:], axis=-1).sum(axis=-1) - 1
    centre = [start[i] for i in others]
    down, up = _box_minima(np.asarray(down), centre), _box_minima(np.asarray(up), centre)
    possible = np.asarray((down >= 0) & (up >= 0))  # otherwise the box misses even the start
    sides = dict(zip(others, _sides(centre, [shape[i] for i in others]), strict=True))
    sides[last] = (s - np.maximum(down, 0), s + np.maximum(up, 0))
    for i, fixed in enumerate(part.fixed):
        low, high = sides[i]
        sides[i] = (low + part.origin[i], high + part.origin[i])
        if fixed is not None:
            sides[i] = (np.full_like(low, fixed[0]), np.full_like(high, fixed[1]))
    place = _best(goal, possible, sides)
    return tuple((_at(sides[i][0], place), _at(sides[i][1], place)) for i in range(len(shape)))


def _at(values: IntArray, place: tuple[int, ...]) -> int:
    """Read one value of an array that broadcasts over all boxes."""
    return int(values[tuple(0 if n == 1 else p for p, n in zip(place, values.shape, strict=True))])


def _sides(centre: Sequence[int], sizes: Sequence[int]) -> list[tuple[IntArray, IntArray]]:
    """Give first and last positions on each axis, shaped to broadcast over all boxes.

    Boxes are laid out as an array with two axes a factor: how many steps down, how many up.

    Returns
    -------
    list of (array, array)
        One pair an axis.
    """
    k = len(centre)
    sides = []
    for j, (s, n) in enumerate(zip(centre, sizes, strict=True)):
        down = [-1 if i == 2 * j else 1 for i in range(2 * k)]
        up = [-1 if i == 2 * j + 1 else 1 for i in range(2 * k)]
        sides.append((np.arange(s, -1, -1).reshape(down), np.arange(s, n).reshape(up)))
    return sides


def _box_minima(values: IntArray, centre: Sequence[int]) -> IntArray:
    """Give the least value over each box around ``centre``, laid out as `_sides` does."""
    k = len(centre)
    result: IntArray | None = None
    for corner in np.ndindex(*(2,) * k):
        ways = zip(corner, centre, strict=True)
        part = values[tuple(slice(s, None) if c else slice(s, None, -1) for c, s in ways)]
        for axis in range(k):
            part = np.minimum.accumulate(part, axis=axis)
        shape = [1] * (2 * k)
        for axis, c in enumerate(corner):
            shape[2 * axis + c] = part.shape[axis]
        part = part.reshape(shape)
        result = part if result is None else np.asarray(np.minimum(result, part))
    assert result is not None  # there is at least one corner
    return result


def _best(
    goal: _Goal, possible: BoolArray, sides: dict[int, tuple[IntArray, IntArray]]
) -> tuple[int, ...]:
    """Choose among all boxes by size, then number of settings, then evenness."""
    size, count = np.ones(possible.shape), np.ones(possible.shape, dtype=np.intp)
    lean = np.zeros(possible.shape, dtype=np.intp)
    for axis, (low, high) in sides.items():
        size = size * goal.widths(axis, low, high)
        count = count * (high - low + 1)
        lean = lean + np.abs(2 * goal.start[axis] - low - high)
    best = possible & (size >= size[possible].max() * (1 - SAME_SIZE))
    best &= count == count[best].max()
    best &= lean == lean[best].min()
    return tuple(int(i) for i in np.argwhere(best)[-1])
