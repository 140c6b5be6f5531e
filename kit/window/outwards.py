"""Beyond what was tried: where the chance still rises, and which printable settings lie on the way."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from kit.printer import setting_limits
from kit.study.description import Factor, Study
from kit.study.limits import parse_limits
from kit.study.units import kind_range
from kit.terms import FloatArray
from kit.window.choice import ChanceAt
from kit.window.result import Setting, Window
from kit.window.settable import printable_values

HALVED = ("speed", "flow", "layer_height")
"""A path goes no lower than half of what was tried in these; common practice, no source."""


def outward_ends(
    study: Study, window: Window, best: Mapping[str, Setting], chance: ChanceAt
) -> list[tuple[str, float]]:
    """Name the factors, and the side, where the best setting lies at an end of what was tried and it gets better beyond."""
    at = study.coding.code({n: [best[n]] for n in study.coding.names})[0]
    found = []
    here = float(chance(at[None])[0])
    for i, factor in enumerate(study.factors):
        axis = window.steps[factor.name]
        if factor.is_category or len(axis) < 2:
            continue
        low_stop, high_stop = reasonable_ends(factor, study)
        step = float(axis[1]) - float(axis[0])
        for side, end, stop in ((-1.0, axis[0], low_stop), (1.0, axis[-1], high_stop)):
            room = side * (stop - float(end)) >= step - 1e-9
            if best[factor.name] != end or not room:
                continue
            beyond = at.copy()
            beyond[i] += side * step / factor.coded.half_range
            if float(chance(beyond[None])[0]) > here + 1e-4:
                found.append((factor.name, side))
    return found


def rise_of_chance(study: Study, at: FloatArray, chance: ChanceAt) -> FloatArray:
    """Give the slope of the log odds of the chance by each factor on a scale."""
    slope = np.zeros(len(at))
    for i, factor in enumerate(study.factors):
        if factor.is_category:
            continue
        ends = np.repeat(at[None], 2, axis=0)
        ends[0, i] -= 0.05
        ends[1, i] += 0.05
        p = np.clip(chance(ends), 1e-12, 1 - 1e-12)
        slope[i] = float(np.diff(np.log(p / (1 - p)))[0]) / 0.1
    return slope


def printable_at(
    study: Study, coded: FloatArray, base: Mapping[str, Setting]
) -> dict[str, Setting] | None:
    """Round a coded setting to printable steps inside the hard stops and the plan's limits."""
    row: dict[str, Setting] = {}
    for i, factor in enumerate(study.factors):
        if factor.is_category:
            row[factor.name] = base[factor.name]
            continue
        value = float(np.asarray(factor.coded.decode(np.array([coded[i]])))[0])
        low, high = reasonable_ends(factor, study)
        value = min(max(value, low), high)
        half = factor.coded.half_range
        near = printable_values(factor, study, value - half, value + half)
        row[factor.name] = min(near, key=lambda v: abs(v - value)) if near else value
    table = {n: np.array([v]) for n, v in row.items()}
    if all(
        bool(limit.holds(table)[0]) for limit in parse_limits(study.design.limits, study.coding)
    ):
        return row
    return None


def reasonable_ends(factor: Factor, study: Study) -> tuple[float, float]:
    """Give the settings that a path may not pass: hard stops, what such a factor can be, what the spool states."""
    low, high, *_ = setting_limits(factor, study)
    kind = kind_range(factor)
    if kind is not None:
        low, high = max(low, kind[0]), min(high, kind[1])
    if factor.kind in HALVED and factor.low is not None:
        low = max(low, factor.low / 2)
    stated = study.material.stated_range
    if factor.kind == "nozzle_temperature" and stated is not None:
        low, high = max(low, stated[0]), min(high, stated[1])
    return low, high
