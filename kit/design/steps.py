"""From coded runs to settings that can really be set: printable steps, inside hard limits."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from math import floor, isfinite, log10
from typing import Any

import numpy as np
import pandas as pd

from kit.design.composite import largest_axial_distance
from kit.errors import DesignError
from kit.printer import setting_limits
from kit.study.description import Factor, Study
from kit.terms import FloatArray
from kit.words import unit_label

SLACK = 1e-9
"""Share of a step or a limit by which a setting may be off before it counts."""


def settable(study: Study, coded: FloatArray) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Turn coded runs into natural settings on the factors' steps.

    Parameters
    ----------
    study : Study
        Factors with their steps and limits.
    coded : array, shape (n, n_factors)
        As a family made them.

    Returns
    -------
    settings : DataFrame
        One row a run, one column a factor: low plus whole steps, never beyond a limit; level names.
    notes : tuple of str
        Where a setting had to be moved to a step, one sentence a factor.
    """
    natural = study.coding.decode(coded)
    columns: dict[str, Any] = {}
    notes: list[str] = []
    for factor in study.factors:
        if factor.is_category:
            columns[factor.name] = list(natural[factor.name])
            continue
        asked = np.asarray(natural[factor.name], dtype=float)
        columns[factor.name] = snap(factor, asked, setting_limits(factor, study)[:2])
        notes += _moved(factor, asked, np.asarray(columns[factor.name]))
    return pd.DataFrame(columns), tuple(notes)


def snap(factor: Factor, values: FloatArray, limits: tuple[float, float]) -> FloatArray:
    """Move settings to the nearest step, counted from low; half-way ones towards the middle.

    Between low and high a setting stays there; beyond, it stays inside the limits.

    Parameters
    ----------
    factor : Factor
        On a scale. Without a step, settings are rounded to about a thousandth of the half range.
    values : array, shape (n,)
        Natural units.
    limits : (float, float)
        Lowest and highest setting allowed.

    Returns
    -------
    array, shape (n,)

    Examples
    --------
    >>> nozzle = Factor(name="nozzle", low=190, high=230, step=5)
    >>> snap(nozzle, np.array([176.4, 190, 207.5, 243.6]), (170, 244)).tolist()
    [175.0, 190.0, 210.0, 240.0]
    """
    start, end = _ends(factor)
    step = _step(factor)
    count = (values - start) / float(step)
    middle = (end - start) / 2 / float(step)
    nearest = np.where(count > middle, np.ceil(count - 0.5 - SLACK), np.floor(count + 0.5 + SLACK))
    inner = (count >= -SLACK) & (count <= 2 * middle * (1 + SLACK) + SLACK)
    top = floor(2 * middle + SLACK)
    nearest = np.where(inner, np.clip(nearest, 0, top), nearest)
    first, last = ((limit - start) / float(step) for limit in limits)
    first = floor(-first + SLACK) * -1.0 if isfinite(first) else first
    last = floor(last + SLACK) * 1.0 if isfinite(last) else last
    nearest = np.clip(nearest, first, last)
    anchor = Decimal(str(start))
    return np.array([float(anchor + int(i) * step) for i in nearest], dtype=float)


def _step(factor: Factor) -> Decimal:
    if factor.step is not None:
        return Decimal(str(factor.step))
    low, high = _ends(factor)
    return Decimal(1).scaleb(floor(log10((high - low) / 2)) - 3)


def _ends(factor: Factor) -> tuple[float, float]:
    """Give low and high, which the reader made sure of."""
    coded = factor.coded
    return coded.low, coded.high


def _moved(factor: Factor, asked: FloatArray, got: FloatArray) -> list[str]:
    """Say which settings of a factor with a step were moved."""
    if factor.step is None:
        return []
    far = np.abs(asked - got) > 1e-6 * factor.step
    if not far.any():
        return []
    pairs = sorted(
        {(round(float(a), 6), float(g)) for a, g in zip(asked[far], got[far], strict=True)}
    )
    before = " and ".join(f"{a:.6g}" for a, _ in pairs)
    after = " and ".join(f"{g:.6g}" for _, g in pairs)
    unit = unit_label(factor.unit)
    coded = factor.coded.code(np.array([g for _, g in pairs]))
    where = " and ".join(f"{c:.3g}" for c in coded)
    return [
        f"{factor.name}: {before} {unit} asked for, {after} {unit} is what steps of {factor.step:g} allow "
        f"({where} in coded units). The fit uses what is really set.".replace("  ", " ")
    ]


