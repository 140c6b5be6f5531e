"""The settings a maker can really set: printable steps, inside what was tried and what the study allows.

Every factor is a ladder of printable values anchored at its low; the grid is their product, cut down to
the tried region of every response and to the linear limits of the plan. Very large grids are thinned
evenly; `kit.window.region` then looks between the kept values by full steps.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from functools import cached_property
from itertools import combinations
from math import log10, prod

import numpy as np
import numpy.typing as npt

from kit.model.surface import Surface
from kit.model.tried import HULL_DIMENSIONS, BoolArray, TriedRegion
from kit.printer import setting_limits
from kit.saying import setting
from kit.study.description import Factor, Study
from kit.study.limits import parse_limits
from kit.terms import Coding, FloatArray
from kit.window.result import Setting

IntArray = npt.NDArray[np.intp]
Allowed = Callable[[FloatArray], BoolArray]

LARGEST_GRID = 200_000
"""Above this many printable settings the grid is thinned."""

LARGEST_LIST = 500
"""With too many factors for a grid: at most so many settings are looked at (each costs a linear programme)."""

REACH = 1e-9
"""Slack, in steps, when a printable value is compared with the end of a range."""


@dataclass(frozen=True)
class PrintableGrid:
    """The printable settings that were looked at.

    Attributes
    ----------
    coding : Coding
    axes : tuple of tuple
        For each factor in study order all its printable values (or the levels seen), in order.
    kept : tuple of array of int
        For each factor the positions in ``axes`` that the grid uses: all of them unless thinned.
    index : array of int, shape (m, n_factors)
        One row a setting inside the region: positions in ``axes``.
    allowed : callable
        Tells which coded settings, shape (m, n_factors), lie in every tried region and inside the
        limits of the plan.
    is_product : bool
        Whether the rows are everything allowed on the product of the kept values; otherwise a list.
    notes : tuple of str
        Plain sentences: steps chosen by the kit, thinning.
    """

    coding: Coding
    axes: tuple[tuple[Setting, ...], ...]
    kept: tuple[IntArray, ...]
    index: IntArray
    allowed: Allowed
    is_product: bool = True
    notes: tuple[str, ...] = field(default_factory=tuple)

    @cached_property
    def coded_axes(self) -> tuple[FloatArray, ...]:
        """Coded value of every printable value, one array a factor (level numbers for categories)."""
        return tuple(f.code(a) for f, a in zip(self.coding.factors, self.axes, strict=True))

    @cached_property
    def coded(self) -> FloatArray:
        """Coded settings, shape (m, n_factors), rows as in ``index``."""
        return self.code(self.index)

    @property
    def is_thinned(self) -> bool:
        """Whether printable settings of the region were left out."""
        whole = all(len(k) == len(a) for k, a in zip(self.kept, self.axes, strict=True))
        return not (whole and self.is_product)

    def code(self, index: IntArray) -> FloatArray:
        """Code rows of positions, shape (m, n_factors)."""
        columns = [a[index[:, i]] for i, a in enumerate(self.coded_axes)]
        return np.column_stack(columns) if len(index) else np.empty((0, len(self.axes)))

    def setting(self, row: IntArray) -> dict[str, Setting]:
        """Give one row of positions as settings by factor name."""
        names = self.coding.names
        return {n: a[int(i)] for n, a, i in zip(names, self.axes, row, strict=True)}

    def columns(self) -> dict[str, list[Setting]]:
        """Give the rows as columns of natural settings."""
        names = self.coding.names
        return {
            n: [a[i] for i in self.index[:, j]]
            for j, (n, a) in enumerate(zip(names, self.axes, strict=True))
        }


def default_step(low: float, high: float) -> float:
    """Choose a round step of about a twentieth of the range.

    Of 1, 2 and 5 times a power of ten: the one nearest to a twentieth of the range among those that
    reach ``high`` in 8 to 50 whole steps, or the nearest of all where none does. Common practice, no
    source.

    Returns
    -------
    float
        In the unit of the range.

    Examples
    --------
    >>> default_step(190, 230), default_step(40, 120), default_step(0.1, 0.3)
    (2.0, 5.0, 0.01)
    """
    width = Decimal(str(high)) - Decimal(str(low))
    size = int(np.floor(log10(float(width)) - log10(20)))
    candidates = [Decimal(m).scaleb(e) for e in (size - 1, size, size + 1) for m in (1, 2, 5)]
    whole = [c for c in candidates if width % c == 0 and 8 <= width / c <= 50]
    return float(min(whole or candidates, key=lambda c: abs(log10(float(width / c) / 20))))


def printable_values(
    factor: Factor, study: Study, lowest: float, highest: float
) -> tuple[float, ...]:
    """List the values of a factor that can be set: low plus whole steps, from ``lowest`` to ``highest``.

    Parameters
    ----------
    factor : Factor
        On a scale, not a category.
    study : Study
        For the hard stops of the printer.
    lowest, highest : float
        Smallest and largest setting tried, natural units; axial points may lie beyond low and high.

    Returns
    -------
    tuple of float
        In rising order, free of binary dust (computed in decimals); empty when none fits.
    """
    assert factor.low is not None  # the reader checked it
    assert factor.high is not None
    anchor = Decimal(str(factor.low))
    step = Decimal(str(factor.step or default_step(factor.low, factor.high)))
    stop_low, stop_high, *_ = setting_limits(factor, study)
    slack = REACH * float(step)
    first = _steps(max(lowest, stop_low) - slack, anchor, step, ROUND_CEILING)
    last = _steps(min(highest, stop_high) + slack, anchor, step, ROUND_FLOOR)
    return tuple(float(anchor + i * step) for i in range(first, last + 1))


def _steps(value: float, anchor: Decimal, step: Decimal, rounding: str) -> int:
    return int(((Decimal(value) - anchor) / step).to_integral_value(rounding))


def allowed_region(surfaces: Sequence[Surface], study: Study) -> Allowed:
    """Give the test for coded settings: in the tried region of every surface and inside the plan's limits."""
    regions: list[TriedRegion] = []
    for surface in surfaces:
        if not any(np.array_equal(surface.tried.points, r.points) for r in regions):
            regions.append(surface.tried)
    coding = study.coding
    limits = parse_limits(study.design.limits, coding)

    def allowed(coded: FloatArray) -> BoolArray:
        inside = np.ones(len(coded), dtype=bool)
        natural = coding.decode(coded)
        for limit in limits:
            inside &= limit.holds(natural)
        for region in regions:
            inside[inside] = region.contains(coded[inside])
        return inside

    return allowed


