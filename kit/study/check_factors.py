"""Factors that contradict themselves, their kind or the printer."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from kit.study.description import Factor, Study
from kit.study.lines import KeyPath
from kit.study.names import name_findings
from kit.study.nearest import number
from kit.study.units import factor_unit, kind_range, unit_hint, unit_symbol, with_unit
from kit.words import FACTOR_KINDS

Finding = tuple[KeyPath, str]

USUAL_NOZZLE_MAX = 330.0
"""degC; above it a desktop nozzle is so rare that the hard stop must be written (common practice, no source)."""

FULL_DUTY = 255
"""What firmware calls full fan power where a slicer says 100 %."""


@dataclass(frozen=True)
class HardStop:
    """A limit of the machine that no setting may pass, and the key that says so."""

    key: str
    value: float


def hard_stop(study: Study, factor: Factor) -> HardStop | None:
    """Give the printer's hard stop for a factor, or None."""
    stop = study.printer.hard_stop(factor.kind)
    return HardStop(f"printer.{stop[0]}", stop[1]) if stop else None


def check_factors(study: Study, kind_known: Callable[[int], bool]) -> Iterator[Finding]:
    """Find what is wrong with the factors.

    Parameters
    ----------
    study : Study
        A draft: factors may lack anything.
    kind_known : callable
        Whether the kind of the factor at a position could be read; if not, only the order of its numbers
        is checked.

    Yields
    ------
    tuple of KeyPath and str
        Where, and what to do.
    """
    yield from name_findings("factor", [f.name for f in study.factors])
    for i, factor in enumerate(study.factors):
        if not kind_known(i):
            checks = _order(factor)
        else:
            checks = _category(factor) if factor.is_category else _scale(study, factor)
        for key, text in checks:
            yield ("factor", i, key), text


def _category(factor: Factor) -> Iterator[tuple[str, str]]:
    for key in ("low", "high", "step", "min", "max"):
        if getattr(factor, key) is not None:
            yield (
                key,
                "a category has named levels and no scale; delete this key, or change the kind.",
            )
    if factor.unit:
        yield "unit", "a category has no unit; delete this key."
    levels = factor.levels
    if len(levels) < 2:
        found = f"found {len(levels)}" if levels else "none given"
        yield (
            "levels",
            f'{found}; a category needs at least two levels, such as levels = ["white", "pink"].',
        )
    plain = [level.strip().casefold() for level in levels]
    twice = sorted({level for level, p in zip(levels, plain, strict=True) if plain.count(p) > 1})
    if twice:
        yield (
            "levels",
            f"{', '.join(map(repr, twice))} {'name' if len(twice) > 1 else 'names'} the same level twice; delete one.",
        )
    for level in levels:
        if level != level.strip() or not level.strip():
            yield "levels", f"level {level!r} is empty or has blanks around it; write it without."
        elif ":" in level or any(ord(c) < ord(" ") for c in level):
            yield (
                "levels",
                f"level {level!r} holds a colon or a line break; term names cannot carry them.",
            )


def _scale(study: Study, factor: Factor) -> Iterator[tuple[str, str]]:
    if factor.levels:
        yield "levels", 'levels are for kind = "category"; a factor on a scale has low and high.'
    for key in ("low", "high"):
        if getattr(factor, key) is None:
            yield (
                key,
                f"{key} is missing; write the {'lower' if key == 'low' else 'upper'} of the two settings you would try.",
            )
    yield from _unit(factor)
    yield from _order(factor)
    slips = list(_slips(study, factor))
    yield from slips
    yield from _beyond_stop(study, factor, {key for key, _ in slips})


def _unit(factor: Factor) -> Iterator[tuple[str, str]]:
    allowed = FACTOR_KINDS[factor.kind].units
    if not factor.unit or not allowed or unit_symbol(factor.unit) in allowed:
        return
    hint = unit_hint(factor.unit)
    meant = f" Did you mean {hint}?" if hint in allowed else ""
    yield (
        "unit",
        f"unit {factor.unit!r} does not fit {factor.kind}; allowed: {', '.join(allowed)}.{meant}",
    )


def _order(factor: Factor) -> Iterator[tuple[str, str]]:
    low, high, unit = factor.low, factor.high, factor_unit(factor)
    if low is not None and high is not None:
        if low > high:
            yield (
                "low",
                f"low {with_unit(low, unit)} is above high {with_unit(high, unit)}; swap them.",
            )
        elif low == high:
            yield (
                "low",
                f"low and high are both {with_unit(low, unit)}; a factor needs two different settings.",
            )
        elif factor.step is not None and factor.step > (high - low) * (1 + 1e-9):
            yield (
                "step",
                f"step {with_unit(factor.step, unit)} is wider than low to high ({with_unit(high - low, unit)}); no setting lies between.",
            )
    if factor.min is not None and factor.max is not None and factor.min > factor.max:
        yield (
            "min",
            f"min {with_unit(factor.min, unit)} is above max {with_unit(factor.max, unit)}; swap them.",
        )
    elif factor.min is not None and low is not None and factor.min > low:
        yield (
            "min",
            f"min {with_unit(factor.min, unit)} is above low {with_unit(low, unit)}; raise low or lower min.",
        )
    elif factor.max is not None and high is not None and factor.max < high:
        yield (
            "max",
            f"max {with_unit(factor.max, unit)} is below high {with_unit(high, unit)}; lower high or raise max.",
        )


