"""The gauge study: how much of what is read is the measuring itself.

Parts are measured by operators several times. Repeatability is the scatter of one operator's repeat readings of one part,
reproducibility what changes with the operator (ISO 5725-1). Two-way random analysis of variance first; restricted maximum
likelihood beside it, and instead of it where the table has gaps.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import ceil, isfinite, nan

import numpy as np
import pandas as pd
from scipy import stats

from kit.errors import MeasurementError
from kit.model.component_intervals import component_intervals
from kit.model.gauge_checks import gauge_checks
from kit.model.gauge_result import Component, Gauge
from kit.model.gauge_strata import (
    Strata,
    crossed_strata,
    limits,
    nested_strata,
    one_way_strata,
)
from kit.model.reml import Reml, fit_reml
from kit.terms import FloatArray

REPRODUCING = ("operator", "interaction")
SMALL_ADDITION = 0.21
"""1.1^2 - 1: a variance so much of the run's adds a tenth to its SD."""


def analyse_gauge(
    readings: pd.DataFrame,
    *,
    destructive: bool = False,
    step: float | None = None,
    confidence: float = 0.95,
    interaction: bool = True,
) -> Gauge:
    """Say how much readings scatter because of the measuring, and who or what scatters them.

    Parameters
    ----------
    readings : DataFrame
        One row a reading: ``part``, ``operator`` (text; one empty name is one operator), ``value``. The layout is
        read off the table.
    destructive : bool, default False
        Every reading used up a piece (strength).
    step : float, optional
        Smallest step of the display; by default the largest round step that all readings are multiples of.
    confidence : float, default 0.95
        Of the intervals, each by itself, two-sided.
    interaction : bool, default True
        Whether operators may differ more on some parts than on others (crossed layout).

    Returns
    -------
    Gauge

    Raises
    ------
    MeasurementError
        If nothing was read twice by the same operator, or there are neither two parts nor two operators.

    Notes
    -----
    Balanced tables: expected mean squares of the random-effects layouts (Burdick, Borror and Montgomery 2005); a component
    that comes out below 0 counts as 0 and keeps its interval. Tables with gaps: REML, with the intervals of
    `kit.model.component_intervals`; the intervals of sums are Satterthwaite's.
    """
    table = readings.astype({"part": str, "operator": str})
    layout = _layout(table)
    _check_repeats(table, destructive)
    counts = table.groupby(["part", "operator"], sort=False).size()
    strata = _strata(table, layout, interaction=interaction)
    fit, names = _fitted(table, layout, interaction=interaction)
    notes = list(_layout_notes(layout, destructive))
    if strata is not None:
        found = _from_strata(strata, confidence)
    elif fit is not None:
        found = _from_reml(fit, names, confidence)
        notes.append(
            "The table has gaps, so the components come from restricted maximum likelihood."
        )
    else:
        raise MeasurementError(
            "the gauge readings leave nothing to separate parts, operators and repeats by; fill the gaps in gauge.csv."
        )
    names_known = ("repeatability", *REPRODUCING, "reproducibility", "measuring", "part")
    steps = smallest_step(table["value"].to_numpy()) if step is None else step
    return Gauge(
        layout=layout,
        destructive=destructive,
        parts=table["part"].nunique(),
        operators=table["operator"].nunique(),
        readings=len(table),
        repeats=float(len(counts) / (1 / counts).sum()),
        components={name: found.get(name) for name in names_known},
        strata=strata,
        reml={} if fit is None else dict(zip(names, fit.components.tolist(), strict=True)),
        step=steps,
        mean=float(table["value"].mean()),
        confidence=confidence,
        checks=gauge_checks(table, layout, steps),
        notes=tuple(notes),
    )