def printable_grid(
    surfaces: Mapping[str, Surface],
    study: Study,
    *,
    largest: int = LARGEST_GRID,
    keep: IntArray | None = None,
) -> PrintableGrid:
    """Lay out the printable settings inside the region that was tried and is allowed.

    Parameters
    ----------
    surfaces : mapping of response name to Surface
        At least one; the tried regions of all are intersected.
    study : Study
        Steps, hard stops and the plan's limits.
    largest : int
        Largest product of the axes; beyond it they are thinned evenly, ends, middle, low and high kept.
    keep : array of int, shape (n_factors,), optional
        Positions that thinning must keep as well.

    Returns
    -------
    PrintableGrid
        With no rows when nothing printable lies in the region.
    """
    fitted = list(surfaces.values())
    coding = study.coding
    axes = tuple(_axis(f, study, fitted, i) for i, f in enumerate(study.factors))
    allowed = allowed_region(fitted, study)
    whole = PrintableGrid(
        coding, axes, tuple(np.arange(len(a)) for a in axes), _no_rows(axes), allowed
    )
    notes = _step_notes(study)
    if not all(axes):
        return PrintableGrid(coding, axes, whole.kept, whole.index, allowed, notes=notes)
    if len(coding.continuous) > HULL_DIMENSIONS:
        return _listed(whole, fitted, notes)
    kept = _thin(whole, largest, keep)
    index = np.stack(np.meshgrid(*kept, indexing="ij"), axis=-1).reshape(-1, len(axes))
    index = index[allowed(whole.code(index))]
    return PrintableGrid(coding, axes, kept, index, allowed, notes=notes + _thin_notes(kept, axes))