def _slips(study: Study, factor: Factor) -> Iterator[tuple[str, str]]:
    """Find values outside what the kind can be, with a guess at what was meant."""
    allowed = kind_range(factor)
    if allowed is None:
        return
    unit = factor_unit(factor)
    for key in ("low", "high", "min", "max"):
        value = getattr(factor, key)
        if value is None:
            continue
        guess = _guess(study, factor, value)
        if not allowed[0] <= value <= allowed[1]:
            expected = f"{number(allowed[0])} to {with_unit(allowed[1], unit)}"
            text = f"found {with_unit(value, unit)}; {factor.kind} lies within {expected}."
            yield key, guess or text
        elif guess is not None:
            yield key, guess


def _guess(study: Study, factor: Factor, value: float) -> str | None:
    """Recognise a value in other units."""
    v = number(value)
    if factor.kind == "fan_duty":
        if 100 < value <= FULL_DUTY:
            percent = number(round(value / FULL_DUTY * 100))
            return f"fan {v} looks like a 0-255 duty; use percent 0-100 ({v} = {percent} %)."
        if 0 < value <= 1:
            return (
                f"fan {v} looks like a share of 1; use percent 0-100 (write {number(value * 100)})."
            )
    if factor.kind == "flow" and 0.2 <= value <= 3:
        return f"flow {v} looks like a share of 1; use percent (write {number(value * 100)})."
    if factor.kind == "speed" and value > 1000:
        return f"speed {v} mm/s looks like mm/min; write {number(round(value / 60, 2))} (mm/s)."
    if factor.kind == "layer_height" and factor_unit(factor) == "mm" and 20 <= value <= 2000:
        return f"layer height {v} mm looks like microns; write {number(value / 1000)}."
    if factor.kind not in ("nozzle_temperature", "bed_temperature"):
        return None
    guess = temperature_guess(value, usual_temperatures(study, factor.kind))
    possible = factor.kind == "nozzle_temperature" and value <= FACTOR_KINDS[factor.kind].high
    if guess and possible and study.printer.nozzle_max is None:
        return f"{guess} If degC is meant, write the printer's nozzle_max in [printer]."
    return guess


def usual_temperatures(study: Study, kind: str) -> tuple[float, float]:
    """Give the degC that would surprise nobody for this kind on this printer and spool."""
    if kind == "bed_temperature":
        return 0.0, study.printer.bed_max or 150.0
    stated = study.material.stated_range
    high = study.printer.nozzle_max or USUAL_NOZZLE_MAX
    if stated and 120 <= stated[0] <= stated[1] <= 500:
        high = max(stated[1] + 60, study.printer.nozzle_max or 0.0)
    return 140.0, high


def temperature_guess(value: float, usual: tuple[float, float]) -> str | None:
    """Say which temperature was meant when a value is too high for degC but right in another scale.

    Returns
    -------
    str or None

    Examples
    --------
    >>> temperature_guess(463, (140, 330))
    '463 looks like kelvin; write 189.85 degC.'
    >>> temperature_guess(410, (140, 300))
    '410 looks like degrees Fahrenheit; write 210 degC.'
    >>> temperature_guess(210, (140, 330))
    """
    if usual[0] <= value <= usual[1] or value < usual[0]:
        return None
    scales = {"degrees Fahrenheit": (value - 32) / 1.8, "kelvin": value - 273.15}
    # The scale that lands nearest to the middle of what is usual; printing in PLA's range decides ties.
    fits = {n: c for n, c in scales.items() if usual[0] <= c <= min(usual[1], USUAL_NOZZLE_MAX)}
    if not fits:
        return None
    name = min(fits, key=lambda n: abs(fits[n] - (210.0 if usual[0] > 0 else 60.0)))
    return f"{number(value)} looks like {name}; write {number(round(fits[name], 2))} degC."


def _beyond_stop(study: Study, factor: Factor, doubtful: set[str]) -> Iterator[tuple[str, str]]:
    """Find settings beyond the printer's hard stops, or so hot that the hard stop must be known."""
    stop, unit = hard_stop(study, factor), factor_unit(factor)
    for key in ("high", "max", "low"):
        value = getattr(factor, key)
        if value is None or key in doubtful:
            continue
        if stop is not None and value > stop.value:
            yield (
                key,
                f"{key} {with_unit(value, unit)} is above the printer's hard stop {stop.key} = {number(stop.value)}; stay at or below it.",
            )
        elif stop is None and factor.kind == "nozzle_temperature" and value > USUAL_NOZZLE_MAX:
            yield (
                key,
                (
                    f"{key} {with_unit(value, unit)} is far above common desktop nozzles (about {number(USUAL_NOZZLE_MAX)}); "
                    "if it is meant, write the printer's nozzle_max in [printer]."
                ),
            )