def repeats_needed(repeat_variance: float, run_variance: float) -> int:
    """Give how many repeat readings a part keep the gauge from adding a tenth to the SD between runs.

    Parameters
    ----------
    repeat_variance : float
        Of one reading, same operator.
    run_variance : float
        Between prints at the same settings, without the measuring, > 0.

    Returns
    -------
    int
        The smallest n >= 1 with s_r^2 / n <= 0.21 s_run^2.

    Raises
    ------
    ValueError
        If the scatter between runs is not above 0.

    Examples
    --------
    >>> repeats_needed(0.02**2, 0.02**2), repeats_needed(0.001, 1.0)
    (5, 1)
    """
    if not run_variance > 0:
        raise ValueError("the scatter between runs must be above 0.")
    return max(1, ceil(repeat_variance / (SMALL_ADDITION * run_variance) - 1e-9))


def requirement_share(sd: float, lower: float | None, upper: float | None) -> float | None:
    """Give six SDs of the measuring as a share of the requirement's width; None for a one-sided one."""
    if lower is None or upper is None:
        return None
    return 6 * sd / (upper - lower)


def smallest_step(values: FloatArray) -> float:
    """Give the largest of 1, 2, 5, 10 ... that all values are whole multiples of: the step of the display.

    Returns
    -------
    float
        0 where the values are no round numbers, or all alike to the last digit.

    Examples
    --------
    >>> smallest_step(np.array([20.03, 20.01, 19.98])), smallest_step(np.array([2.5, 3.0, 4.5]))
    (0.01, 0.5)
    """
    for power in range(3, -7, -1):
        for mantissa in (5.0, 2.0, 1.0):
            ratio = values / (mantissa * 10.0**power)
            if np.all(np.abs(ratio - np.round(ratio)) < 1e-6 * np.maximum(1.0, np.abs(ratio))):
                return float(mantissa * 10.0**power)
    return 0.0


def _layout(table: pd.DataFrame) -> str:
    parts, operators = table["part"].nunique(), table["operator"].nunique()
    if parts < 2 and operators < 2:
        raise MeasurementError(
            "one operator read one part: that shows repeatability, but not whether parts can be told apart. "
            "Take at least two parts; ten are better."
        )
    if operators < 2:
        return "one operator"
    if parts < 2:
        return "one part"
    alone = len(table[["part", "operator"]].drop_duplicates()) == parts
    return "nested" if alone else "crossed"


def _check_repeats(table: pd.DataFrame, destructive: bool) -> None:
    counts = table.groupby(["part", "operator"], sort=False).size()
    if (counts >= 2).any():
        return
    part = counts.index[0][0]
    what = (
        "break at least two like pieces of each print"
        if destructive
        else "read each part at least twice"
    )
    raise MeasurementError(
        f"part {part!r} has 1 reading by the same operator, and so have all others; repeatability needs 2: {what}."
    )


def _block(table: pd.DataFrame, keys: list[str]) -> FloatArray | None:
    """Give the readings as a full array by the keys and repeats, or None where it has gaps."""
    groups = table.groupby(keys, sort=True)["value"]
    sizes = groups.size()
    shape = [table[k].nunique() for k in keys]
    if len(set(sizes)) > 1 or len(sizes) != int(np.prod(shape)) or sizes.iloc[0] < 2:
        return None
    ordered = table.sort_values(keys, kind="stable")["value"].to_numpy(dtype=float)
    return np.asarray(ordered.reshape([*shape, int(sizes.iloc[0])]))


def _strata(table: pd.DataFrame, layout: str, *, interaction: bool) -> Strata | None:
    if layout == "crossed":
        block = _block(table, ["part", "operator"])
        return None if block is None else crossed_strata(block, interaction=interaction)
    if layout == "nested":
        return _nested(table)
    key, source = ("part", "parts") if layout == "one operator" else ("operator", "operators")
    block = _block(table, [key])
    return None if block is None else one_way_strata(block, key, source)


def _nested(table: pd.DataFrame) -> Strata | None:
    each = table.groupby("operator")["part"].nunique()
    sizes = table.groupby("part").size()
    if len(set(each)) > 1 or each.iloc[0] < 2 or len(set(sizes)) > 1 or sizes.iloc[0] < 2:
        return None
    ordered = table.sort_values(["operator", "part"], kind="stable")["value"].to_numpy(dtype=float)
    return nested_strata(ordered.reshape(len(each), int(each.iloc[0]), int(sizes.iloc[0])))