def check_reach(study: Study, coded: FloatArray) -> None:
    """Refuse runs beyond a factor's hard limits, with the way out.

    Parameters
    ----------
    study : Study
        Factors, limits and the printer card.
    coded : array, shape (n, n_factors)
        As a family made them.

    Raises
    ------
    DesignError
        Naming every factor concerned, the largest axial distance that fits, or how to narrow it.
    """
    scales = [f for f in study.factors if not f.is_category]
    limits = [setting_limits(f, study) for f in scales]
    places = [study.coding.names.index(f.name) for f in scales]
    reach = np.abs(coded[:, places]).max(axis=0, initial=0.0)
    room = largest_axial_distance(
        study.coding, np.array([m[0] for m in limits]), np.array([m[1] for m in limits])
    )
    beyond = [j for j in range(len(scales)) if reach[j] > room[j] * (1 + SLACK) + SLACK]
    if not beyond:
        return
    on_steps = [
        float(room[j]) if scales[j].step is None else _room_on_steps(scales[j], float(room[j]))
        for j in range(len(scales))
    ]
    lines = [_beyond(scales[j], float(reach[j]), limits[j]) for j in beyond]
    raise DesignError("\n".join([*lines, _way_out(scales, reach, room, beyond, on_steps)]))


def _beyond(factor: Factor, reach: float, limits: tuple[float, float, str, str]) -> str:
    ends = np.asarray(factor.coded.decode(np.array([-reach, reach])))
    low, high, why_low, why_high = limits
    reasons = []
    if ends[0] < low - SLACK:
        reasons.append(f"not below {low:g} ({why_low})")
    if ends[1] > high + SLACK:
        reasons.append(f"not above {high:g} ({why_high})")
    what = "axial points" if reach > 1 else "low and high"
    unit = unit_label(factor.unit)
    span = f"{ends[0]:.6g} to {ends[1]:.6g} {unit}".strip()
    return f"{factor.name}: {what} would be {span}, allowed is {' and '.join(reasons)}."


def _way_out(
    scales: Sequence[Factor],
    reach: FloatArray,
    room: FloatArray,
    beyond: Sequence[int],
    on_steps: Sequence[float],
) -> str:
    narrow = [
        f"{scales[j].name} to {_narrowed(scales[j], float(room[j] / reach[j]))}" for j in beyond
    ]
    ways = f"narrow {', '.join(narrow)}"
    largest = floor(min(map(float, on_steps)) * 1000 + SLACK) / 1000
    if reach.max() > 1 and largest > 1:
        return f'Set axial = {largest:g} (the largest that fits every factor) or "face", or {ways}.'
    if reach.max() > 1 and largest == 1:
        return f'Set axial = "face" (1 is the largest that fits every factor), or {ways}.'
    return f"The way out: {ways}."


def _room_on_steps(factor: Factor, room: float) -> float:
    """Give how far out whole steps from low can go, in coded units."""
    if not isfinite(room):
        return room
    start, end = _ends(factor)
    step, middle = float(_step(factor)), (start + end) / 2
    outer = middle + room * (end - start) / 2
    up = start + floor((outer - start) / step + SLACK) * step
    down = start - floor((start - (2 * middle - outer)) / step + SLACK) * step
    return min(up - middle, middle - down) / (end - start) * 2


def _narrowed(factor: Factor, share: float) -> str:
    """Give a low and high, on steps, whose axial points would just fit."""
    start, end = _ends(factor)
    cut = (1 - share) * (end - start) / 2
    step = float(_step(factor))
    steps = -floor(-cut / step + SLACK)
    low, high = start + steps * step, end - steps * step
    if low >= high:
        return "a middle further inside its limits"
    return f"{low:.6g} to {high:.6g}"