def _no_rows(axes: tuple[tuple[Setting, ...], ...]) -> IntArray:
    return np.empty((0, len(axes)), dtype=np.intp)


def _axis(
    factor: Factor, study: Study, fitted: Sequence[Surface], column: int
) -> tuple[Setting, ...]:
    tried = [s.tried.points[:, column] for s in fitted]
    if factor.is_category:
        seen = set.intersection(*({int(i) for i in t} for t in tried))
        return tuple(level for i, level in enumerate(factor.levels) if i in seen)
    lowest, highest = max(t.min() for t in tried), min(t.max() for t in tried)
    ends = np.asarray(factor.coded.decode(np.array([lowest, highest])))
    return printable_values(factor, study, float(ends[0]), float(ends[1]))


def _step_notes(study: Study) -> tuple[str, ...]:
    notes = []
    for f in study.factors:
        if not f.is_category and f.step is None:
            assert f.low is not None  # the reader checked it
            assert f.high is not None
            step = setting(default_step(f.low, f.high), f.unit)
            notes.append(
                f"No step is given for {f.name.replace('_', ' ')}; steps of {step} from its low are used."
            )
    return tuple(notes)


def _thin(whole: PrintableGrid, largest: int, keep: IntArray | None) -> tuple[IntArray, ...]:
    """Shorten the longest axes until the product fits."""
    kept = list(whole.kept)
    counts = [len(k) for k in kept]
    scale = [i for i, f in enumerate(whole.coding.factors) if not f.is_category]
    while prod(len(k) for k in kept) > largest and max(counts[i] for i in scale) > 2:
        longest = max(scale, key=lambda i: counts[i])
        counts[longest] -= 1
        extra = () if keep is None else (int(keep[longest]),)
        kept[longest] = _thinned(whole.coded_axes[longest], counts[longest], extra)
    return tuple(kept)


def _thinned(coded: FloatArray, count: int, extra: tuple[int, ...]) -> IntArray:
    """Spread ``count`` positions evenly and add the middle, low and high."""
    even = np.linspace(0, len(coded) - 1, count).round().astype(int)
    anchors = [int(np.argmin(np.abs(coded - x))) for x in (-1.0, 0.0, 1.0)]
    return np.unique([*even, *anchors, *extra]).astype(np.intp)


def _thin_notes(kept: Sequence[IntArray], axes: Sequence[Sequence[Setting]]) -> tuple[str, ...]:
    full, used = prod(len(a) for a in axes), prod(len(k) for k in kept)
    if used == full:
        return ()
    text = (
        f"There are {full:,} combinations of printable settings; an even choice of {used:,} of them was "
        "looked at, and around the best of these every single step."
    )
    return (text,)


def _listed(
    whole: PrintableGrid, fitted: Sequence[Surface], notes: tuple[str, ...]
) -> PrintableGrid:
    """List settings where a grid is out of reach: the prints, the middle, and half-way between prints."""
    prints = np.unique(fitted[0].tried.points, axis=0)
    scale = np.array([not f.is_category for f in whole.coding.factors])
    halfway = [
        (a + b) / 2 for a, b in combinations(prints, 2) if np.array_equal(a[~scale], b[~scale])
    ]
    middle = np.where(scale, 0.0, prints)
    asked = np.vstack([prints, middle, *halfway]) if halfway else np.vstack([prints, middle])
    nearest = [np.abs(asked[:, [i]] - a).argmin(axis=1) for i, a in enumerate(whole.coded_axes)]
    index = np.unique(np.column_stack(nearest), axis=0).astype(np.intp)
    if len(index) > LARGEST_LIST:
        index = index[np.linspace(0, len(index) - 1, LARGEST_LIST).round().astype(int)]
    index = index[whole.allowed(whole.code(index))]
    note = (
        f"With {scale.sum()} factors on a scale not every combination can be looked at: the printed "
        f"settings, the middle and settings half-way between prints were ({len(index)} in all), and "
        "around the best of these every single step. The range of each factor is its one setting."
    )
    return PrintableGrid(
        whole.coding,
        whole.axes,
        whole.kept,
        index,
        whole.allowed,
        is_product=False,
        notes=(*notes, note),
    )