def _fitted(
    table: pd.DataFrame, layout: str, *, interaction: bool
) -> tuple[Reml | None, tuple[str, ...]]:
    part, operator = (pd.factorize(table[key])[0] for key in ("part", "operator"))
    names: tuple[str, ...]
    if layout == "crossed":
        cell = pd.factorize(table["part"].str.cat(table["operator"], sep="\0"))[0]
        groups, names = [part, operator, cell], ("part", "operator", "interaction")
        if not interaction:
            groups, names = groups[:2], names[:2]
    elif layout == "nested":
        groups, names = [part, operator], ("part", "operator")
    elif layout == "one operator":
        groups, names = [part], ("part",)
    else:
        groups, names = [operator], ("operator",)
    try:
        fit = fit_reml(table["value"].to_numpy(dtype=float), np.ones((len(table), 1)), groups)
    except ValueError:  # a component that the gaps leave inseparable, or no scatter at all
        return None, names
    return fit, (*names, "repeatability")


def _from_strata(strata: Strata, confidence: float) -> dict[str, Component]:
    """Give all components, and their sums, with generalised intervals."""
    found, draws = {}, {name: strata.draws(name) for name in strata.weights}
    for name in strata.weights:
        raw = strata.raw(name)
        found[name] = Component(max(raw, 0.0), *limits(draws[name], confidence), raw)
    for name, parts in _sums(found).items():
        total = sum(found[p].variance for p in parts)
        spread = np.sum([draws[p] for p in parts], axis=0)
        found[name] = Component(
            total, *limits(spread, confidence), sum(found[p].raw for p in parts)
        )
        draws[name] = spread
    return found


def _from_reml(fit: Reml, names: tuple[str, ...], confidence: float) -> dict[str, Component]:
    """Give all components of a table with gaps, and their sums with Satterthwaite's intervals."""
    ends = component_intervals(fit, confidence=confidence)
    values = fit.components.tolist()
    found = {
        name: Component(values[i], float(ends.low[i]), float(ends.high[i]), values[i])
        for i, name in enumerate(names)
    }
    covariance = fit.component_covariance
    for name, parts in _sums(found).items():
        places = [names.index(p) for p in parts]
        total = sum(values[i] for i in places)
        spread = float(covariance[np.ix_(places, places)].sum())
        if len(parts) == 1:
            found[name] = found[parts[0]]
            continue
        found[name] = Component(total, *_satterthwaite(total, spread, confidence), total)
    return found


def _sums(found: Mapping[str, Component]) -> dict[str, list[str]]:
    reproducing = [name for name in REPRODUCING if name in found]
    sums = {"reproducibility": reproducing} if "operator" in found else {}
    return {**sums, "measuring": ["repeatability", *reproducing]}


def _satterthwaite(total: float, variance: float, confidence: float) -> tuple[float, float]:
    if total <= 0 or not isfinite(variance) or variance <= 0:
        return nan, nan
    df = 2 * total**2 / variance
    tail = (1 - confidence) / 2
    high, low = stats.chi2.ppf([tail, 1 - tail], df)
    return float(df * total / low), float(df * total / high)


def _layout_notes(layout: str, destructive: bool) -> tuple[str, ...]:
    notes = {
        "one operator": "One operator read everything: what another operator would read differently (reproducibility) is not "
        "estimable. It is not zero.",
        "one part": "Only one part was read: whether operators differ more on some parts, and how far parts differ, is not estimable.",
        "nested": "Every operator had parts of their own: whether operators differ more on some parts than on others is not "
        "estimable; it stands in what parts differ.",
    }
    said = [notes[layout]] if layout in notes else []
    if destructive:
        said.append(
            "Every reading used up a piece: repeatability holds what pieces of one print differ as well, and no study "
            "of broken pieces can separate the two. The instrument alone is at most as bad as this."
        )
    return tuple(said)
