"""Height-stacked specimens: several levels of one factor printed on top of each other in one print.

A stack is cheap and treacherous: whatever grows with height (heat of the part, distance from the bed,
time) looks like an effect of the factor if its levels rise with height. So the order of levels differs
from stack to stack, every level at every height equally often (a Latin square) and, where the number of
stacks allows, after every other level equally often (Williams 1949, Australian J. Scientific Research A 2,
149-168). Stacks are blocks, height is a covariate.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from math import ceil

import numpy as np
import pandas as pd

from kit.design.blocks import IntArray
from kit.design.factorial import CodedRuns, check_size
from kit.design.tailored import settable_levels
from kit.errors import DesignError
from kit.study.description import Factor, Study
from kit.terms import FloatArray
from kit.words import unit_label

HEIGHT_STACKED, HEIGHT = "height_stacked", "height"
STACKABLE = ("nozzle_temperature", "speed", "fan_duty", "flow")
"""Kinds that can be changed at a layer by one line of text."""
USUAL_LEVELS, MOST_AS_THEY_ARE = 5, 6
SEED_STEP = 12
_TRIES = 400


def williams_square(levels: int) -> IntArray:
    """Give orders of levels, one a row, balanced for position and, over all rows, for the level before.

    Parameters
    ----------
    levels : int
        At least 2.

    Returns
    -------
    array of int, shape (levels or 2 levels, levels)
        Levels from 0; an odd number of levels needs two squares.

    Examples
    --------
    >>> williams_square(4).tolist()
    [[0, 1, 3, 2], [1, 2, 0, 3], [2, 3, 1, 0], [3, 0, 2, 1]]
    """
    first = [0]
    for i in range(1, levels):
        first.append((i + 1) // 2 if i % 2 else levels - i // 2)
    square = (np.array(first) + np.arange(levels)[:, None]) % levels
    if levels % 2:
        square = np.vstack([square, square[:, ::-1]])
    return square.astype(np.intp)


def level_orders(levels: int, stacks: int, rng: np.random.Generator) -> IntArray:
    """Choose the order of levels in each stack.

    Parameters
    ----------
    levels, stacks : int
        How many of each.
    rng : Generator
        Source of chance.

    Returns
    -------
    array of int, shape (stacks, levels)
        Whole Williams squares with shuffled names as far as they go; the rest are those rows of one whose
        levels hang least together with height.
    """
    found: list[IntArray] = []
    while sum(map(len, found)) < stacks:
        square = rng.permutation(levels)[williams_square(levels)]
        left = stacks - sum(map(len, found))
        found.append(square if left >= len(square) else _best_rows(square, left, rng))
    return np.vstack(found)


def _best_rows(square: IntArray, count: int, rng: np.random.Generator) -> IntArray:
    """Choose rows in which levels and heights are least correlated; a Latin square where it fits."""
    levels = square.shape[1]
    if count >= levels:
        rest = _best_rows(square[levels:], count - levels, rng) if count > levels else square[:0]
        return np.vstack([square[:levels], rest])
    tries = [
        rng.permutation(levels)[square[rng.permutation(len(square))[:count]]] for _ in range(_TRIES)
    ]
    return min(tries, key=height_correlation)


def height_correlation(orders: IntArray) -> float:
    """Give the absolute correlation of level and height over all stacks, 0 to 1."""
    height = np.arange(orders.shape[1]) - (orders.shape[1] - 1) / 2
    level = orders - (orders.shape[1] - 1) / 2
    return float(abs((level @ height).sum()) / (len(orders) * (height @ height)))


def counts_height(study: Study) -> bool:
    """Tell whether height enters the model: in every stacked plan but those whose levels rise by choice."""
    return study.design.family == HEIGHT_STACKED and study.design.level_order == "mixed"


def heights(runs: pd.DataFrame) -> FloatArray:
    """Give the height of each run in its stack: -1 at the plate, 1 at the top.

    Parameters
    ----------
    runs : DataFrame
        Columns ``block`` (the stack) and ``print_order``.

    Returns
    -------
    array, shape (n,)
        0 where a stack has one run only.
    """
    place = runs.groupby("block")["print_order"].rank() - 1
    top = runs.groupby("block")["print_order"].transform("size") - 1
    return np.where(top > 0, 2 * place / np.maximum(top, 1) - 1, 0.0)


def with_height(
    names: Sequence[str], columns: FloatArray, runs: pd.DataFrame, used: pd.DataFrame
) -> tuple[list[str], FloatArray]:
    """Put the height beside the block columns of a fit.

    Parameters
    ----------
    names : sequence of str
        Of the block columns.
    columns : array, shape (n_used, n_columns)
        Block columns of the used runs.
    runs, used : DataFrame
        All runs, which tell how high each stands, and those that are fitted; both with ``run``.

    Returns
    -------
    names : list of str
    columns : array, shape (n_used, n_columns + 1)
        Predictions with zeros there are for the middle height of an average stack.
    """
    height = dict(zip(runs["run"].astype(str), heights(runs), strict=True))
    column = np.array([height[str(run)] for run in used["run"]])
    return [*names, HEIGHT], np.column_stack([columns, column])


def stacked_factor(study: Study) -> Factor:
    """Find the factor whose levels are stacked: the only one that is easy to change.

    Returns
    -------
    Factor

    Raises
    ------
    DesignError
        If there is none or more than one, or it cannot be changed at a layer.
    """
    easy = [f for f in study.factors if not f.hard_to_change and not f.is_category]
    if len(easy) != 1:
        names = ", ".join(f.name for f in easy) or "none"
        raise DesignError(
            f"A stack varies exactly one factor with height; easy to change here: {names}. Mark the others with "
            "hard_to_change = true (they then change from stack to stack), or take them out."
        )
    if easy[0].kind not in STACKABLE:
        raise DesignError(
            f"{easy[0].name} ({easy[0].kind}) cannot be changed within a print; stacks are for "
            f"{', '.join(STACKABLE)}."
        )
    return easy[0]


def height_stacked(study: Study) -> CodedRuns:
    """Lay out stacks: one block a print, one run a level in it, from the plate upwards.

    Parameters
    ----------
    study : Study
        ``blocks`` is the number of stacks, ``runs`` the number of levels in all of them; by default as many
        stacks as levels at each combination of the other factors.

    Returns
    -------
    CodedRuns

    Raises
    ------
    DesignError
        If the numbers do not fit, or the levels would rise or fall with height in every stack.
    """
    factor, coding = stacked_factor(study), study.coding
    place = coding.names.index(factor.name)
    combinations = _combinations(study, place)
    levels, stacks = _sizes(study, factor, len(combinations))
    each = stacks // len(combinations)
    check_size(stacks * len(levels))
    rng = np.random.default_rng([study.seed, SEED_STEP])
    order = study.design.level_order
    rows, worst = [], 0.0
    for combination in combinations:
        if order == "mixed":
            orders = level_orders(len(levels), each, rng)
        else:
            one = np.arange(len(levels)) if order == "rising" else np.arange(len(levels))[::-1]
            orders = np.tile(one, (each, 1))
        worst = max(worst, height_correlation(orders))
        for one in orders:
            stack = np.tile(combination, (len(levels), 1))
            stack[:, place] = levels[one]
            rows.append(stack)
    block = np.repeat(np.arange(stacks, dtype=np.intp), len(levels)) + 1
    kind = tuple(f"height {i + 1} of {len(levels)}" for i in range(len(levels))) * stacks
    notes = (
        *_notes(factor, len(levels), stacks, worst),
        *settling_notes(study, factor, levels, rows),
    )
    return CodedRuns(np.vstack(rows), block, kind, notes)


def is_confounded(orders: IntArray) -> bool:
    """Tell whether the levels rise in every stack, or fall in every stack."""
    steps = np.diff(orders, axis=1)
    return bool((steps > 0).all() or (steps < 0).all())


def _combinations(study: Study, place: int) -> FloatArray:
    """Cross the ends and levels of all other factors."""
    axes: list[tuple[float, ...]] = []
    for j, f in enumerate(study.coding.factors):
        ends = tuple(map(float, range(len(f.levels)))) if f.is_category else (-1.0, 1.0)
        axes.append((0.0,) if j == place else ends)
    return np.array(list(product(*axes)), dtype=float)


def _sizes(study: Study, factor: Factor, combinations: int) -> tuple[FloatArray, int]:
    """Settle levels and the number of stacks."""
    design, steps = study.design, settable_levels(factor)
    count = len(steps) if len(steps) <= MOST_AS_THEY_ARE else USUAL_LEVELS
    if design.runs is not None and design.blocks > 1:
        count, left = divmod(design.runs, design.blocks)
        if left or not 2 <= count <= len(steps):
            raise DesignError(
                f"runs = {design.runs} over blocks = {design.blocks} stacks: each stack needs the same number of levels, "
                f"2 to {len(steps)} of {factor.name}."
            )
    index = np.linspace(0, len(steps) - 1, count).round().astype(np.intp)
    stacks = design.blocks if design.blocks > 1 else count * combinations * design.replicates
    if design.runs is not None and design.blocks == 1:
        stacks = design.runs // count
    if stacks < 2 or stacks % combinations or (design.runs or stacks * count) != stacks * count:
        raise DesignError(
            f"{stacks} stacks of {count} levels do not fit {combinations} combination(s) of the other factors"
            f"{f' and runs = {design.runs}' if design.runs else ''}: take at least 2 stacks, a multiple of {combinations}; "
            f"best is blocks = {count * combinations} (each level once at each height)."
        )
    _check_order(study, factor, stacks)
    return steps[index], stacks


def _check_order(study: Study, factor: Factor, stacks: int) -> None:
    """Refuse levels that rise or fall in every stack, unless insisted on."""
    order = study.design.level_order
    if order != "mixed" and not study.design.insist:
        raise DesignError(
            f'level_order = "{order}": with {factor.name} {order} in all {stacks} stacks, its effect cannot be told from that of '
            'height. Write level_order = "mixed", or insist = true to print it all the same (every page will say so).'
        )


def _notes(factor: Factor, levels: int, stacks: int, worst: float) -> tuple[str, ...]:
    first = (
        f"{stacks} stacks of {levels} levels of {factor.name}; the order from the plate upwards differs from stack to stack. "
        "Stacks count as blocks and height is taken into account; a level seen in one stack is one result, not a print of its own."
    )
    if worst > 0.999:
        return (
            first,
            f"{factor.name} and height go together entirely: their effects cannot be told apart.",
        )
    if worst > 0.01:
        return (
            first,
            f"Level and height still hang together (correlation {worst:.2f}); with {levels} stacks they would not.",
        )
    return (first,)


def settling_layers(change: float, rate: float, layer_time: float) -> int:
    """Give the layers that pass until a new temperature is reached.

    Parameters
    ----------
    change : float
        degC, either sign.
    rate : float
        Heating or cooling rate of the nozzle, degC/s, > 0.
    layer_time : float
        s, > 0.

    Returns
    -------
    int

    Examples
    --------
    >>> settling_layers(-20, 1.0, 8.0)
    3
    """
    return ceil(abs(change) / rate / layer_time - 1e-9)


def settling_notes(
    study: Study, factor: Factor, levels: FloatArray, stacks: list[FloatArray]
) -> tuple[str, ...]:
    """Say how many layers to leave unmeasured after a change of temperature."""
    if factor.kind != "nozzle_temperature":
        return (
            "Measure each level away from its first layers; the change needs a layer or two to act.",
        )
    place = study.coding.names.index(factor.name)
    largest = (
        max(float(np.abs(np.diff(s[:, place])).max()) for s in stacks) * factor.coded.half_range
    )
    rate, layer = study.printer.heating_rate, study.specimen.min_layer_time
    said = f"{largest:g} {unit_label(factor.unit)}"
    if rate is None or layer <= 0:
        lacking = [
            n
            for n, known in (
                ("heating_rate (degC/s) to [printer]", rate),
                ("min_layer_time (s) to [specimen]", layer),
            )
            if not known
        ]
        return (
            f"The largest change is {said}; add {' and '.join(lacking)} to learn how many layers it takes to settle.",
        )
    count = settling_layers(largest, rate, layer)
    return (
        (
            f"Leave the first {count} layer{'s' if count != 1 else ''} of each level unmeasured: {said} at {rate:g} °C/s take "
            f"{largest / rate:g} s, a layer lasts {layer:g} s or more."
        ),
    )
